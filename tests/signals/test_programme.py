"""The meter for finished sounds against other meters, against theory, and at its borders."""

from __future__ import annotations

import math
from dataclasses import astuple
from fractions import Fraction
from typing import Any

import av
import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.production.mix_made import Programme
from syncvid.signals.loudness import LoudnessMeter
from syncvid.signals.programme import (
    Measured,
    Meter,
    integrated_lufs,
    measure_programme,
    momentary_lufs,
    short_term_lufs,
    true_peak_dbtp,
)

RATE = 48_000


def music(rng: np.random.Generator, length_s: float, rate: int = RATE) -> Audio:
    """Return noise that falls off towards the highs and swells and fades, on two channels."""
    count = round(length_s * rate)
    noise = np.fft.rfft(rng.standard_normal((2, count)))
    hertz = np.fft.rfftfreq(count, 1 / rate)
    # 3 dB an octave, as music on the whole, and nothing that no microphone hears.
    noise *= np.where((hertz > 25) & (hertz < 20_000), np.maximum(hertz, 25) ** -0.5, 0.0)
    sound = np.fft.irfft(noise, count)
    swell_db = -12 + 12 * np.sin(2 * np.pi * np.arange(count) / rate / 17.0)
    sound *= 10 ** (swell_db / 20)
    return (0.7 * sound / np.abs(sound).max()).astype(np.float32)


def told_by_ffmpeg(samples: Audio, rate: int) -> dict[str, float]:
    """Return what FFmpeg's filter `ebur128` says of a sound on two channels."""
    graph = av.filter.Graph()
    source = graph.add_abuffer(
        format="fltp", sample_rate=rate, layout="stereo", time_base=Fraction(1, rate)
    )
    meter = graph.add("ebur128", "metadata=1:peak=true:framelog=quiet")
    sink = graph.add("abuffersink")
    source.link_to(meter)
    meter.link_to(sink)
    graph.configure()
    sound = av.AudioFrame.from_ndarray(np.ascontiguousarray(samples), "fltp", "stereo")
    sound.sample_rate, sound.pts, sound.time_base = rate, 0, Fraction(1, rate)
    graph.push(sound)
    graph.push(None)
    told: dict[str, Any] = {}
    while True:
        try:
            told.update(graph.pull().metadata)
        except (av.BlockingIOError, av.EOFError):
            return {key.removeprefix("lavfi.r128."): float(told[key]) for key in told}


@pytest.mark.parametrize("rate", [48_000, 44_100])
def test_agrees_with_ffmpegs_meter(rng: np.random.Generator, rate: int) -> None:
    sound = music(rng, 60.0, rate)
    sound[1] *= 0.5
    found, told = measure_programme(sound, sample_rate=rate), told_by_ffmpeg(sound, rate)
    assert found.integrated_lufs == pytest.approx(told["I"], abs=0.1)
    assert found.range_lu == pytest.approx(told["LRA"], abs=0.3)
    peaks = max(told["true_peaks_ch0"], told["true_peaks_ch1"])
    # FFmpeg says this one as a magnitude.
    assert found.true_peak_dbtp == pytest.approx(20 * math.log10(peaks), abs=0.2)


def test_agrees_with_the_meter_that_weighs_spectra(rng: np.random.Generator) -> None:
    sound = music(rng, 30.0)[:1]
    meter = LoudnessMeter(RATE)
    meter(sound[0])
    assert integrated_lufs(sound, sample_rate=RATE) == pytest.approx(
        meter.integrated_lufs(), abs=0.1
    )


