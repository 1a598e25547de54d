"""Values that others published or that follow from definitions; see SOURCES.md."""

from __future__ import annotations

from fractions import Fraction

import mir_eval
import numpy as np
import pytest

from syncvid.picture.colour import contrast, parse_colour, to_yuv
from syncvid.signals.notes import HOP_S, find_notes
from syncvid.signals.peaks import fit_parabola
from syncvid.sync import Listened, find_places, reasons
from syncvid.sync.refine import fit_line
from syncvid.sync.speeds import SPEEDS
from syncvid.timeline import Placement, parse_frame_rate, picture_start_s, to_samples
from tests.sync.ensemble import RATE, band, on_phone


def test_five_pictures_at_the_broken_rate_are_8008_samples() -> None:
    rate = parse_frame_rate("30000/1001")
    assert Fraction(5) / rate == Fraction(5005, 30000)
    assert to_samples(picture_start_s(5, rate), 48_000) == 8008


@pytest.mark.parametrize(
    ("rgb", "yuv"),
    [
        ("#ff0000", (63, 102, 240)),
        ("#000000", (16, 128, 128)),
        ("#ffffff", (235, 128, 128)),
    ],
)
def test_colours_of_bt709(rgb: str, yuv: tuple[int, int, int]) -> None:
    assert [round(v) for v in to_yuv(parse_colour(rgb))] == pytest.approx(yuv, abs=1)


@pytest.mark.parametrize(
    ("grey", "ratio"), [(0x76, 4.542), (0x77, 4.478), (0x00, 21.0)]
)  # on white; 4.5 is the limit for text
def test_contrast_on_white(grey: int, ratio: float) -> None:
    assert contrast((grey, grey, grey), (255, 255, 255)) == pytest.approx(ratio, abs=1e-3)


def test_the_top_of_a_parabola() -> None:
    found = fit_parabola(np.array([0.8]), np.array([1.0]), np.array([0.9]))
    assert found.positions[0] == pytest.approx(1 / 6, abs=1e-6)
    assert found.heights[0] == pytest.approx(1.004167, abs=1e-6)


def test_skew_of_two_clocks_by_least_squares() -> None:
    times = np.array([10.0, 60.0, 110.0, 160.0, 210.0])
    lags = np.array([0.1203, 0.1223, 0.1243, 0.1263, 0.1283])
    line = fit_line(times, lags, np.ones(5), Placement(0.12)).line
    assert line.drift_ppm == pytest.approx(40.0, abs=1e-3)
    assert line.offset_s == pytest.approx(0.1199, abs=1e-6)


def test_the_ratio_of_44100_read_as_48000() -> None:
    up, down = next((s.up, s.down) for s in SPEEDS if s.reason == reasons.TOO_FAST)
    assert (
        up / down == pytest.approx(48_000 / 44_100, abs=1e-12) == pytest.approx(1.088435, abs=1e-6)
    )


def test_onsets_are_found_where_notes_begin(rng: np.random.Generator) -> None:
    # F of at least 0.9 within 50 ms: plucked notes with human gaps are easy cases for the metric.
    begins_s = np.cumsum(rng.uniform(0.3, 0.7, 40))
    sound = np.zeros(round((begins_s[-1] + 1) * RATE))
    for begin_s in begins_s:
        at_s = np.arange(round(0.4 * RATE)) / RATE
        tone = np.sin(2 * np.pi * rng.choice([262.0, 330.0, 392.0]) * at_s) * np.exp(-at_s / 0.1)
        start = round(begin_s * RATE)
        sound[start : start + tone.size] += 0.3 * tone
    strength = find_notes(sound.astype(np.float32), sample_rate=RATE).attacks.sum(axis=1)
    middle = strength[1:-1]
    peaks = np.flatnonzero(
        (middle > strength[:-2]) & (middle >= strength[2:]) & (middle > 0.2 * strength.max())
    )
    score, _, _ = mir_eval.onset.f_measure(begins_s, (peaks + 1) * HOP_S, window=0.05)
    assert score >= 0.9


def test_alignment_by_a_metric_of_others(rng: np.random.Generator) -> None:
    parts = band(rng, 20.0)
    mix = np.sum(parts, axis=0, dtype=np.float32)
    clip = on_phone(rng, parts[0], head_s=2.0, drift_ppm=50.0)
    place = find_places([Listened("Flute", clip)], mix=mix).findings[0].placement
    assert place is not None
    clip_s = np.linspace(3.0, 20.0, 100)
    true_s = (clip_s - 2.0) * (1 + 50e-6)
    found_s = np.array([place.to_reference(t) for t in clip_s])
    median_s, mean_s = mir_eval.alignment.absolute_error(true_s, found_s)
    assert max(median_s, mean_s) < 0.0002
