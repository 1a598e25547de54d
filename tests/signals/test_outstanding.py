"""Quiet clicks under loud tones: the matched filter gains what theory says, and silence is safe."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import fft

from syncvid.signals.outstanding import SIZE, stand_out

RATE = 16_000


def click() -> np.ndarray:
    times = np.arange(480) / RATE
    return (np.sin(2 * np.pi * 1500 * times) * np.exp(-times / 0.004)).astype(np.float32)


def profile() -> np.ndarray:
    return np.abs(fft.rfft(click(), SIZE))[None].astype(np.float32) ** 2


def test_click_under_tones_stands_out(rng: np.random.Generator) -> None:
    times = np.arange(6 * RATE) / RATE
    tones = sum(np.sin(2 * np.pi * hz * times + hz) for hz in range(200, 3800, 200))
    noise = 0.01 * rng.standard_normal(len(times))
    at = round(3.1 * RATE)
    sound = (tones + noise).astype(np.float32)
    sound[at : at + 480] += 0.5 * click()  # 30 dB below the tones' power, between two partials
    standing = stand_out(sound, profile(), sample_rate=RATE)
    plain = np.abs(np.correlate(sound, click(), "valid"))
    lags = np.abs(np.correlate(standing.samples, click(), "valid"))
    apart = np.abs(np.arange(len(lags)) - at) > 200
    apart[: RATE // 2] = apart[-RATE // 2 :] = False
    assert lags[at - 2 : at + 3].max() > 3 * lags[apart].max()
    assert plain[at - 2 : at + 3].max() < 1.5 * plain[apart].max()


def test_white_noise_gives_what_the_matched_filter_can(rng: np.random.Generator) -> None:
    # Van Trees 1968, section 4.2: known signal of energy E in white noise of variance 1 per sample:
    # the squared mean of the best detector's output is E times its variance.
    noise = rng.standard_normal(40 * RATE).astype(np.float32)
    spots = np.arange(RATE, 39 * RATE, RATE // 2)
    amplitude = 0.9
    for spot in spots:
        noise[spot : spot + 480] += amplitude * click()
    standing = stand_out(noise, profile(), sample_rate=RATE)
    outputs = np.correlate(standing.samples, click(), "valid")
    deviation = float(np.median(np.abs(outputs)) / 0.6745)  # of a normal distribution
    reached = float(outputs[spots].mean() / deviation) ** 2
    possible = amplitude**2 * float(np.dot(click(), click()))
    assert 0.7 * possible < reached < 1.1 * possible
    # `trust` promises the mean output with amplitude 1, up to one constant for all sounds.
    louder = stand_out(4 * noise, profile(), sample_rate=RATE)
    promised = [float(np.median(found.trust)) for found in (standing, louder)]
    assert promised[0] / promised[1] == pytest.approx(16.0, rel=0.01)


@pytest.mark.parametrize("length", [0, 1, 5000])
def test_silence_stays_silent(length: int) -> None:
    standing = stand_out(np.zeros(length, np.float32), profile(), sample_rate=RATE)
    assert len(standing.samples) == length
    assert not standing.samples.any()
    assert not standing.trust.any()