def test_momentary_and_short_term_by_scipys_filter(rng: np.random.Generator) -> None:
    # BS.1770-5, tables 1 and 2, run over the whole sound at once; means by plain slicing.
    sound = music(rng, 5.0)
    weighted = sound.astype(np.float64)
    for b, a in (
        ([1.53512485958697, -2.69169618940638, 1.19839281085285],
         [1.0, -1.69065929318241, 0.73248077421585]),
        ([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621]),
    ):  # fmt: skip
        weighted = scipy.signal.lfilter(b, a, weighted, axis=1)
    for measure, window_s in ((momentary_lufs, 0.4), (short_term_lufs, 3.0)):
        values = measure(sound, sample_rate=RATE)
        size = round(window_s * RATE)
        assert values.size == round((5.0 - window_s) / 0.1) + 1
        for index in (0, 7, values.size - 1):
            part = weighted[:, index * 4800 : index * 4800 + size]
            wanted = -0.691 + 10 * math.log10((part**2).mean(axis=1).sum())
            assert values[index] == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize("rate", [48_000, 44_100])
def test_true_peak_against_the_sampling_theorem(rng: np.random.Generator, rate: int) -> None:
    # Short sounds of up to 20 kHz, 64 times as many samples by their spectrum: never more than
    # 0.1 dB below that, nor 0.05 above.
    count = 3000
    for turn in range(60):
        middle, width = rng.uniform(500, 2500), rng.uniform(1, 500)
        noise = rng.standard_normal(count)
        if turn % 2:
            noise = np.sin(2 * np.pi * 20_000 * np.arange(count) / rate + rng.uniform(0, 6.28))
        sound = noise * np.exp(-(((np.arange(count) - middle) / width) ** 2))
        spectrum = np.fft.rfft(sound)
        spectrum[np.fft.rfftfreq(count, 1 / rate) > 20_000] = 0
        truth = 64 * np.abs(np.fft.irfft(spectrum, 64 * count)).max()
        given_samples = np.fft.irfft(spectrum, count).astype(np.float32)
        found = true_peak_dbtp(given_samples[np.newaxis], sample_rate=rate)
        assert -0.1 <= found - 20 * math.log10(truth) <= 0.05


@pytest.mark.parametrize(
    ("part", "amplitude", "degrees", "wanted"),
    # EBU Tech 3341, cases 16, 18 and 19, on one channel; +0.2/-0.4 dB.
    [(4, 0.50, 45.0, -6.0), (8, 0.50, 67.5, -6.0), (4, 1.41, 45.0, 3.0)],
)
def test_true_peak_of_tones(part: int, amplitude: float, degrees: float, wanted: float) -> None:
    at = np.arange(RATE // 2)
    tone = amplitude * np.sin(2 * np.pi * at / part + np.radians(degrees))
    tone *= np.clip(np.minimum(at, at[::-1]) / 480, 0, 1)
    found = true_peak_dbtp(tone.astype(np.float32)[np.newaxis], sample_rate=RATE)
    assert wanted - 0.4 <= found <= wanted + 0.2


def test_a_peak_is_seen_wherever_it_lies(rng: np.random.Generator) -> None:
    # The worst case: a quarter of the rate at 45 degrees, samples 3.01 dB below the peak; soft
    # sound around it.
    for at in (40, 41, 3071, 3072, 3095, 9000, 9900):
        sound = 0.01 * rng.standard_normal((2, 10_000))
        burst = np.sin(np.pi / 2 * np.arange(81) + np.pi / 4) * np.hanning(81)
        sound[1, at - 40 : at + 41] += burst
        found = true_peak_dbtp(sound.astype(np.float32), sample_rate=RATE)
        assert found == pytest.approx(0.0, abs=0.3)
        assert 20 * math.log10(np.abs(sound).max()) < -2.5


@pytest.mark.parametrize("count", [30, 49, 72, 97, 400])
def test_a_peak_at_either_end_is_seen(count: int) -> None:
    # A short pulse of height 1 between two samples, 4.5 samples from an end; its own formula.
    for middle in (4.5, count - 5.5):
        away = np.arange(count) - middle
        pulse = (np.sinc(0.8 * away) * np.exp(-((away / 5) ** 2))).astype(np.float32)
        found = true_peak_dbtp(pulse[np.newaxis], sample_rate=RATE)
        assert 20 * math.log10(pulse.max()) < -2.0
        assert found == pytest.approx(0.0, abs=0.1)


def test_a_level_that_does_not_move_is_read_as_it_is(rng: np.random.Generator) -> None:
    # Where neighbours differ by nothing but rounding a parabola must not run away.
    edge = np.hanning(960)
    # Just below and above a power of two rounding changes its width.
    for level in (*rng.uniform(0.1, 1.0, 20), *(1 + np.arange(-20, 21) * 2.0**-24)):
        rest = level * np.concatenate((edge[:480], np.ones(3000), edge[480:]))
        found = true_peak_dbtp(rest.astype(np.float32)[np.newaxis], sample_rate=RATE)
        assert found == pytest.approx(20 * math.log10(level), abs=1e-3)


@settings(max_examples=25, deadline=None)
@given(sizes=st.lists(st.integers(0, 9000), max_size=12), seed=st.integers(0, 99))
def test_how_a_sound_is_cut_into_blocks_changes_nothing(sizes: list[int], seed: int) -> None:
    sound = music(np.random.default_rng(seed), 1.0)
    meter, first = Meter(2, sample_rate=RATE), 0
    for size in sizes:
        meter(sound[:, first : first + size])
        first += size
    meter(sound[:, first:])
    whole = measure_programme(sound, sample_rate=RATE)
    assert nearly(meter.measured(), whole, abs_db=1e-6)


@settings(max_examples=20, deadline=None)
@given(gain_db=st.floats(-25.0, 25.0), seed=st.integers(0, 99))
def test_a_gain_moves_every_level_by_itself(gain_db: float, seed: int) -> None:
    sound = music(np.random.default_rng(seed), 4.0)
    raised = (sound * np.float32(10 ** (gain_db / 20))).astype(np.float32)
    before, after = (measure_programme(x, sample_rate=RATE) for x in (sound, raised))
    assert after.range_lu == pytest.approx(before.range_lu, abs=1e-3)
    for name in ("integrated_lufs", "momentary_lufs", "short_term_lufs", "true_peak_dbtp"):
        moved = getattr(after, name) - getattr(before, name)
        assert moved == pytest.approx(gain_db, abs=1e-3)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 999), cut=st.integers(1, 4000))
