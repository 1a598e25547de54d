"""A planted slow gain is undone; what the player did is not."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.mix.cleaning.slow_gain import MOST_DB, even_out

RATE = 48_000
SECONDS = 30
AT_S = np.arange(SECONDS * RATE) / RATE


def steady(at_s: float) -> float:
    return 0.1


def crescendo(at_s: float) -> float:
    """Return an amplitude that rises by 20 dB over the whole."""
    return float(0.01 * 10 ** (at_s / SECONDS))


def played(
    rng: np.random.Generator,
    amplitude: Callable[[float], float],
    *,
    gap: float = 0.5,
    breath: float = 0.0,
) -> np.ndarray:
    """Return held notes of 15 partials with gaps between them, and with breath that grows along."""
    music, from_s = np.zeros(AT_S.size), 0.5
    while from_s < SECONDS - 1.5:
        first, long_s = round(from_s * RATE), float(rng.uniform(0.5, 1.2))
        times_s = np.arange(round(long_s * RATE)) / RATE
        pitch_hz = 196.0 * 2 ** (rng.integers(0, 12) / 12)
        note = np.sum(
            [np.sin(2 * np.pi * pitch_hz * k * times_s + k) / k**1.5 for k in range(1, 16)], axis=0
        )
        note += breath * rng.standard_normal(times_s.size)
        edges = np.minimum(1, np.minimum(times_s / 0.02, (long_s - times_s) / 0.05))
        music[first : first + times_s.size] += amplitude(from_s) * edges * note
        from_s += long_s + gap * float(rng.uniform(0.2, 1))
    return music


def pink(rng: np.random.Generator, level_db: float) -> np.ndarray:
    """Return noise that falls by 3 dB in the octave."""
    spectrum = np.fft.rfft(rng.standard_normal(AT_S.size))
    spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
    noise = np.fft.irfft(spectrum, AT_S.size)
    return np.asarray(noise / noise.std() * 10 ** (level_db / 20))


def stem(*sounds: np.ndarray) -> Audio:
    return np.sum(sounds, axis=0).astype(np.float32)[np.newaxis]


def gains_db(cleaned: Audio, given: Audio) -> np.ndarray:
    """Return by how much each tenth of a second was raised."""
    power = np.square([cleaned[0], given[0]], dtype=np.float64).reshape(2, -1, RATE // 10)
    return np.asarray(10 * np.log10(power[0].sum(axis=1) / power[1].sum(axis=1)))


@pytest.mark.parametrize(("noise_db", "gap"), [(-45.0, 0.5), (-60.0, 1.5)])
def test_a_planted_gain_is_undone(rng: np.random.Generator, noise_db: float, gap: float) -> None:
    planted_db = 4 * np.sin(2 * np.pi * AT_S / 25)
    clean = stem(played(rng, steady, gap=gap), pink(rng, noise_db))
    given = (clean * 10 ** (planted_db / 20)).astype(np.float32)
    cleaned = even_out(given, sample_rate=RATE)
    assert cleaned.changed
    left_db = gains_db(cleaned.samples, clean)
    left_db -= np.median(left_db)
    # Planted: what is left of 4 dB each way.
    assert np.abs(left_db).max() < 1.5
    assert left_db.std() < 0.6
    assert cleaned.told.startswith("The recording set its own level, within 8 dB.")


@pytest.mark.parametrize(
    ("noise_db", "breath", "gap"), [(-45.0, 0.0, 0.5), (-60.0, 0.03, 0.5), (-60.0, 0.03, 0.0)]
)
def test_a_crescendo_stays_one(
    rng: np.random.Generator, noise_db: float, breath: float, gap: float
) -> None:
    """Breath grows with the notes and is noise too, but not the background's."""
    given = stem(played(rng, crescendo, gap=gap, breath=breath), pink(rng, noise_db))
    cleaned = even_out(given, sample_rate=RATE)
    # At most a decibel of twenty may be lost.
    assert np.ptp(gains_db(cleaned.samples, given)) < 1.0


def test_a_constant_level_is_said_to_be_one(rng: np.random.Generator) -> None:
    given = stem(played(rng, steady), pink(rng, -50.0))
    cleaned = even_out(given, sample_rate=RATE)
    assert cleaned.samples is given
    assert cleaned.told == "The background noise keeps its level: no slow gain was found."


def test_a_recording_without_noise_is_left_alone(rng: np.random.Generator) -> None:
    given = stem(played(rng, steady) * 10 ** (np.sin(AT_S) * 4 / 20))
    cleaned = even_out(given, sample_rate=RATE)
    assert cleaned.samples is given
    assert "hidden for most of the time" in cleaned.told


def test_noise_that_a_suppressor_takes_away_says_nothing(rng: np.random.Generator) -> None:
    lowered_db = np.interp(AT_S, [0, 5, 8, 14, 18, 24, 27, 30], [0, 0, -20, -20, 0, 0, -20, -20])
    given = stem(0 * played(rng, steady), pink(rng, -45.0) * 10 ** (lowered_db / 20))
    cleaned = even_out(given, sample_rate=RATE)
    assert cleaned.samples is given
    assert "noise suppression" in cleaned.told


def test_no_more_is_undone_than_six_decibels_each_way_and_slowly(rng: np.random.Generator) -> None:
    planted_db = np.interp(AT_S, [0, 12, 18, 30], [-6.5, -6.5, 6.5, 6.5])
    given = stem(pink(rng, -40.0) * 10 ** (planted_db / 20))
    cleaned = even_out(np.repeat(given, 2, axis=0), sample_rate=RATE)
    curve = gains_db(cleaned.samples, given)
    assert np.abs(curve).max() <= MOST_DB + 0.01
    assert np.ptp(curve) > 10
    assert np.abs(np.diff(curve)).max() < 0.5, "decibels in a tenth of a second"
    assert np.array_equal(cleaned.samples[0], cleaned.samples[1])


def test_where_the_noise_is_hidden_for_long_nothing_is_changed(rng: np.random.Generator) -> None:
    planted_db = np.interp(AT_S, [0, 7, 24, 30], [-2.5, -2.5, 2.5, 2.5])
    hiding = (AT_S > 7) & (AT_S < 24)
    # One period of 80 Hz with its partials, again and again.
    period = np.arange(RATE // 80) * 80 / RATE
    once = np.sum([np.sin(2 * np.pi * k * period + k * k) for k in range(1, 150)], axis=0)
    tones = np.resize(once, AT_S.size)
    given = stem(pink(rng, -50.0) * 10 ** (planted_db / 20), 0.02 * hiding * tones)
    cleaned = even_out(given, sample_rate=RATE)
    assert cleaned.changed
    curve = gains_db(cleaned.samples, given)
    assert np.abs(curve[148:162]).max() < 0.2, "in the middle"
    assert curve[20] - curve[280] == pytest.approx(5.0, abs=1.0)


@pytest.mark.parametrize("size", [0, 1, 4000, 5000, 2 * RATE])
def test_silence_and_short_sounds_stay_as_they_are(size: int) -> None:
    silence = np.zeros((2, size), np.float32)
    assert even_out(silence, sample_rate=RATE).samples is silence


def test_what_is_not_finite_is_refused() -> None:
    with pytest.raises(SignalError, match="not finite"):
        even_out(np.full((1, 9), np.nan, np.float32), sample_rate=RATE)
