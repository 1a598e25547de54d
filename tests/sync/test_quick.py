"""The quick search: the same places as the thorough one, and silence where it cannot tell."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.sync.hearing import hear
from syncvid.sync.lines import LINE_RATE, LineScores, score_lines
from syncvid.sync.quick import clear_line, score_quickly
from syncvid.sync.waveform import find_candidates, make_target
from tests.sync.ensemble import band, melody, on_phone, play


def quickly(clip: Audio, mix: Audio) -> LineScores | None:
    target = make_target(hear(mix, name="mix"))
    return score_quickly(hear(clip, name="clip").coarse, target.searchable, target.heard.coarse)


@pytest.mark.parametrize("sign", [1, -1])
def test_same_places_and_votes_as_the_thorough_search(rng: np.random.Generator, sign: int) -> None:
    parts = band(rng, 80.0, 3)
    mix = np.sum(parts, axis=0, dtype=np.float32)
    clip = sign * on_phone(rng, parts[1], head_s=9.0, drift_ppm=-45.0)
    heard, target = hear(clip, name="c"), make_target(hear(mix, name="mix"))
    quick = score_quickly(heard.coarse, target.searchable, target.heard.coarse)
    thorough = score_lines(heard.coarse, target.searchable)
    assert quick is not None
    best, same = (find_candidates(heard, target, scores)[0] for scores in (quick, thorough))
    at_s = best.line.to_reference(49.0)
    assert at_s == pytest.approx(same.line.to_reference(49.0), abs=0.3e-3)
    assert best.line.drift_ppm == pytest.approx(same.line.drift_ppm, abs=2.0)
    assert best.score == pytest.approx(same.score, rel=0.05)
    assert best.inverted == same.inverted == (sign < 0)
    side = int(sign < 0)
    near = np.abs(quick.window_lags[side] - thorough.window_lags[side]) <= 0.75e-3 * LINE_RATE
    assert near.mean() > 0.9
    assert quick.window_peaks[side] == pytest.approx(thorough.window_peaks[side], rel=0.35)


def test_repeat_shows_as_a_rival(rng: np.random.Generator) -> None:
    verse = play(rng, melody(rng, 70.0), 70.0)
    scores = quickly(verse, np.concatenate((verse, verse)))
    assert scores is not None
    lags = scores.first_lag + np.argsort(scores.scores)[-8:]
    assert {round(lag / LINE_RATE) for lag in lags.tolist()} == {0, 70}


def test_other_music_and_short_clips_are_left_to_the_thorough_search(
    rng: np.random.Generator,
) -> None:
    mix = np.sum(band(rng, 80.0, 3), axis=0, dtype=np.float32)
    assert quickly(play(rng, melody(rng, 80.0), 80.0), mix) is None
    assert quickly(mix[: 40 * 16_000], mix) is None


def test_a_line_needs_half_of_the_windows() -> None:
    times, peaks = np.arange(16.0) * 10, np.full(16, 9.0, np.float32)
    on_line = 3.0 + 40e-6 * times
    scattered = np.where(np.arange(16) % 16 < 8, on_line, on_line + 5.0 * np.arange(16))
    found = clear_line(times, scattered, peaks)
    assert found is not None
    assert (found.offset_s, found.drift_ppm) == pytest.approx((3.0, 40.0), abs=1e-3)
    scattered[7] += 1.0
    assert clear_line(times, scattered, peaks) is None
    assert clear_line(times, on_line, np.full(16, 5.9, np.float32)) is None