def test_the_true_peak_is_never_below_the_samples(seed: int, cut: int) -> None:
    sound = np.random.default_rng(seed).uniform(-1, 1, (1, cut)).astype(np.float32)
    found = measure_programme(sound, sample_rate=RATE)
    assert found.sample_peak_dbfs == pytest.approx(20 * math.log10(np.abs(sound).max()), abs=1e-5)
    assert found.true_peak_dbtp >= found.sample_peak_dbfs


def test_two_channels_add_their_powers(rng: np.random.Generator) -> None:
    # BS.1770-5, annex 1: powers add, both with weight 1.
    sound = music(rng, 4.0)
    left, right, both = (
        integrated_lufs(x, sample_rate=RATE) for x in (sound[:1], sound[:1], sound[[0, 0]])
    )
    assert left == right is not None
    assert both == pytest.approx(left + 10 * math.log10(2), abs=1e-6)


def test_a_bass_note_is_weighed_in_full_precision() -> None:
    # Gain of the cascade at 41.2 Hz by the tables' transfer function, computed here by scipy.
    hertz = 41.2
    response = 1.0
    for b, a in (
        ([1.53512485958697, -2.69169618940638, 1.19839281085285],
         [1.0, -1.69065929318241, 0.73248077421585]),
        ([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621]),
    ):  # fmt: skip
        response *= abs(scipy.signal.freqz(b, a, [hertz], fs=RATE)[1][0])
    tone = 0.5 * np.sin(2 * np.pi * hertz * np.arange(10 * RATE) / RATE)[np.newaxis]
    wanted = -0.691 + 10 * math.log10(0.125 * response**2)
    found = integrated_lufs(tone.astype(np.float32), sample_rate=RATE)
    assert found == pytest.approx(wanted, abs=0.01)


@pytest.mark.parametrize("count", [0, 1, 100, 4 * RATE])
def test_silence_has_no_loudness(count: int) -> None:
    found = measure_programme(np.zeros((2, count), np.float32), sample_rate=RATE)
    assert found == Measured(None, None, None, None, -math.inf, -math.inf)
    assert true_peak_dbtp(np.zeros((2, count), np.float32), sample_rate=RATE) == -math.inf


