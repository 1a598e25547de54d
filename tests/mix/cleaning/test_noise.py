"""Background noise is made softer in rests, evenly; what is played over it stays as it is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from syncvid.arrays import Audio, Floats
from syncvid.errors import SignalError
from syncvid.mix.cleaning.noise import reduce_noise
from syncvid.mix.cleaning.noise_profile import noise_profile

RATE = 48_000


def level_db(sound: Floats | Audio) -> float:
    return float(10 * np.log10(np.mean(np.square(sound, dtype=np.float64))))


def hiss(rng: np.random.Generator, count: int, noise_db: float = -60.0) -> Floats:
    """Return noise as a small room has it: it falls by 6 dB per octave above 500 Hz."""
    noise = signal.lfilter([1.0], [1.0, -0.9365], rng.standard_normal(count))
    noise = noise + 0.5 * rng.standard_normal(count)
    return np.asarray(noise * 10 ** ((noise_db - level_db(noise)) / 20))


def notes(pitches_hz: list[float], *, length_s: float = 1.0, rate: int = RATE) -> Floats:
    """Return notes that die away, of five tones each; 0 Hz is a rest."""
    at_s = np.arange(round(length_s * rate)) / rate
    shape = np.minimum(1, at_s / 0.005) * np.exp(-3 * at_s)
    shape *= np.minimum(1, (length_s - at_s) / 0.02)
    return np.concatenate(
        [
            0.2 * shape * sum(np.sin(2 * np.pi * k * pitch * at_s) / k for k in range(1, 6))
            for pitch in pitches_hz
        ]
    )


def stem(*sounds: Floats) -> Audio:
    return np.sum(sounds, axis=0)[np.newaxis].astype(np.float32)


def middle(first_s: float, last_s: float) -> slice:
    return slice(round(first_s * RATE), round(last_s * RATE))


def strength(sound: Audio, pitch_hz: float, where: slice) -> float:
    """Return the amplitude of a tone by a windowed projection."""
    part = sound[where].astype(np.float64)
    window = np.hanning(part.size)
    turn = np.exp(-2j * np.pi * pitch_hz * np.arange(part.size) / RATE)
    return float(2 * abs(np.sum(part * window * turn)) / window.sum())


MELODY = [440.0, 523.3, 0, 392.0, 659.3, 0, 0, 293.7, 440.0, 0]


@pytest.mark.parametrize("most_db", [3.0, 9.0, 15.0])
@pytest.mark.parametrize("noise_db", [-70.0, -50.0])
def test_rests_become_softer_by_what_was_asked(
    rng: np.random.Generator, most_db: float, noise_db: float
) -> None:
    music = notes(MELODY)
    given = stem(music, hiss(rng, music.size, noise_db))
    cleaned = reduce_noise(given, sample_rate=RATE, most_db=most_db)
    assert cleaned.changed
    assert cleaned.samples.shape == given.shape
    for rest in (middle(2.2, 2.8), middle(5.2, 6.8), middle(9.2, 9.9)):
        heard_db = level_db(cleaned.samples[0, rest]) - level_db(given[0, rest])
        assert heard_db == pytest.approx(-most_db, abs=0.4)


def test_what_is_left_of_the_noise_does_not_chirp(rng: np.random.Generator) -> None:
    """Chirping is single cells of the spectrum that stay while those around them go."""
    given = stem(notes([0, 440.0] + 8 * [0]), hiss(rng, 10 * RATE))
    heard = reduce_noise(given, sample_rate=RATE, most_db=12.0).samples
    rest = middle(3.0, 9.9)
    # scipy's spectra: other windows than those of the step itself.
    before, after = (
        np.abs(signal.stft(sound[0, rest], RATE, nperseg=1500, noverlap=750)[2]) ** 2
        for sound in (given, heard)
    )
    # The kurtosis of the cells against their own frequency is 2 for noise, E[P^2] / E[P]^2, and
    # grows if some stay and others go; Uemura and others 2008 use its ratio as the measure of
    # chirping (from memory).
    ratio = [
        np.mean(np.mean(p[20:] ** 2, axis=1) / np.mean(p[20:], axis=1) ** 2)
        for p in (after, before)
    ]
    assert ratio[0] / ratio[1] == pytest.approx(1.0, abs=0.05)
    gains_db = 10 * np.log10(after[20:] / before[20:])
    assert np.percentile(gains_db, 99.9) < -11.0


@pytest.mark.parametrize("pitch_hz", [110.0, 440.0, 3000.0])
@pytest.mark.parametrize("over_noise_db", [20.0, 40.0])
def test_a_held_note_over_noise_keeps_its_level(
    rng: np.random.Generator, pitch_hz: float, over_noise_db: float
) -> None:
    at_s = np.arange(8 * RATE) / RATE
    shape = np.clip(np.minimum(at_s - 2, 6 - at_s) / 0.05, 0, 1)
    tone = 10 ** ((-50 + over_noise_db) / 20) * shape * np.sin(2 * np.pi * pitch_hz * at_s)
    given = stem(tone, hiss(rng, at_s.size, -50.0))
    heard = reduce_noise(given, sample_rate=RATE).samples
    inside = middle(2.5, 5.5)
    ratio = strength(heard[0], pitch_hz, inside) / strength(given[0], pitch_hz, inside)
    assert 20 * np.log10(ratio) == pytest.approx(0, abs=0.05)
    # What was taken away is noise: the tone's overtones did not appear.
    for overtone in (2, 3):
        lost = strength(heard[0] - given[0], overtone * pitch_hz, inside)
        assert lost < 10 ** (-70 / 20)


def test_music_over_noise_is_changed_by_less_than_the_noise(rng: np.random.Generator) -> None:
    music = notes(MELODY)
    noise = hiss(rng, music.size)
    given = stem(music, noise)
    heard = reduce_noise(given, sample_rate=RATE).samples
    # All that was taken away, attacks and decays of notes in it, is softer than the noise was.
    assert level_db(heard[0] - given[0]) < level_db(noise) - 2
    # And the result lies nearer to the music than what was given.
    assert level_db(heard[0] - music) < level_db(noise) - 3


def test_attacks_keep_their_edge(rng: np.random.Generator) -> None:
    """The first 5 ms of a click out of silence keep their energy, and their place."""
    at = np.arange(1, 8) * RATE + 137
    clicks = np.zeros(8 * RATE)
    for first in at:
        clicks[first : first + 240] = 0.2 * rng.standard_normal(240) * np.exp(-np.arange(240) / 60)
    given = stem(clicks, hiss(rng, clicks.size))
    heard = reduce_noise(given, sample_rate=RATE).samples
    for first in at:
        part = slice(first, first + 240)
        assert level_db(heard[0, part]) == pytest.approx(level_db(given[0, part]), abs=0.1)
        assert level_db(heard[0, part] - given[0, part]) < level_db(given[0, part]) - 25


def test_soft_held_notes_and_soft_attacks_both_stay(rng: np.random.Generator) -> None:
    """One look would lose a tone between the bins of noise, the other a short burst."""
    at_s = np.arange(12 * RATE) / RATE
    noise = hiss(rng, at_s.size, -50.0)
    tone = 10 ** (-61 / 20) * (at_s > 6) * (at_s < 11) * np.sin(2 * np.pi * 3000.0 * at_s)
    bursts = np.zeros(at_s.size)
    starts = [round(first * RATE) for first in np.arange(1.0, 5.0, 0.5)]
    for first in starts:
        bursts[first : first + 480] = 10 ** (-40 / 20) * rng.standard_normal(480)
    given = stem(noise, tone, bursts)
    heard = reduce_noise(given, sample_rate=RATE).samples
    inside = middle(6.5, 10.5)
    ratio = strength(heard[0], 3000.0, inside) / strength(given[0], 3000.0, inside)
    assert 20 * np.log10(ratio) == pytest.approx(0, abs=0.1)
    lost_db = [
        level_db(given[0, first : first + 480]) - level_db(heard[0, first : first + 480])
        for first in starts
    ]
    # Bursts of 10 ms, 10 dB above the noise: the long look alone takes 1.8 dB from them.
    assert np.mean(lost_db) == pytest.approx(0, abs=1.3)


def test_a_part_without_a_rest_but_at_its_ends_is_still_measured(rng: np.random.Generator) -> None:
    at_s = np.arange(30 * RATE) / RATE
    held = np.clip(np.minimum(at_s - 1, 29 - at_s) / 0.1, 0, 1)
    held = 0.1 * held * sum(np.sin(2 * np.pi * k * 98.0 * at_s) / k for k in range(1, 20))
    given = stem(held, hiss(rng, at_s.size))
    heard = reduce_noise(given, sample_rate=RATE).samples
    assert level_db(heard[0] - given[0]) < -60.0
    inside = middle(10, 14)
    for k in (1, 2, 5, 10, 19):
        ratio = strength(heard[0], k * 98.0, inside) / strength(given[0], k * 98.0, inside)
        assert 20 * np.log10(ratio) == pytest.approx(0, abs=0.05)


def test_music_without_a_moment_of_noise_is_left(rng: np.random.Generator) -> None:
    # Bursts of other noise each time: no two moments are alike.
    bursts = [10 ** rng.uniform(-3, -0.5) * rng.standard_normal(2000) for _ in range(200)]
    given = stem(np.concatenate(bursts))
    cleaned = reduce_noise(given, sample_rate=RATE)
    assert cleaned.samples is given
    assert not cleaned.changed
    assert "No moment" in cleaned.told


def test_a_clean_recording_is_left(rng: np.random.Generator) -> None:
    given = stem(notes(MELODY), hiss(rng, len(MELODY) * RATE, -110.0))
    cleaned = reduce_noise(given, sample_rate=RATE)
    assert cleaned.samples is given
    assert "nothing was changed" in cleaned.told


def test_the_profile_is_the_noise_that_was_planted(rng: np.random.Generator) -> None:
    noise = hiss(rng, len(MELODY) * RATE, -50.0)
    size = 2048
    profile = noise_profile(stem(notes(MELODY), noise), size=size, sample_rate=RATE)
    assert profile is not None
    # scipy's estimate of the noise alone; its scale is turned into that of plain Hann spectra.
    _, density = signal.welch(noise, RATE, nperseg=size, scaling="spectrum", detrend=False)
    wanted = density * np.sum(signal.get_window("hann", size)) ** 2 / 2
    off_db = 10 * np.log10(profile.powers[20:-1] / wanted[20:-1])
    assert abs(float(np.mean(off_db))) < 0.5
    assert float(np.abs(off_db).max()) < 2.0


def test_places_without_a_recording_are_not_taken_for_its_noise(rng: np.random.Generator) -> None:
    given = stem(notes(MELODY * 2), hiss(rng, 2 * len(MELODY) * RATE))
    given[0, : 4 * RATE] = 0
    given[0, 11 * RATE : 12 * RATE] = 0
    heard = reduce_noise(given, sample_rate=RATE).samples
    assert not heard[0, : 3 * RATE].any()
    rest = middle(5.2, 6.8)
    assert level_db(heard[0, rest]) - level_db(given[0, rest]) == pytest.approx(-9.0, abs=0.4)


def test_both_channels_are_lowered_alike(rng: np.random.Generator) -> None:
    left = stem(notes(MELODY), hiss(rng, len(MELODY) * RATE))[0]
    heard = reduce_noise(np.stack([left, -0.5 * left]), sample_rate=RATE).samples
    assert np.abs(heard[1] + 0.5 * heard[0]).max() < 1e-6


@pytest.mark.parametrize("count", [0, 1, 999, 3 * RATE])
def test_silence_and_scraps_stay(count: int) -> None:
    given = np.zeros((2, count), np.float32)
    cleaned = reduce_noise(given, sample_rate=RATE)
    assert cleaned.samples is given
    assert not cleaned.changed


@pytest.mark.parametrize("most_db", [-1.0, 20.1, np.nan])
def test_too_much_is_refused(most_db: float) -> None:
    with pytest.raises(SignalError, match="softer"):
        reduce_noise(np.zeros((1, 99), np.float32), sample_rate=RATE, most_db=most_db)


def test_what_is_not_finite_is_refused() -> None:
    with pytest.raises(SignalError, match="finite"):
        reduce_noise(np.full((1, 99), np.inf, np.float32), sample_rate=RATE)


@settings(max_examples=15, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    gain_db=st.floats(-50.0, 20.0),
    most_db=st.floats(1.0, 15.0),
    odd=st.integers(0, 700),
)
def test_the_level_of_a_recording_makes_no_difference(
    seed: int, gain_db: float, most_db: float, odd: int
) -> None:
    """A recording that is louder by some decibels comes out louder by as many, and as long."""
    rng = np.random.default_rng(seed)
    rate = 8000
    sound = stem(notes([400.0, 0, 300.0], rate=rate), 1e-3 * rng.standard_normal(3 * rate))[:, odd:]
    gain = np.float32(10 ** (gain_db / 20))
    once = reduce_noise(sound, sample_rate=rate, most_db=most_db)
    louder = reduce_noise(gain * sound, sample_rate=rate, most_db=most_db)
    assert once.samples.shape == sound.shape
    assert louder.changed == once.changed
    assert np.abs(louder.samples - gain * once.samples).max() < 1e-4 * gain
