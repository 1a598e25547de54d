"""Whitening: band, floor, shape; scipy as the second implementation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from syncvid.errors import SignalError
from syncvid.signals.whiten import whiten

BAND = {"sample_rate": 16_000, "low_hz": 80.0, "high_hz": 1900.0, "out_rate": 4000}
FULL = {"sample_rate": 16_000, "low_hz": 80.0, "high_hz": 7500.0, "out_rate": 16_000}


def test_loud_tone_and_quiet_noise_come_out_alike(rng: np.random.Generator) -> None:
    times = np.arange(64_000) / 16_000
    noise = 0.003 * rng.standard_normal(64_000)
    white = whiten((np.sin(2 * np.pi * 440 * times) + noise).astype(np.float32), **FULL)
    frequencies, power = signal.welch(white, 16_000, nperseg=4096)
    tone = power[np.abs(frequencies - 440) < 20].max()
    rest = np.median(power[(frequencies > 600) & (frequencies < 7000)])
    # 72 dB stand between them before; an exponent of 0.85 leaves 11 dB, plus the window's shape.
    assert 10 * np.log10(tone / rest) < 20


def test_band_is_kept_and_the_rest_is_gone(rng: np.random.Generator) -> None:
    white = whiten(rng.standard_normal(64_000).astype(np.float32), **BAND)
    assert len(white) == 16_000
    frequencies, power = signal.welch(white, 4000, nperseg=1024)
    inside = power[(frequencies > 120) & (frequencies < 1850)].min()
    outside = power[(frequencies < 60) | (frequencies > 1950)].max()
    assert outside < 0.1 * inside


def test_lower_rate_keeps_the_time(rng: np.random.Generator) -> None:
    sound = np.zeros(48_000, np.float32)
    sound[20_000:20_800] = signal.lfilter([1], [1, -0.6], rng.standard_normal(800))
    coarse, full = whiten(sound, **BAND), whiten(sound, **(FULL | {"high_hz": 1900.0}))
    for white, raw in ((full, sound), (coarse, signal.resample_poly(sound, 1, 4))):
        lags = signal.correlation_lags(len(white), len(raw))
        assert lags[np.argmax(signal.correlate(white, raw))] == 0
    reference = signal.resample_poly(full, 1, 4)
    lags = signal.correlation_lags(len(coarse), len(reference))
    assert lags[np.argmax(signal.correlate(coarse, reference))] == 0


def test_silence_stays_silent() -> None:
    assert not whiten(np.zeros(32_000, np.float32), **BAND).any()
    assert len(whiten(np.zeros(0, np.float32), **BAND)) == 0


def test_faint_noise_in_a_pause_is_not_blown_up(rng: np.random.Generator) -> None:
    sound = rng.standard_normal(96_000)
    sound[32_000:64_000] *= 1e-4  # 80 dB down, 30 dB below the floor
    white = whiten(sound.astype(np.float32), **FULL)
    pause, music = np.std(white[38_000:58_000]), np.std(white[4_000:28_000])
    assert pause < 0.05 * music


@settings(max_examples=10, deadline=None)
@given(gain=st.floats(0.01, 100.0), length=st.integers(1, 20_000))
def test_gain_does_not_matter(gain: float, length: int) -> None:
    sound = np.random.default_rng(length).standard_normal(length).astype(np.float32)
    plain, louder = whiten(sound, **BAND), whiten(sound * np.float32(gain), **BAND)
    assert len(plain) == -(-length // 4)
    assert np.abs(plain - louder).max() < 1e-3 * max(1.0, np.abs(plain).max())


@pytest.mark.parametrize("fault", [{"high_hz": 2100.0}, {"out_rate": 6000}, {"low_hz": 2000.0}])
def test_impossible_band_is_refused(fault: dict[str, float]) -> None:
    with pytest.raises(SignalError, match="Cannot keep"):
        whiten(np.zeros(100, np.float32), **(BAND | fault))  # type: ignore[arg-type]