def test_silence_after_a_sound_is_silence_again(rng: np.random.Generator) -> None:
    # The filter itself takes a tenth of a second to die away.
    sound = np.concatenate((music(rng, 2.0), np.zeros((2, 4 * RATE), np.float32)), axis=1)
    assert short_term_lufs(sound, sample_rate=RATE)[-10:] == pytest.approx(-math.inf)
    values = momentary_lufs(sound, sample_rate=RATE)
    assert values[:20].min() > -70
    assert values[22:] == pytest.approx(-math.inf)


def test_a_sound_shorter_than_a_window_has_no_loudness(rng: np.random.Generator) -> None:
    sound = music(rng, 3.0)
    short = measure_programme(sound[:, : round(0.39 * RATE)], sample_rate=RATE)
    assert short.integrated_lufs is short.momentary_lufs is None
    assert math.isfinite(short.true_peak_dbtp)
    longer = measure_programme(sound[:, :-480], sample_rate=RATE)
    assert longer.integrated_lufs is not None
    assert longer.short_term_lufs is longer.range_lu is None
    assert short_term_lufs(sound[:, :-480], sample_rate=RATE).size == 0


def test_one_sample_is_heard() -> None:
    found = measure_programme(np.full((1, 1), -0.5, np.float32), sample_rate=RATE)
    assert found.sample_peak_dbfs == pytest.approx(-6.0206, abs=1e-3)
    assert found.true_peak_dbtp == pytest.approx(-6.0206, abs=1e-3)


def test_a_soft_sound_below_the_gate_has_levels_but_no_loudness(rng: np.random.Generator) -> None:
    sound = music(rng, 4.0)
    loud = measure_programme(sound, sample_rate=RATE).momentary_lufs
    assert loud is not None
    soft = (sound * 10 ** ((-71 - loud) / 20)).astype(np.float32)
    found = measure_programme(soft, sample_rate=RATE)
    assert found.integrated_lufs is found.range_lu is None
    assert found.momentary_lufs == pytest.approx(-71, abs=1e-3)
    assert found.short_term_lufs is not None


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_values_that_are_not_finite_are_refused(bad: float) -> None:
    sound = np.zeros((2, 50_000), np.float32)
    sound[1, -1] = bad
    for measure in (measure_programme, integrated_lufs, true_peak_dbtp, short_term_lufs):
        with pytest.raises(SignalError, match="finite"):
            measure(sound, sample_rate=RATE)


@pytest.mark.parametrize(
    ("shape", "word"), [((100,), "shape"), ((3, 100), "3 channels"), ((0, 100), "0 channels")]
)
def test_other_shapes_are_refused(shape: tuple[int, ...], word: str) -> None:
    for measure in (measure_programme, integrated_lufs, true_peak_dbtp, momentary_lufs):
        with pytest.raises(SignalError, match=word):
            measure(np.zeros(shape, np.float32), sample_rate=RATE)


def test_what_makes_no_sense_is_refused() -> None:
    sound = np.zeros((1, 100), np.float32)
    with pytest.raises(SignalError, match="below 8000"):
        measure_programme(sound, sample_rate=1000)
    with pytest.raises(SignalError, match="made for 2 channels"):
        Meter(2, sample_rate=RATE)(sound)
    for step_s in (0.0, -0.1, 0.07, 30.0):
        with pytest.raises(SignalError, match="whole number of steps"):
            short_term_lufs(sound, sample_rate=RATE, step_s=step_s)


def test_the_figures_are_those_of_the_record() -> None:
    # What is kept of a mix takes them over by their names.
    assert Measured.__slots__ == Programme.__slots__


def nearly(one: Measured, other: Measured, abs_db: float) -> bool:
    """Tell whether two measurements say the same."""
    return all(
        a == b if a is None or b is None else a == pytest.approx(b, abs=abs_db)
        for a, b in zip(astuple(one), astuple(other), strict=True)
    )
