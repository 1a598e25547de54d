"""The plain sum: placed to a fraction of a sample, drift out, safe."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from syncvid.arrays import Audio
from syncvid.mix import Piece, PlainSum, safe_gain
from syncvid.timeline import Placement, to_samples

RATE = 48_000


class Tones:
    """A clip with a tone that can be read at any time; knows its own phase."""

    def __init__(self, pitch_hz: float, duration_s: float = 20.0, amplitude: float = 0.5) -> None:
        self.pitch_hz, self._duration_s, self._amplitude = pitch_hz, duration_s, amplitude

    @property
    def duration_s(self) -> float:
        return self._duration_s

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        first, last = to_samples(from_s, sample_rate), to_samples(to_s, sample_rate)
        at_s = np.arange(first, last) / sample_rate
        tone = self._amplitude * np.sin(2 * np.pi * self.pitch_hz * at_s)
        return np.where((at_s >= 0) & (at_s < self._duration_s), tone, 0)[np.newaxis].astype("f4")


def test_drift_is_taken_out_at_both_ends() -> None:
    # The pitch of the sum is that of the clip over (1 + drift): checked by least squares.
    place = Placement(offset_s=1.2345, drift_ppm=120.0)
    total = PlainSum([Piece(Tones(1000.0), place)], 20.0)
    for begin in (2.0, 18.0):
        heard = total.read(begin, begin + 0.5, RATE)[0]
        at_s = begin + np.arange(heard.size) / RATE
        clip_s = (at_s - place.offset_s) / place.rate
        wanted = 0.5 * np.sin(2 * np.pi * 1000.0 * clip_s)
        assert np.abs(heard - wanted).max() < 0.5 * 10 ** (-60 / 20)


def test_a_sum_read_in_blocks_is_the_sum_read_at_once() -> None:
    total = PlainSum([Piece(Tones(440.0), Placement(0.5, 40.0))], 4.0)
    blocks = np.concatenate([total.read(t, t + 1.0, RATE) for t in (0.0, 1.0, 2.0, 3.0)], axis=1)
    assert np.abs(blocks - total.read(0.0, 4.0, RATE)).max() < 1e-4


def test_a_clip_is_silent_outside_its_time_and_fades_at_its_ends() -> None:
    total = PlainSum([Piece(Tones(440.0, duration_s=1.0), Placement(1.0))], 3.0)
    heard = total.read(0.0, 3.0, RATE)[0]
    assert not heard[: RATE - 1].any()
    assert not heard[2 * RATE + 1 :].any()
    steps = np.abs(np.diff(heard))
    smooth = np.abs(np.diff(signal.sosfilt(signal.butter(2, 2000, fs=RATE, output="sos"), heard)))
    assert steps.max() < 1.5 * smooth.max(), "no click where the clip starts or ends"


def test_the_safe_gain_brings_the_peak_to_minus_three() -> None:
    lines = [Piece(Tones(200.0, amplitude=0.9), Placement(0.0)) for _ in range(4)]
    total = PlainSum(lines, 2.0)
    total.gain = safe_gain(total, sample_rate=RATE)
    peak_db = 20 * np.log10(np.abs(total.read(0.0, 2.0, RATE)).max())
    assert peak_db == pytest.approx(-3.0, abs=0.01)


def test_no_clips_are_silence() -> None:
    total = PlainSum([], 1.0)
    assert safe_gain(total, sample_rate=RATE) == 1.0
    assert not total.read(0.0, 1.0, RATE).any()


def test_only_the_stretch_of_a_clip_that_is_used_is_heard() -> None:
    """Clip seconds 2 to 3 at an offset of -1 s are reference seconds 1 to 2."""
    total = PlainSum([Piece(Tones(440.0), Placement(-1.0), clip_from_s=2.0, clip_to_s=3.0)], 4.0)
    heard = total.read(0.0, 4.0, RATE)[0]
    assert not heard[: RATE - 1].any()
    assert not heard[2 * RATE + 1 :].any()
    assert heard[RATE : 2 * RATE].std() == pytest.approx(0.5 / np.sqrt(2), rel=0.02)
    assert np.abs(np.diff(heard)).max() < 0.05, "its ends are soft"
