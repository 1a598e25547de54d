"""The clicks of a guide: planted beats, accents and count-ins."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from syncvid.guide.clicks import COLOURS, lay_clicks
from syncvid.production.beats import GuideClick
from syncvid.sync.clicks import beat_strides, find_clicks, thin_out
from tests.sync.ensemble import RATE, melody, play


def click_at(hz: float) -> np.ndarray:
    times = np.arange(480) / RATE
    return (np.sin(2 * np.pi * hz * times) * np.exp(-times / 0.004)).astype(np.float32)


def guide_of(pitches_hz: list[float], beat_s: float = 0.5) -> np.ndarray:
    out = np.zeros(round((len(pitches_hz) + 1) * beat_s * RATE), np.float32)
    for beat, hz in enumerate(pitches_hz):
        start = round(beat * beat_s * RATE)
        out[start : start + 480] += click_at(hz)
    return out


@pytest.mark.parametrize("colour", COLOURS)
def test_our_own_guide_is_read_back(colour: str) -> None:
    truth = [0.3 + beat * 60 / 97 for beat in range(30)]
    clicks_in = [GuideClick(at, 2 if beat % 3 else 0) for beat, at in enumerate(truth)]
    whole = np.zeros(20 * 48_000, np.float32)
    lay_clicks(whole, clicks_in, colour=colour, gain=0.1, sample_rate=48_000)
    heard = signal.resample_poly(whole, RATE, 48_000).astype(np.float32)
    clicks = find_clicks(heard)
    assert clicks is not None
    assert clicks.times_s == pytest.approx(truth, abs=1e-3)
    assert clicks.meter == 3
    assert clicks.count_in is None


def test_count_in_that_sounds_otherwise_is_known() -> None:
    counted = [3000.0, 2000.0, 2000.0, 2000.0] * 2
    clicks = find_clicks(guide_of(counted + [1500.0, 1000.0, 1000.0, 1000.0] * 6))
    assert clicks is not None
    assert (clicks.meter, clicks.count_in) == (4, 8)


def test_accents_of_a_count_in_alone_are_known() -> None:
    clicks = find_clicks(guide_of([3000.0, 1000.0, 1000.0, 1000.0] * 2 + [1000.0] * 24))
    assert clicks is not None
    assert (clicks.meter, clicks.count_in) == (4, 8)


def test_drone_under_the_clicks_does_no_harm() -> None:
    # Every click meets the drone at another phase, and yet all of them are one kind.
    guide = guide_of([1500.0] * 24)
    times = np.arange(len(guide)) / RATE
    drone = 0.3 * np.sin(2 * np.pi * 220.7 * times) + 0.3 * np.sin(2 * np.pi * 331.3 * times)
    drone *= np.clip(10 * np.minimum(times, times[-1] - times), 0, 1)
    clicks = find_clicks((guide + drone).astype(np.float32))
    assert clicks is not None
    assert len(clicks.shapes) == 1
    assert clicks.times_s == pytest.approx(0.5 * np.arange(24), abs=2e-3)


def test_music_is_no_click_guide(rng: np.random.Generator) -> None:
    assert find_clicks(play(rng, melody(rng, 20.0), 20.0)) is None
    assert find_clicks(np.zeros(RATE, np.float32)) is None


def test_subdivided_beats_are_thinned_out() -> None:
    clicks = find_clicks(guide_of([2000.0, 1000.0, 1000.0, 1000.0] * 8, beat_s=0.18))
    assert clicks is not None
    assert beat_strides(clicks)[0] == 2
    beats = thin_out(clicks, 2)
    assert beats.beat_s == pytest.approx(0.36, abs=1e-3)
    assert beats.meter == 2
