"""The limiter: nothing above the ceiling, nothing changed below it, nothing bent."""

from __future__ import annotations

from fractions import Fraction

import av
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.mix.limiter import Limited, limit
from syncvid.mix.tops import HOP_SAMPLES, hop_tops

RATE = 48_000


def tone(hertz: float, amplitude: float, length_s: float = 2.0, degrees: float = 0.0) -> Audio:
    at_s = np.arange(round(length_s * RATE)) / RATE
    sound = amplitude * np.sin(2 * np.pi * hertz * at_s + np.radians(degrees))
    return np.tile(sound, (2, 1)).astype(np.float32)


def band(rng: np.random.Generator, length_s: float, to_hz: float = 20_000) -> Audio:
    """Return noise up to a frequency whose level jumps about like music; its highest peak is 1."""
    sound = rng.standard_normal((2, round(length_s * RATE)))
    sections = signal.butter(8, to_hz, fs=RATE, output="sos")
    levels = np.repeat(10 ** (rng.uniform(-20, 0, round(length_s * 10)) / 20), RATE // 10)
    sound = signal.sosfilt(sections, sound) * levels[: sound.shape[1]]
    return (sound / np.abs(sound).max()).astype(np.float32)


def between(samples: Audio, times: int) -> np.ndarray:
    """Return what lies between the samples, by the sampling theorem itself: over the spectrum."""
    padded = np.pad(samples.astype(np.float64), ((0, 0), (512, 512)))
    dense = signal.resample(padded, padded.shape[1] * times, axis=1)
    return np.asarray(np.abs(dense[:, 512 * times : -512 * times]).max(axis=0))


def peak_db(samples: Audio, times: int = 16) -> float:
    return float(20 * np.log10(between(samples, times).max()))


def peak_by_ffmpeg_db(samples: Audio) -> float:
    """Return the true peak as FFmpeg's filter `ebur128` tells it, as a factor of three digits."""
    graph = av.filter.Graph()
    source = graph.add_abuffer(
        format="fltp", sample_rate=RATE, layout="stereo", time_base=Fraction(1, RATE)
    )
    meter = graph.add("ebur128", "metadata=1:peak=true:framelog=quiet")
    sink = graph.add("abuffersink")
    source.link_to(meter)
    meter.link_to(sink)
    graph.configure()
    block = av.AudioFrame.from_ndarray(np.ascontiguousarray(samples), "fltp", "stereo")
    block.sample_rate, block.pts, block.time_base = RATE, 0, Fraction(1, RATE)
    graph.push(block)
    graph.push(None)
    highest = 0.0
    while True:
        try:
            told = graph.pull().metadata
        except (av.BlockingIOError, av.EOFError):
            return float(20 * np.log10(highest))
        for channel in "01":
            key = f"lavfi.r128.true_peaks_ch{channel}"
            if key in told:
                highest = max(highest, float(told[key]))


def gain_of(limited: Limited, samples: Audio) -> Audio:
    return limited.samples[0] / np.where(samples[0] == 0, 1, samples[0])


@pytest.mark.parametrize("gain_db", [1.0, 3.0, 6.0, 12.0])
def test_nothing_reaches_above_the_ceiling(rng: np.random.Generator, gain_db: float) -> None:
    sound = band(rng, 4.0) * np.float32(10 ** (gain_db / 20))
    limited = limit(sound, sample_rate=RATE, ceiling_dbtp=-1.0)
    # 16 times as many samples, without a filter.  Up to 20 kHz at 48 kHz
    # eight times as many read at most 0.12 dB low: 20 log cos(pi/2 * 20/24 / 8).
    assert peak_db(limited.samples) <= -1.0 + 0.12
    # FFmpeg's meter: four times as many samples; it may not read higher than the ceiling.
    assert peak_by_ffmpeg_db(limited.samples) <= -1.0 + 0.01
    assert limited.most_db > gain_db
    assert limited.samples.dtype == np.float32


@pytest.mark.parametrize(
    ("hertz", "amplitude", "degrees"),
    # EBU Tech 3341, cases 16, 18 and 19: peaks between the samples; at levels above the ceiling.
    [(RATE / 4, 1.41, 45.0), (RATE / 8, 1.2, 67.5), (RATE / 6, 1.3, 60.0), (997.0, 1.0, 0.0)],
)
def test_peaks_between_the_samples_are_lowered(
    hertz: float, amplitude: float, degrees: float
) -> None:
    sound = tone(hertz, amplitude, degrees=degrees)
    ramp = np.clip(np.minimum(np.arange(96_000), np.arange(96_000)[::-1]) / 480, 0, 1)
    limited = limit((sound * ramp).astype(np.float32), sample_rate=RATE, ceiling_dbtp=-1.0)
    assert -1.15 <= peak_db(limited.samples) <= -1.0
    assert limited.most_db == pytest.approx(20 * np.log10(amplitude) + 1.0, abs=0.1)


def test_what_stays_under_the_ceiling_is_the_same_array(rng: np.random.Generator) -> None:
    for sound in (0.5 * band(rng, 1.0), np.zeros((2, 1000), np.float32), np.zeros((2, 0), "f4")):
        limited = limit(sound, sample_rate=RATE, ceiling_dbtp=-1.0)
        assert limited.samples is sound
        assert (limited.most_db, limited.share) == (0.0, 0.0)


def test_away_from_a_peak_every_bit_stays() -> None:
    sound = tone(440.0, 0.3, 4.0)
    given = sound.copy()
    sound[0, RATE : RATE + 5] = given[0, RATE : RATE + 5] = 1.6
    limited = limit(sound, sample_rate=RATE, ceiling_dbtp=-1.0)
    assert np.array_equal(sound, given), "what was given is not changed"
    before, after = RATE - round(0.006 * RATE), round(2.2 * RATE)
    assert np.array_equal(limited.samples[:, :before], sound[:, :before])
    assert np.array_equal(limited.samples[:, after:], sound[:, after:])
    # A single peak: half of it back after 0.1 s, next to all of it half a second on.
    lowered = -20 * np.log10(gain_of(limited, sound)[[RATE + 4800, RATE + 24_000]])
    assert lowered[0] < limited.most_db / 2
    assert lowered[1] < 0.2
    assert limited.share == pytest.approx(0.1, abs=0.05)


def test_both_channels_are_lowered_alike(rng: np.random.Generator) -> None:
    sound = band(rng, 1.0) * np.array([[1.5], [0.4]], np.float32)
    limited = limit(sound, sample_rate=RATE, ceiling_dbtp=-1.0)
    both = np.abs(sound).min(axis=0) > 1e-3
    gains = limited.samples[:, both] / sound[:, both]
    assert gains[0] == pytest.approx(gains[1], abs=1e-5)
    assert gains.max() <= 1 + 1e-6
    assert gains.min() > 0


@pytest.mark.parametrize("hertz", [41.2, 50.0, 110.0, 1000.0])
def test_a_steady_tone_only_becomes_softer(hertz: float) -> None:
    """6 dB off a steady tone, from E1 on: its harmonics stay 70 dB down."""
    limited = limit(tone(hertz, 1.78, 3.0), sample_rate=RATE, ceiling_dbtp=-1.0)
    steady = limited.samples[0, RATE : 2 * RATE].astype(np.float64)
    power = np.abs(np.fft.rfft(steady * signal.windows.blackmanharris(RATE))) ** 2
    at = round(hertz)
    tone_power = power[at - 5 : at + 6].sum()
    rest = power[at + 6 :].sum()
    assert 10 * np.log10(rest / tone_power) < -70
    assert limited.most_db == pytest.approx(6.03, abs=0.1)


def test_the_gain_has_no_steps(rng: np.random.Generator) -> None:
    """From sample to sample the gain moves by less than a fall of 6 dB in 2.5 ms would."""
    sound = np.full((2, 2 * RATE), 0.5, np.float32)
    sound[:, 50_000:50_010] = 1.6
    sound[:, 60_000::7000] = 1.2
    gain = gain_of(limit(sound, sample_rate=RATE, ceiling_dbtp=-1.0), sound)
    assert np.abs(np.diff(gain)).max() < 0.5 / 120 * 1.6


def test_after_a_loud_stretch_the_gain_comes_back_more_slowly() -> None:
    quiet = tone(440.0, 0.3, 3.0)
    peak, stretch = quiet.copy(), quiet.copy()
    peak[:, RATE - 48 : RATE] *= 5
    stretch[:, RATE // 2 : RATE] *= 5
    after = slice(RATE + 7200, RATE + 7300)
    lowered = [
        -20 * np.log10(np.median(gain_of(limit(s, sample_rate=RATE, ceiling_dbtp=-1.0), s)[after]))
        for s in (peak, stretch)
    ]
    # 0.15 s later.
    assert lowered[0] < 1.0
    assert lowered[1] > 2.0


@settings(deadline=None, max_examples=25)
@given(
    seed=st.integers(0, 1000),
    length=st.integers(1, 9000),
    gain_db=st.floats(-10, 20),
    ceiling_dbtp=st.floats(-12, 0),
)
def test_any_sound_fits(seed: int, length: int, gain_db: float, ceiling_dbtp: float) -> None:
    rng = np.random.default_rng(seed)
    levels = 10 ** (gain_db / 20) * np.where(rng.random(length) < 0.999, 0.1, 1.0)
    sections = signal.butter(8, 20_000, fs=RATE, output="sos")
    sound = signal.sosfilt(sections, rng.standard_normal((2, length)) * levels).astype(np.float32)
    limited = limit(sound, sample_rate=RATE, ceiling_dbtp=ceiling_dbtp).samples
    assert 20 * np.log10(np.abs(limited).max() + 1e-9) <= ceiling_dbtp + 0.001
    assert (np.abs(limited) <= np.abs(sound)).all()
    assert np.array_equal(np.sign(limited), np.sign(sound))
    # Where the sound breaks off there is more above 20 kHz than music has, so twice the 0.12 dB.
    assert peak_db(limited, 8) <= ceiling_dbtp + 0.24


def test_tops_are_those_of_the_sampling_theorem(rng: np.random.Generator) -> None:
    sound = band(rng, 0.5, to_hz=18_000)
    hops = between(sound, 8).reshape(-1, 8 * HOP_SAMPLES).max(axis=1)
    assert hop_tops(sound, closely_from=0.0) == pytest.approx(hops, abs=0.01)
    # Where it is not looked at closely the samples count.
    samples = np.abs(sound).max(axis=0).reshape(-1, HOP_SAMPLES).max(axis=1)
    assert np.array_equal(hop_tops(sound, closely_from=9.0), samples)


def test_what_is_no_mix_is_refused() -> None:
    with pytest.raises(SignalError, match="samples"):
        limit(np.zeros(100, np.float32), sample_rate=RATE, ceiling_dbtp=-1.0)
    with pytest.raises(SignalError, match="finite"):
        limit(np.full((2, 100), np.inf, np.float32), sample_rate=RATE, ceiling_dbtp=-1.0)
