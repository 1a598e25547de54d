"""Sounds at a lower rate lie where they lay, and come back as they were."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from syncvid.mix.cleaning.spectra import power_spectra, thickened, thinned


@pytest.mark.parametrize("sample_rate", [8000, 44_100, 48_000])
@pytest.mark.parametrize("pitch_hz", [50.0, 440.0, 1200.0])
def test_there_and_back_again(sample_rate: int, pitch_hz: float) -> None:
    at_s = np.arange(sample_rate) / sample_rate
    tone = np.sin(2 * np.pi * pitch_hz * at_s).astype(np.float32)
    low, rate_hz = thinned(tone, sample_rate=sample_rate, near_hz=4000.0)
    assert 4000 <= rate_hz < 8000
    # The tone itself at the lower rate; 80 dB by the filter's formula, away from the ends.
    wanted = np.sin(2 * np.pi * pitch_hz * np.arange(low.size) / rate_hz)
    assert np.abs(low - wanted)[200:-200].max() < 2e-4
    back = thickened(low, times=round(sample_rate / rate_hz))[: tone.size]
    assert np.abs(back - tone)[3000:-3000].max() < 4e-4


def test_what_lies_above_the_lower_rate_does_not_fold_onto_hum() -> None:
    # 3950 Hz would be heard at 50 Hz.
    tone = np.sin(2 * np.pi * 3950.0 * np.arange(48_000) / 48_000).astype(np.float32)
    low, _ = thinned(tone, sample_rate=48_000, near_hz=4000.0)
    assert np.abs(low[200:-200]).max() < 10 ** (-75 / 20)


def test_powers_are_those_of_scipy(rng: np.random.Generator) -> None:
    sound = rng.standard_normal(20_000).astype(np.float32)
    _, _, wanted = signal.stft(sound, nperseg=1024, noverlap=768, boundary=None, padded=False)
    scale = np.sum(signal.get_window("hann", 1024))
    powers = power_spectra(sound, size=1024, hop=256)
    assert powers == pytest.approx((np.abs(wanted) * scale).T ** 2, rel=1e-3, abs=1e-3)


def test_a_sound_shorter_than_a_window_has_no_spectra() -> None:
    assert power_spectra(np.ones(99, np.float32), size=100, hop=50).shape == (0, 51)
    assert power_spectra(np.ones(100, np.float32), size=100, hop=50).shape == (1, 51)
