"""What a stem measures: BS.1770, third-octave filters of scipy, and arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.mix.measures import BANDS_HZ, NOTHING_DB, measure_stem
from syncvid.mix.panning import place
from syncvid.signals.loudness import LoudnessMeter, k_filter

RATE = 48_000


def tone(hertz: float, level_db: float, length_s: float, rate: int = RATE) -> Audio:
    phase = 2 * np.pi * hertz * np.arange(round(length_s * rate)) / rate
    return (10 ** (level_db / 20) * np.sin(phase)).astype(np.float32)[np.newaxis]


def filtered_power(samples: Audio) -> float:
    """Return the K-weighted power, channels added, by the filters themselves."""
    return float((signal.sosfilt(k_filter(RATE), samples.astype(np.float64)) ** 2).mean(1).sum())


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_one_channel_is_one_and_two_are_two(rate: int) -> None:
    # BS.1770-5: 997 Hz at full scale on one channel is -3.01 LUFS, on both 0.00.
    one = tone(997.0, 0.0, 5.0, rate)
    measured = measure_stem(one, sample_rate=rate)
    assert measured.loudness_lufs == pytest.approx(-3.01, abs=0.02)
    both = measure_stem(np.concatenate((one, one)), sample_rate=rate)
    assert both.loudness_lufs == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize(
    ("steps", "tolerance_lu"),
    # EBU Tech 3341, cases 1, 3, 4 and 5, stereo in phase: (level, seconds); -23.0 +-0.1 LUFS.
    [
        ([(-23, 20)], 0.1),
        ([(-36, 10), (-23, 60), (-36, 10)], 0.1),
        ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], 0.1),
        ([(-26, 20), (-20, 20.1), (-26, 20)], 0.1),
    ],
)
def test_gates_leave_out_what_is_soft(
    steps: list[tuple[float, float]], tolerance_lu: float
) -> None:
    one = np.concatenate([tone(1000.0, level, length) for level, length in steps], axis=1)
    stereo = np.concatenate((one, one))
    measured = measure_stem(stereo, sample_rate=RATE)
    assert measured.loudness_lufs == pytest.approx(-23.0, abs=tolerance_lu)


@pytest.mark.parametrize(("level_db", "heard"), [(-71.5, False), (-65.0, True)])
def test_what_lies_under_the_absolute_gate_is_silence(level_db: float, heard: bool) -> None:
    # BS.1770-5: -70 LUFS; a tone on one channel reads 3.01 less than its level.
    measured = measure_stem(tone(997.0, level_db + 3.01, 3.0), sample_rate=RATE)
    assert (measured.loudness_lufs is not None) == heard


def test_it_agrees_with_the_meter_of_whole_files(rng: np.random.Generator) -> None:
    loud = rng.standard_normal(20 * RATE) * (1 + np.sin(np.arange(20 * RATE) / RATE))
    samples = (0.05 * loud).astype(np.float32)
    meter = LoudnessMeter(RATE)
    meter(samples)
    measured = measure_stem(samples[np.newaxis], sample_rate=RATE)
    assert measured.loudness_lufs == pytest.approx(meter.integrated_lufs(), abs=1e-3)


def test_it_is_the_loudness_after_placing_in_the_middle(rng: np.random.Generator) -> None:
    """BS.1770-5 on both channels of what is heard, by filtering: the mono trap is not met."""
    mono = (0.1 * rng.standard_normal((1, 5 * RATE))).astype(np.float32)
    stereo = (0.1 * rng.standard_normal((2, 5 * RATE))).astype(np.float32)
    for stem in (mono, stereo, np.concatenate((mono, mono))):
        heard = -0.691 + 10 * math.log10(filtered_power(place(stem, 0.0)))
        measured = measure_stem(stem, sample_rate=RATE)
        assert measured.loudness_lufs == pytest.approx(heard, abs=0.05)


def test_bands_read_as_third_octave_filters_do(rng: np.random.Generator) -> None:
    """Scipy's Butterworth band-passes of order 4 on pink-like noise; each within 0.5 dB."""
    white = rng.standard_normal(60 * RATE)
    pink = signal.lfilter([1.0], [1.0, -0.97], white)
    pink = (0.2 * pink / np.abs(pink).max()).astype(np.float32)
    measured = measure_stem(pink[np.newaxis], sample_rate=RATE).bands_db
    apart = []
    for band in range(BANDS_HZ.index(80.0), len(BANDS_HZ), 4):
        centre = 1000 * 10 ** (round(10 * math.log10(BANDS_HZ[band] / 1000)) / 10)
        edges = [centre * 10**-0.05, centre * 10**0.05]
        passed = signal.sosfilt(signal.butter(4, edges, "bandpass", fs=RATE, output="sos"), pink)
        wanted = 10 * math.log10(float((passed**2).mean()))
        assert measured[band] == pytest.approx(wanted, abs=0.5), BANDS_HZ[band]
        apart.append(measured[band] - wanted)
    # Such a filter lets 0.1 dB more noise through than an ideal one of the same edges.
    assert np.mean(apart) == pytest.approx(-0.1, abs=0.1)


