"""Reading between samples: against arithmetic, scipy's resampler and the sampling theorem."""

from __future__ import annotations

import hypothesis.strategies as st
import numpy as np
import pytest
import soxr
from hypothesis import given
from scipy import signal

from syncvid.errors import SignalError
from syncvid.signals.resampling import MARGIN, read_between

RATE = 48_000


def sine(pitch_hz: float, at: np.ndarray) -> np.ndarray:
    return np.sin(2 * np.pi * pitch_hz / RATE * at)


@pytest.mark.parametrize("pitch_hz", [50.0, 997.0, 10_000.0, 18_000.0, 20_000.0])
@pytest.mark.parametrize("drift_ppm", [0.0, 12.4, -120.0, 2000.0])
def test_a_sine_is_read_between_its_samples(pitch_hz: float, drift_ppm: float) -> None:
    """Arithmetic: a sine's value is known at any moment; at most -100 dB of it may be wrong."""
    tone = sine(pitch_hz, np.arange(RATE * 2)).astype(np.float32)[np.newaxis]
    step = 1 + drift_ppm * 1e-6
    read = read_between(tone, start=1000.37, step=step, count=RATE)[0]
    wanted = sine(pitch_hz, 1000.37 + step * np.arange(RATE))
    assert 20 * np.log10(np.abs(read - wanted).max()) < -100.0


def test_the_same_as_the_resampler_of_scipy(rng: np.random.Generator) -> None:
    """scipy.signal.resample_poly at 1001 for 1000 samples, with a long filter of its own."""
    noise = rng.standard_normal(20_000)
    low = signal.sosfiltfilt(signal.butter(8, 0.7, output="sos"), noise)
    taps = signal.firwin(2 * 64 * 1001 + 1, 1.0 / 1001, window=("kaiser", 11.0))
    wanted = signal.resample_poly(low, 1001, 1000, window=taps)
    read = read_between(
        low.astype(np.float32)[np.newaxis], start=0.0, step=1000 / 1001, count=wanted.size
    )[0]
    inside = slice(200, -200)
    off = np.abs(read[inside] - wanted[inside]).max() / np.abs(wanted).max()
    assert 20 * np.log10(off) < -90.0


def test_the_same_as_soxr_and_scipy_who_agree(rng: np.random.Generator) -> None:
    """Soxr at its very high quality, 1001 for 1000 samples: three implementations, one answer."""
    noise = rng.standard_normal(20_000)
    low = signal.sosfiltfilt(signal.butter(8, 0.7, output="sos"), noise)
    by_soxr = soxr.resample(low, 1000, 1001, quality="VHQ")
    taps = signal.firwin(2 * 64 * 1001 + 1, 1.0 / 1001, window=("kaiser", 11.0))
    by_scipy = signal.resample_poly(low, 1001, 1000, window=taps)
    count = min(by_soxr.size, by_scipy.size)
    read = read_between(
        low.astype(np.float32)[np.newaxis], start=0.0, step=1000 / 1001, count=count
    )[0]
    inside = slice(500, count - 500)
    loudest = np.abs(by_soxr).max()
    for one, other in ((by_soxr, by_scipy), (read, by_soxr)):
        off = np.abs(one[inside] - other[inside]).max() / loudest
        assert 20 * np.log10(off) < -85.0


def test_whole_samples_come_back_as_they_are(rng: np.random.Generator) -> None:
    noise = rng.standard_normal((2, 5000)).astype(np.float32)
    low = signal.sosfiltfilt(signal.butter(8, 0.8, output="sos"), noise).astype(np.float32)
    read = read_between(low, start=100.0, step=1.0, count=4000)
    assert np.abs(read - low[:, 100:4100]).max() < 2e-5


def test_what_a_quicker_pace_would_mirror_is_left_out() -> None:
    """Sampling theorem: at 44.1 kHz taken for 48 kHz, tones above 22.05 kHz cannot be kept."""
    tone = sine(23_000.0, np.arange(RATE)).astype(np.float32)[np.newaxis]
    read = read_between(tone, start=100.0, step=48_000 / 44_100, count=30_000)
    kept = sine(15_000.0, np.arange(RATE)).astype(np.float32)[np.newaxis]
    assert np.abs(read).max() < 0.35
    assert np.abs(read_between(kept, start=100.0, step=48_000 / 44_100, count=30_000)).max() > 0.99


@given(
    cut=st.integers(1, 3000),
    start=st.floats(-50.0, 200.0),
    drift_ppm=st.floats(-3000.0, 3000.0),
)
def test_two_readings_are_one(cut: int, start: float, drift_ppm: float) -> None:
    """Reading on where another reading ended gives the same samples."""
    sound = np.sin(0.3 * np.arange(4000, dtype=np.float32))[np.newaxis]
    step = 1 + drift_ppm * 1e-6
    whole = read_between(sound, start=start, step=step, count=3001)
    first = read_between(sound, start=start, step=step, count=cut)
    rest = read_between(sound, start=start + cut * step, step=step, count=3001 - cut)
    assert np.abs(np.concatenate((first, rest), axis=1) - whole).max() < 1e-4


def test_outside_of_the_sound_is_silence() -> None:
    ones = np.ones((1, 100), np.float32)
    assert not read_between(ones, start=-500.0, step=1.0, count=500 - MARGIN).any()
    assert not read_between(ones, start=100.0 + MARGIN, step=1.0, count=50).any()
    assert read_between(np.zeros((2, 0), np.float32), start=0.0, step=1.0, count=10).shape == (
        2,
        10,
    )


def test_an_impossible_pace_is_refused() -> None:
    with pytest.raises(SignalError, match="pace"):
        read_between(np.zeros((1, 10), np.float32), start=0.0, step=2.5, count=1)
