"""Tone: limits that are promised, and filters against scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from syncvid.arrays import Audio, Floats
from syncvid.errors import SignalError
from syncvid.mix.measures import BANDS_HZ, NOTHING_DB, measure_stem
from syncvid.mix.tone import filtered, margin_samples, match_tones, tone_filter
from syncvid.signals.loudness import k_filter

RATE = 48_000
COUNT = len(BANDS_HZ)
OCTAVES = np.arange(COUNT) / 3


def falling(per_octave_db: float, top_db: float = -20.0) -> tuple[float, ...]:
    """Return a spectrum that is strongest in the lowest band and falls steadily."""
    return tuple(top_db + per_octave_db * OCTAVES)


def bump(band: int, height_db: float) -> Floats:
    """Return a broad hill, two octaves wide."""
    return height_db * np.exp(-0.5 * ((np.arange(COUNT) - band) / 4.0) ** 2)


def coloured(rng: np.random.Generator, gains_db: Floats, seconds: float = 20.0) -> Audio:
    """Return noise falling by 3 dB per octave, its bands changed; shape (1, samples)."""
    spectrum = np.fft.rfft(rng.standard_normal(int(seconds * RATE)))
    hertz = np.maximum(np.fft.rfftfreq(int(seconds * RATE), 1 / RATE), 20.0)
    gains_db = np.interp(np.log(hertz), np.log(BANDS_HZ), gains_db) - 10 * np.log10(hertz / 1000)
    sound = np.fft.irfft(spectrum * 10 ** (gains_db / 20))
    return (0.1 * sound / sound.std()).astype(np.float32)[np.newaxis]


def k_level_db(samples: Audio) -> float:
    weighted = signal.sosfilt(k_filter(RATE), samples.astype(np.float64))
    return 10 * math.log10(float((weighted**2).mean()))


def test_players_of_a_section_come_closer_and_keep_their_level(rng: np.random.Generator) -> None:
    """Two players whose phones differ by a hill of 4 dB; levels measured by filtering."""
    stems = [coloured(rng, bump(18, 2.0)), coloured(rng, bump(18, -2.0))]
    bands = [measure_stem(stem, sample_rate=RATE).bands_db for stem in stems]
    changes = match_tones(bands, ["violins"] * 2, strength=1.0)
    after = [
        filtered(stem, tone_filter(change, sample_rate=RATE))
        for stem, change in zip(stems, changes, strict=True)
    ]
    apart = np.subtract(*bands)
    left = np.subtract(*(measure_stem(stem, sample_rate=RATE).bands_db for stem in after))
    assert np.ptp(apart[6:]) > 3.5
    assert np.ptp(left[6:]) < 1.2
    for before, now in zip(stems, after, strict=True):
        assert k_level_db(now) == pytest.approx(k_level_db(before), abs=0.2)


def test_single_notes_do_not_count() -> None:
    """One band 6 dB up, a note that one of two holds longer: it is not cut out."""
    note = np.array(falling(-3.0))
    note[12] += 6.0
    changes = match_tones([tuple(note), falling(-3.0)], ["s", "s"], strength=1.0)
    assert np.abs(changes).max() < 1.1, "a sixth of 6 dB, spread over an octave"


def from_band(lowest: int, per_octave_db: float) -> tuple[float, ...]:
    """Return a spectrum that begins with its strongest band and falls steadily."""
    levels = np.full(COUNT, NOTHING_DB)
    levels[lowest:] = -20.0 + per_octave_db * OCTAVES[: COUNT - lowest]
    return tuple(levels)


def test_a_violin_is_not_made_a_cello() -> None:
    """Strings in one section, lowest notes two octaves apart: C2 to C4 by way of C3."""
    strings = [from_band(lowest, -4.0 - lowest / 10) for lowest in (3, 9, 15)]
    assert not np.any(match_tones(strings, ["strings"] * 3, strength=1.0))
    cellos = [from_band(3, -4.0), from_band(3, -5.5), strings[2]]
    changes = np.array(match_tones(cellos, ["strings"] * 3, strength=1.0))
    assert changes[0][15] < 0 < changes[1][15], "the two cellos are brought together"
    assert not changes[2].any()


def test_other_parts_are_not_matched_band_by_band() -> None:
    """A clarinet beside flute, bass and horn keeps its colour."""
    hill = tuple(np.array(falling(-4.0)) + bump(15, 5.0))
    parts = [falling(-3.0), falling(-4.0), falling(-5.0), hill]
    assert not np.any(match_tones(parts, ["", "", "", ""], strength=1.0))


def test_a_covered_microphone_is_tilted_back_a_little() -> None:
    parts = [falling(-4.0), falling(-4.5), falling(-5.0), falling(-9.0, -10.0)]
    changes = np.array(match_tones(parts, ["", "b", "", ""], strength=1.0))
    assert not changes[:3].any()
    # What lies 50 dB under the strongest band is left alone; up to there:
    steps = np.diff(changes[3][: int(50 / 3) - 2])
    assert (steps > -1e-9).all(), "a tilt and nothing else"
    # Half of the steepest tilt of 1 dB per octave.
    assert 3 * steps.max() == pytest.approx(0.5, abs=1e-6)
    halved = np.array(match_tones(parts, ["", "b", "", ""], strength=0.5))
    assert 3 * np.diff(halved[3])[:14].max() == pytest.approx(0.25, abs=1e-6)


def test_a_bass_is_not_made_a_flute() -> None:
    """The same fall-off from different lowest notes on is the same tone."""
    parts = [from_band(lowest, -5.0) for lowest in (0, 6, 10, 14)]
    assert not np.any(match_tones(parts, [""] * 4, strength=1.0))


def test_what_lies_under_the_strongest_band_does_not_count() -> None:
    """A body that rises to its strongest band falls off from there like the others."""
    rising = np.minimum(-20.0 - 5.0 * (OCTAVES - 4), -20.0 + 8.0 * (OCTAVES - 4))
    parts = [tuple(rising), falling(-5.0), falling(-5.0), falling(-5.0)]
    assert not np.any(match_tones(parts, [""] * 4, strength=1.0))


def test_two_parts_are_too_few_to_say_what_is_usual() -> None:
    assert not np.any(match_tones([falling(-3.0), falling(-12.0)], ["", ""], strength=1.0))


def test_silent_parts_are_left_alone_and_do_not_count() -> None:
    silent = (NOTHING_DB,) * COUNT
    pair = [falling(-3.0), falling(-5.0)]
    changes = match_tones([*pair, silent], ["s"] * 3, strength=1.0)
    assert not np.any(changes[2])
    assert changes[:2] == match_tones(pair, ["s"] * 2, strength=1.0)
    assert np.abs(changes[0]).max() > 0.5
    assert match_tones([silent], ["s"], strength=1.0) == ((0.0,) * COUNT,)
    assert match_tones([], [], strength=1.0) == ()


levels_of_bands = st.lists(
    st.one_of(st.floats(-90, 0), st.just(NOTHING_DB)), min_size=COUNT, max_size=COUNT
).map(tuple)


@settings(max_examples=60, deadline=None)
@given(
    parts=st.lists(st.tuples(levels_of_bands, st.sampled_from(["", "a", "b"])), max_size=6),
    strength=st.floats(0, 1),
)
def test_the_limits_hold_for_any_spectrum(
    parts: list[tuple[tuple[float, ...], str]], strength: float
) -> None:
    bands = [levels for levels, _ in parts]
    changes = np.array(match_tones(bands, [group for _, group in parts], strength=strength))
    assert len(changes) == len(parts)
    if not parts:
        return
    levels = np.array(bands)
    assert np.abs(changes).max() <= 3.0
    assert np.abs(np.diff(changes)).max() <= 1.0 + 1e-9
    assert not changes[levels <= NOTHING_DB].any()
    assert not changes[levels < levels.max(axis=1, keepdims=True) - 50].any()
    # The K-weighting at the bands' centres by scipy; the level stays within 0.01 dB.
    _, weighting = signal.sosfreqz(k_filter(RATE), np.array(BANDS_HZ), fs=RATE)
    heard = (levels > NOTHING_DB) & (levels > levels.max(axis=1, keepdims=True) - 50)
    powers = np.where(heard, 10 ** (levels / 10), 0.0) * np.abs(weighting) ** 2
    for power, change in zip(powers, changes, strict=True):
        if power.sum():
            moved = 10 * math.log10((power * 10 ** (change / 10)).sum() / power.sum())
            assert moved == pytest.approx(0.0, abs=0.01)


def test_no_strength_is_no_change() -> None:
    parts = [falling(-3.0), falling(-12.0), falling(-4.0), falling(-3.0)]
    assert not np.any(match_tones(parts, ["a", "a", "", ""], strength=0.0))


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(SignalError, match="bands"):
        match_tones([(0.0, 1.0)], [""], strength=1.0)
    with pytest.raises(SignalError, match="sections"):
        match_tones([falling(-3.0)], [], strength=1.0)
    with pytest.raises(SignalError, match="0 to 1"):
        match_tones([falling(-3.0)], [""], strength=math.nan)
    with pytest.raises(SignalError, match="finite"):
        match_tones([(math.nan,) * COUNT], [""], strength=1.0)


@pytest.mark.parametrize("rate", [16_000, 44_100, 48_000])
def test_no_gains_are_a_unit_impulse(rate: int, rng: np.random.Generator) -> None:
    fir = tone_filter((0.0,) * COUNT, sample_rate=rate)
    assert fir.size % 2 == 1
    assert fir[margin_samples(fir)] == 1
    assert np.count_nonzero(fir) == 1
    stem = rng.standard_normal((2, 5000)).astype(np.float32)
    assert np.array_equal(filtered(stem, fir), stem)


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_the_filter_has_the_gains_and_a_linear_phase(rate: int) -> None:
    """Response by scipy; within 0.2 dB from 125 Hz on for gains as the match makes them."""
    gains = np.clip(3.0 * np.sin(OCTAVES * 1.5), -3.0, 3.0)
    assert np.abs(np.diff(gains)).max() > 0.9, "nearly as steep as the match ever is"
    fir = tone_filter(gains, sample_rate=rate)
    assert np.array_equal(fir, fir[::-1]), "symmetric: the phase is linear"
    _, response = signal.freqz(fir, worN=np.array(BANDS_HZ[6:]), fs=rate)
    assert 20 * np.log10(np.abs(response)) == pytest.approx(gains[6:], abs=0.2)


def test_filtering_is_convolution_without_delay(rng: np.random.Generator) -> None:
    """Scipy's direct convolution in double precision, on more than one block."""
    fir = tone_filter(tuple(bump(12, 3.0)), sample_rate=RATE)
    stem = (0.1 * rng.standard_normal((2, (1 << 19) + 3001))).astype(np.float32)
    wanted = signal.fftconvolve(stem.astype(np.float64), fir[np.newaxis], mode="same", axes=1)
    after = filtered(stem, fir)
    assert after.shape == stem.shape
    assert after.dtype == np.float32
    assert np.abs(after - wanted).max() < 1e-6


