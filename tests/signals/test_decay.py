"""Reverberation times: ISO 3382-1 on responses whose decay is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.signals.decay import Decay, band_decay, decay_curve, measure_decay
from syncvid.signals.decay_ends import find_direct, find_end

RATE = 48_000
NOTHING = Decay(None, None, None)

# 60 dB: ln(10^6) / 2 for amplitudes.
SIXTY = 3 * math.log(10)


def exponential(decay_s: float, length_s: float, rate: int = RATE) -> Audio:
    return np.exp(-SIXTY * np.arange(round(length_s * rate)) / rate / decay_s).astype(np.float32)


def noisy(
    rng: np.random.Generator, decay_s: float, length_s: float, noise: float, before_s: float = 0.0
) -> Audio:
    sound = exponential(decay_s, length_s) * rng.standard_normal(round(length_s * RATE))
    sound = np.concatenate([np.zeros(round(before_s * RATE)), sound])
    return (sound + noise * rng.standard_normal(sound.size)).astype(np.float32)


def test_an_exponential_has_its_own_time_by_every_stretch() -> None:
    # A decay e^(-6.90776 t/1.2) is 60 dB down after 1.2 s, by the definition in ISO 3382-1.
    measured = measure_decay(exponential(1.2, 2.0), sample_rate=RATE)
    times = (measured.t20_s, measured.t30_s, measured.edt_s)
    assert times == pytest.approx((1.2, 1.2, 1.2), abs=0.005)


@given(
    decay_s=st.floats(0.2, 4.0),
    rate=st.sampled_from([8000, 16_000, 44_100]),
    level_db=st.floats(-100, 20),
)
def test_neither_rate_nor_level_changes_what_is_measured(
    decay_s: float, rate: int, level_db: float
) -> None:
    sound = exponential(decay_s, 1.2 * decay_s, rate) * np.float32(10 ** (level_db / 20))
    measured = measure_decay(sound, sample_rate=rate)
    assert measured.t30_s == pytest.approx(decay_s, abs=0.005 * decay_s)


def test_a_response_that_is_cut_off_decays_as_if_it_were_not() -> None:
    """At 0.9 s of 1.2 s it has fallen by 45 dB; the rest is reckoned."""
    measured = measure_decay(exponential(1.2, 0.91), sample_rate=RATE)
    assert measured.t30_s == pytest.approx(1.2, abs=0.01)


def test_double_slopes_are_told_apart() -> None:
    # Two exponentials of 0.4 and 2 s, the second 15 dB under the first: the curve by its integral.
    at_s = np.arange(3 * RATE) / RATE
    power = 10 ** (-6 * at_s / 0.4) + 10**-1.5 * 10 ** (-6 * at_s / 2.0)
    measured = measure_decay(np.sqrt(power).astype(np.float32), sample_rate=RATE)
    energy = 0.4 * 10 ** (-6 * at_s / 0.4) + 10**-1.5 * 2.0 * 10 ** (-6 * at_s / 2.0)
    curve_db = 10 * np.log10(energy / energy[0])
    for time_s, (first, last) in zip(
        (measured.edt_s, measured.t20_s, measured.t30_s),
        ((0, -10), (-5, -25), (-5, -35)),
        strict=True,
    ):
        inside = (curve_db <= first) & (curve_db >= last)
        slope = np.polyfit(at_s[inside], curve_db[inside], 1)[0]
        assert time_s == pytest.approx(-60 / slope, abs=0.01)
    assert measured.edt_s < measured.t20_s < measured.t30_s


@pytest.mark.parametrize("decay_s", [0.4, 1.2, 2.4])
@pytest.mark.parametrize("noise_db", [-90, -60, -50])
def test_noise_at_the_end_does_not_lengthen_the_decay(
    rng: np.random.Generator, decay_s: float, noise_db: float
) -> None:
    sound = noisy(rng, decay_s, 4.0, 10 ** (noise_db / 20), before_s=0.2)
    measured = measure_decay(sound, sample_rate=RATE)
    # Five per cent are just noticed: ISO 3382-1, annex A.
    assert measured.t30_s == pytest.approx(decay_s, abs=0.05 * decay_s)


def test_noise_that_hides_a_stretch_leaves_it_open(rng: np.random.Generator) -> None:
    """ISO 3382-1: noise 10 dB under the end of the stretch, so 45 dB for T30 and 35 dB for T20."""
    forty = measure_decay(noisy(rng, 1.2, 4.0, 0.01), sample_rate=RATE)
    assert forty.t30_s is None
    assert forty.t20_s == pytest.approx(1.2, abs=0.06)
    thirty = measure_decay(noisy(rng, 1.2, 4.0, 10 ** (-30 / 20)), sample_rate=RATE)
    assert thirty.t30_s is None
    assert thirty.t20_s is None
    assert thirty.edt_s == pytest.approx(1.2, abs=0.12)


def test_the_end_is_where_the_decay_meets_the_noise(rng: np.random.Generator) -> None:
    # 60 dB in 1.2 s: noise at -50 dB is met 1.0 s after the beginning.
    sound = noisy(rng, 1.2, 4.0, 10 ** (-50 / 20), before_s=0.2)
    assert find_direct(sound) == pytest.approx(0.2 * RATE, abs=0.001 * RATE)
    assert find_end(sound, sample_rate=RATE) == pytest.approx(1.2 * RATE, abs=0.05 * RATE)


def test_octaves_are_measured_one_by_one() -> None:
    at_s = np.arange(3 * RATE) / RATE
    sound = np.zeros(at_s.size)
    wanted = {250.0: 1.8, 1000.0: 1.2, 4000.0: 0.6}
    for centre_hz, decay_s in wanted.items():
        sound += np.sin(2 * np.pi * centre_hz * at_s) * np.exp(-SIXTY * at_s / decay_s)
    for centre_hz, decay_s in wanted.items():
        measured = band_decay(sound.astype(np.float32), centre_hz, sample_rate=RATE)
        assert measured.t30_s == pytest.approx(decay_s, abs=0.01 * decay_s)


def test_the_beginning_of_a_short_decay_is_not_lengthened_by_the_filter(
    rng: np.random.Generator,
) -> None:
    """B T is 18 here, too little for 0 to -10 dB through a filter that runs forwards."""
    envelope = exponential(0.2, 1.0)
    times_s = [
        band_decay(envelope * rng.standard_normal(RATE), 125.0, sample_rate=RATE).edt_s or math.nan
        for _ in range(60)
    ]
    # Forwards, the mean of these is 0.25 s.
    assert np.nanmean(times_s) == pytest.approx(0.2, abs=0.02)


def test_what_does_not_die_away_has_no_decay(rng: np.random.Generator) -> None:
    assert measure_decay(rng.standard_normal(2 * RATE), sample_rate=RATE) == NOTHING
    tone = np.sin(2 * np.pi * 440 * np.arange(2 * RATE) / RATE).astype(np.float32)
    assert measure_decay(tone, sample_rate=RATE) == NOTHING
    swell = exponential(1.2, 2.0)[::-1]
    assert measure_decay(swell, sample_rate=RATE) == NOTHING


@pytest.mark.parametrize("samples", [0, 1, 100, RATE])
def test_silence_has_no_decay(samples: int) -> None:
    silence = np.zeros(samples, np.float32)
    assert measure_decay(silence, sample_rate=RATE) == NOTHING
    assert find_direct(silence) == 0
    assert find_end(silence, sample_rate=RATE) == 0
    assert band_decay(silence, 1000.0, sample_rate=RATE) == NOTHING


def test_one_sample_is_no_decay() -> None:
    assert measure_decay(np.ones(1, np.float32), sample_rate=RATE) == NOTHING
    click = np.zeros(RATE, np.float32)
    click[100] = 1.0
    assert measure_decay(click, sample_rate=RATE) == NOTHING


def test_the_curve_never_rises(rng: np.random.Generator) -> None:
    curve_db = decay_curve(rng.standard_normal(1000) ** 2)
    assert curve_db[0] == 0
    assert (np.diff(curve_db) <= 0).all()


def test_what_cannot_be_measured_is_refused() -> None:
    with pytest.raises(SignalError, match="mono"):
        measure_decay(np.zeros((2, 100), np.float32), sample_rate=RATE)
    with pytest.raises(SignalError, match="finite"):
        measure_decay(np.full(100, np.nan, np.float32), sample_rate=RATE)
    with pytest.raises(SignalError, match="octave at 8000"):
        band_decay(np.ones(100, np.float32), 8000.0, sample_rate=16_000)
    with pytest.raises(SignalError, match="octave at 0"):
        band_decay(np.ones(100, np.float32), 0.0, sample_rate=16_000)
