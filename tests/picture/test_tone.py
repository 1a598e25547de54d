"""Matching of tone: judged by the formulas of the power law and of BT.709."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.arrays import Planes
from syncvid.picture.colour import planes_from_rgb
from syncvid.picture.tone import (
    LEAST_GAMMA,
    MOST_GAMMA,
    NEUTRAL,
    Tone,
    ToneStats,
    apply_tone,
    match_tones,
    measure_tone,
)


def ramp() -> Planes:
    luma = np.tile(np.arange(256, dtype=np.uint8), (4, 1))
    chroma = np.full((2, 128), 128, np.uint8)
    return luma, chroma, chroma


def grey(level: float, tint: tuple[float, float, float] = (0, 0, 0)) -> list[Planes]:
    """Draw a wall with lighter and darker places, under a light of some colour."""
    rng = np.random.default_rng(1)
    rgb = rng.normal(level, 12, (64, 96, 1)) + np.array(tint)
    return [planes_from_rgb(rgb.clip(0, 255).astype(np.uint8))]


def test_neutral_is_the_same_object() -> None:
    planes = ramp()
    assert apply_tone(planes, NEUTRAL) is planes
    assert apply_tone(planes, Tone()) is planes


@pytest.mark.parametrize(("gamma", "gain"), [(0.7, 1.0), (1.4, 1.0), (1.0, 1.1), (0.9, 0.95)])
def test_luma_follows_the_power_law(gamma: float, gain: float) -> None:
    # out = gain * in ** gamma on shares from black to white, as textbooks have it.
    luma = apply_tone(ramp(), Tone(gamma=gamma, gain=gain))[0][0]
    for code in (16, 17, 60, 126, 200, 235):
        share = (code - 16) / 219
        assert abs(luma[code] - min(235, 16 + 219 * gain * share**gamma)) <= 0.5 + 1e-9
    assert luma.min() == 16
    assert luma.max() <= 235


def test_half_grey_at_gamma_07_is_152() -> None:
    # 16 + 219 * (110 / 219) ** 0.7 = 151.26; 126 is half grey in facts of BT.709.
    assert apply_tone(ramp(), Tone(gamma=0.7))[0][0, 126] == 151


def test_colour_is_shifted_by_a_share_of_its_range() -> None:
    _, blue, red = apply_tone(ramp(), Tone(blue=0.03, red=-0.02))
    assert (blue == round(128 + 224 * 0.03)).all()
    assert (red == round(128 - 224 * 0.02)).all()


def test_measures_are_those_of_what_was_drawn() -> None:
    stats = measure_tone(grey(128, (10, 0, -10)))
    assert stats is not None
    assert stats.middle == pytest.approx((128 + 0.2126 * 10 - 0.0722 * 10) / 255, abs=0.01)
    # BT.709-6, item 3.3: Cb = (B - Y) / 1.8556, Cr = (R - Y) / 1.5748.
    luma = 0.2126 * 10 - 0.0722 * 10
    assert stats.blue == pytest.approx((-10 - luma) / 1.8556 / 255, abs=0.003)
    assert stats.red == pytest.approx((10 - luma) / 1.5748 / 255, abs=0.003)
    assert stats.grey > 0.9


def test_a_painted_wall_says_nothing_about_the_light() -> None:
    stats = measure_tone(grey(120, (60, 0, -60)))
    assert stats is not None
    assert (stats.blue, stats.red, stats.grey) == (0.0, 0.0, 0.0)


def test_clips_come_nearer_to_each_other() -> None:
    clips = [grey(90, (8, 0, -8)), grey(128), grey(150, (-8, 0, 8))]
    before = [measure_tone(clip) for clip in clips]
    tones = match_tones(before)
    after = [
        measure_tone([apply_tone(planes, tone) for planes in clip])
        for clip, tone in zip(clips, tones, strict=True)
    ]
    for name in ("middle", "blue", "red"):
        old, new = ([getattr(item, name) for item in row] for row in (before, after))
        assert np.ptp(new) < 0.75 * np.ptp(old), name
    assert tones[1] == NEUTRAL


def test_strength_nothing_is_neutral_itself() -> None:
    stats = [measure_tone(grey(level)) for level in (60, 128, 200)]
    assert all(tone is NEUTRAL for tone in match_tones(stats, 0.0))


def test_one_clip_and_unknown_ones_are_left_alone() -> None:
    stats = measure_tone(grey(60))
    assert match_tones([stats, None]) == [NEUTRAL, NEUTRAL]
    assert measure_tone([]) is None
    assert match_tones([stats, None, measure_tone(grey(200))])[1] == NEUTRAL


def test_the_worst_clip_stays_within_bounds(rng: np.random.Generator) -> None:
    for _ in range(200):
        low, middle, high = np.sort(rng.uniform(0, 1, 3))
        odd = ToneStats(low, middle, high, *rng.uniform(-0.07, 0.07, 2), 0.5)
        tone = match_tones([odd, *[ToneStats(0.1, 0.5, 0.9, grey=0.5)] * 4])[0]
        assert LEAST_GAMMA <= tone.gamma <= MOST_GAMMA
        assert 0.9 <= tone.gain <= 1.15
        assert max(abs(tone.blue), abs(tone.red)) <= 0.03