@pytest.mark.parametrize("length", [0, 1, 7, 1022, 2045, 2046])
def test_sounds_shorter_than_the_filter_work(length: int, rng: np.random.Generator) -> None:
    fir = tone_filter(tuple(bump(12, 3.0)), sample_rate=RATE)
    stem = rng.standard_normal((1, length)).astype(np.float32)
    middle = margin_samples(fir)
    wanted = np.convolve(stem[0], fir)[middle : middle + length] if length else stem[0]
    assert filtered(stem, fir)[0] == pytest.approx(wanted, abs=1e-5)


def test_blocks_with_margins_are_the_whole(rng: np.random.Generator) -> None:
    fir = tone_filter(tuple(bump(20, -3.0)), sample_rate=RATE)
    margin = margin_samples(fir)
    stem = (0.1 * rng.standard_normal((1, 50_000))).astype(np.float32)
    whole = filtered(stem, fir)
    for begin in range(0, 50_000, 12_345):
        end = min(begin + 12_345, 50_000)
        first = max(0, begin - margin)
        block = filtered(stem[:, first : end + margin], fir)
        cut = block[:, begin - first : end - first]
        assert np.abs(cut - whole[:, begin:end]).max() < 1e-6


def test_filters_and_sounds_of_other_shapes_are_refused() -> None:
    with pytest.raises(SignalError, match="gains"):
        tone_filter((0.0, 1.0), sample_rate=RATE)
    with pytest.raises(SignalError, match="gains"):
        tone_filter((math.nan,) * COUNT, sample_rate=RATE)
    with pytest.raises(SignalError, match="odd"):
        filtered(np.zeros((1, 100), np.float32), np.zeros(4, np.float32))
    with pytest.raises(SignalError, match="odd"):
        filtered(np.zeros(100, np.float32), np.ones(3, np.float32))