@pytest.mark.parametrize("band", [0, 3, 8, 15, 27])
def test_a_sine_reads_its_mean_square_in_its_band_only(band: int) -> None:
    # Definition: amplitude 0.1 is -23.01 dB of mean square; facts LV4.
    centre = 1000 * 10 ** (round(10 * math.log10(BANDS_HZ[band] / 1000)) / 10)
    measured = measure_stem(tone(centre, -20.0, 10.0), sample_rate=RATE)
    assert measured.peak_dbfs == pytest.approx(-20.0, abs=0.01)
    assert measured.bands_db[band] == pytest.approx(-23.01, abs=0.2)
    others = [level for number, level in enumerate(measured.bands_db) if abs(number - band) > 1]
    assert max(others) < -23 - 50, "two bands away"


def test_bands_that_are_only_noise_hold_nothing(rng: np.random.Generator) -> None:
    """A tone of 1 kHz that rests now and then, over noise 40 dB under it."""
    on = np.repeat([1, 1, 0, 1, 1, 0, 1, 0, 1, 1], 2 * RATE)
    # Soft edges of 0.1 s: a tone that is switched is not a tone.
    edges = np.convolve(on, np.hanning(RATE // 10) / (RATE // 20), "same")
    music = tone(1000.0, -20.0, 20.0) * edges
    noise = 10 ** (-63 / 20) * rng.standard_normal(music.shape)
    measured = measure_stem((music + noise).astype(np.float32), sample_rate=RATE)
    assert measured.bands_db[BANDS_HZ.index(1000.0)] == pytest.approx(-23.01, abs=0.3)
    assert measured.bands_db[BANDS_HZ.index(250.0)] == NOTHING_DB
    assert measured.bands_db[BANDS_HZ.index(8000.0)] == NOTHING_DB


def test_noise_is_told_by_the_quietest_tenth(rng: np.random.Generator) -> None:
    """Loudness of the noise alone, by filtering, against that of the whole; 0.5 dB."""
    noise = 0.001 * rng.standard_normal((1, 20 * RATE))
    music = 0.1 * rng.standard_normal((1, 20 * RATE))
    music[:, 8 * RATE : 12 * RATE] = 0
    stem = (music + noise).astype(np.float32)
    measured = measure_stem(stem, sample_rate=RATE)
    # 20 log10(0.1 / 0.001): 40 dB.
    assert measured.noise_db == pytest.approx(40.0, abs=0.5)
    padded = np.pad(stem, ((0, 0), (10 * RATE, 10 * RATE)))
    digital = measure_stem(padded, sample_rate=RATE)
    assert digital.noise_db == pytest.approx(measured.noise_db, abs=0.5), "nothing was recorded"


@pytest.mark.parametrize("shape", [(1, 0), (1, 1), (2, 0), (1, RATE // 4), (2, 2 * RATE)])
def test_silence_and_very_short_sounds_measure_nothing(shape: tuple[int, int]) -> None:
    measured = measure_stem(np.zeros(shape, np.float32), sample_rate=RATE)
    assert measured.loudness_lufs is None
    assert set(measured.bands_db) == {NOTHING_DB}
    assert measured.peak_dbfs == -math.inf
    assert measured.noise_db == 0


def test_a_burst_shorter_than_a_block_is_measured_all_the_same() -> None:
    stem = np.zeros((1, 5 * RATE), np.float32)
    stem[:, 100_007 : 100_007 + RATE // 5] = tone(1000.0, -20.0, 0.2)
    measured = measure_stem(stem, sample_rate=RATE)
    assert measured.loudness_lufs is not None
    assert max(measured.bands_db) > -40


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_values_that_are_not_finite_are_refused(bad: float) -> None:
    stem = np.zeros((1, RATE), np.float32)
    stem[0, 77] = bad
    with pytest.raises(SignalError, match="finite"):
        measure_stem(stem, sample_rate=RATE)


@pytest.mark.parametrize("shape", [(RATE,), (3, RATE), (0, RATE)])
def test_other_shapes_are_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(SignalError, match="shape"):
        measure_stem(np.zeros(shape, np.float32), sample_rate=RATE)


@settings(max_examples=20, deadline=None)
@given(gain_db=st.floats(-20, 20), seed=st.integers(0, 1000))
def test_a_gain_moves_all_levels_by_itself(gain_db: float, seed: int) -> None:
    stem = (0.05 * np.random.default_rng(seed).standard_normal((1, RATE))).astype(np.float32)
    louder = stem * np.float32(10 ** (gain_db / 20))
    first, second = (measure_stem(each, sample_rate=RATE) for each in (stem, louder))
    assert first.loudness_lufs is not None
    assert second.loudness_lufs == pytest.approx(first.loudness_lufs + gain_db, abs=1e-3)
    assert second.peak_dbfs == pytest.approx(first.peak_dbfs + gain_db, abs=1e-3)
    assert second.noise_db == pytest.approx(first.noise_db, abs=1e-3)
    moved = np.subtract(second.bands_db, first.bands_db)
    assert moved == pytest.approx(np.full(len(BANDS_HZ), gain_db), abs=1e-3)
