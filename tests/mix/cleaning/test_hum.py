"""Mains hum is found in the softest moments and taken out; notes are never taken for hum."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.arrays import Audio, Floats
from syncvid.errors import SignalError
from syncvid.mix.cleaning.hum import take_out_hum

RATE = 48_000

# Equal temperament, A4 = 440 Hz (ISO 16): the notes nearest to the mains and their overtones.
G1, B1, G2, B2, G3, B3, F4 = 48.999, 61.735, 97.999, 123.471, 195.998, 246.942, 349.228

# Multiples of the mains with their amplitudes: as a bad cable or a lamp sounds.
LINES = ((1, 0.004), (2, 0.002), (3, 0.003), (5, 0.001), (7, 0.0005))


def level_db(sound: Floats | Audio) -> float:
    return float(10 * np.log10(np.mean(np.square(sound, dtype=np.float64))))


def hum(count: int, mains_hz: float | Floats, rate: int = RATE) -> Floats:
    """Return hum; an array of frequencies lets it wander."""
    turns = np.cumsum(np.broadcast_to(mains_hz, count)) / rate
    return np.sum([size * np.sin(2 * np.pi * k * turns + k) for k, size in LINES], axis=0)


def tune(pitches_hz: list[float], *, length_s: float = 1.0, rate: int = RATE) -> Floats:
    """Return notes of five tones, soft at both ends; 0 Hz is a rest."""
    at_s = np.arange(round(length_s * rate)) / rate
    shape = np.minimum(1, np.minimum(at_s / 0.01, (length_s - at_s) / 0.03))
    notes = [
        0.1 * shape * sum(np.sin(2 * np.pi * k * pitch * at_s) / k for k in range(1, 6))
        for pitch in pitches_hz
    ]
    return np.concatenate(notes)


def stem(*sounds: Floats) -> Audio:
    return np.sum(sounds, axis=0)[np.newaxis].astype(np.float32)


def rests(pitches_hz: list[float], *, rate: int = RATE) -> np.ndarray:
    """Tell which samples lie in the middle of rests of 1 s."""
    inside = np.zeros((len(pitches_hz), rate), bool)
    for row, pitch in zip(inside, pitches_hz, strict=True):
        row[rate // 10 : -rate // 10] = pitch == 0
    return inside.ravel()


MELODY = [261.6, 293.7, 0, 329.6, 0, 0, 349.2, 392.0, 0, 440.0] * 4


@pytest.mark.parametrize("mains_hz", [49.85, 50.0, 50.07, 59.93, 60.0, 60.2])
def test_hum_goes_and_the_rest_stays(rng: np.random.Generator, mains_hz: float) -> None:
    music = tune(MELODY) + 10 ** (-70 / 20) * rng.standard_normal(len(MELODY) * RATE)
    planted = hum(music.size, mains_hz)
    cleaned = take_out_hum(stem(music, planted), sample_rate=RATE)
    left = cleaned.samples[0] - music
    assert f"{mains_hz:.0f}" in cleaned.told
    assert level_db(left) < level_db(planted) - 25
    assert level_db(left[rests(MELODY)]) < level_db(planted) - 35


@pytest.mark.parametrize("rate", [16_000, 44_100])
def test_other_sample_rates(rng: np.random.Generator, rate: int) -> None:
    music = tune(MELODY, rate=rate) + 3e-4 * rng.standard_normal(len(MELODY) * rate)
    planted = hum(music.size, 50.03, rate)
    left = take_out_hum(stem(music, planted), sample_rate=rate).samples[0] - music
    assert level_db(left) < level_db(planted) - 25


def test_hum_that_wanders_is_followed(rng: np.random.Generator) -> None:
    # The frequency strays by about 0.02 Hz over tens of seconds, as large grids do.
    count = len(MELODY) * RATE
    mains_hz = 50 + 0.02 * np.sin(2 * np.pi * np.arange(count) / RATE / 17)
    music = tune(MELODY) + 3e-4 * rng.standard_normal(count)
    planted = hum(count, mains_hz)
    left = take_out_hum(stem(music, planted), sample_rate=RATE).samples[0] - music
    assert level_db(left[rests(MELODY)]) < level_db(planted) - 20


@pytest.mark.parametrize("pitch_hz", [G1, B1, G2, B2, G3, B3, F4, 50.0, 60.0, 100.0])
def test_a_note_is_not_hum(rng: np.random.Generator, pitch_hz: float) -> None:
    """Held for ten seconds and more, with rests, even at the mains' own frequency."""
    sound = tune([pitch_hz, 0, pitch_hz, 0], length_s=10.0)
    given = stem(sound, 3e-4 * rng.standard_normal(sound.size))
    cleaned = take_out_hum(given, sample_rate=RATE)
    assert cleaned.samples is given
    assert not cleaned.changed
    assert "No mains hum" in cleaned.told


@pytest.mark.parametrize("pitch_hz", [G1, G2, B3])
def test_a_drone_without_a_rest_is_not_hum(rng: np.random.Generator, pitch_hz: float) -> None:
    at_s = np.arange(40 * RATE) / RATE
    drone = sum(np.sin(2 * np.pi * k * pitch_hz * at_s) / k for k in range(1, 6))
    given = stem(0.1 * np.asarray(drone), 3e-4 * rng.standard_normal(at_s.size))
    assert not take_out_hum(given, sample_rate=RATE).changed


def test_a_bowed_drone_at_the_frequency_of_the_mains_is_not_hum(rng: np.random.Generator) -> None:
    """A bow is not as steady as the mains: here its level goes up and down by 5 dB."""
    at_s = np.arange(40 * RATE) / RATE
    bow = 10 ** (np.sin(2 * np.pi * at_s / 7) / 4)
    drone = sum(np.sin(2 * np.pi * k * 50.0 * at_s) / k for k in range(1, 6))
    given = stem(0.1 * bow * np.asarray(drone), 3e-4 * rng.standard_normal(at_s.size))
    assert not take_out_hum(given, sample_rate=RATE).changed


def test_a_steady_tone_high_up_is_not_hum(rng: np.random.Generator) -> None:
    # The sixth multiple of 49.99 Hz, but nothing at the first three.
    tone = 0.01 * np.sin(2 * np.pi * 299.94 * np.arange(20 * RATE) / RATE)
    given = stem(tone, 3e-4 * rng.standard_normal(tone.size))
    assert not take_out_hum(given, sample_rate=RATE).changed


@pytest.mark.parametrize("pitch_hz", [G1, B1, G2, F4])
def test_notes_beside_hum_keep_their_level(rng: np.random.Generator, pitch_hz: float) -> None:
    pitches = [pitch_hz, pitch_hz, 0, 0, 0] * 8
    music = tune(pitches) + 3e-4 * rng.standard_normal(len(pitches) * RATE)
    planted = hum(music.size, 50.02)
    heard = take_out_hum(stem(music, planted), sample_rate=RATE).samples[0]
    turn = np.hanning(RATE // 2) * np.exp(-2j * np.pi * pitch_hz * np.arange(RATE // 2) / RATE)
    first = 5 * RATE + RATE // 4
    inside = slice(first, first + RATE // 2)
    ratio = abs(np.sum(heard[inside] * turn) / np.sum(music[inside] * turn))
    assert 20 * np.log10(ratio) == pytest.approx(0, abs=0.3)
    assert level_db((heard - music)[rests(pitches)]) < level_db(planted) - 20


def test_a_note_on_a_line_of_hum_leaves_no_ring_in_the_rest(rng: np.random.Generator) -> None:
    """A fixed notch would sound before and after it at half the note's level."""
    pitches = [0, 0, 0, 100.0, 0, 0, 0, 0] * 5
    music = tune(pitches)
    noise = 1e-4 * rng.standard_normal(music.size)
    planted = hum(music.size, 50.0)
    heard = take_out_hum(stem(music, noise, planted), sample_rate=RATE).samples[0]
    quiet = np.flatnonzero(rests(pitches))
    assert level_db((heard - music)[quiet]) < level_db(planted) - 20


def test_digital_silence_stays_silent(rng: np.random.Generator) -> None:
    sound = tune(MELODY) + hum(len(MELODY) * RATE, 50.0)
    sound = sound + 1e-4 * rng.standard_normal(sound.size)
    gap = slice(15 * RATE, 18 * RATE)
    sound[gap] = 0
    heard = take_out_hum(stem(sound), sample_rate=RATE).samples[0]
    assert not heard[gap.start + RATE // 50 : gap.stop - RATE // 50].any()
    # ... and hum is gone right up to it.
    near = slice(gap.stop + RATE // 50, gap.stop + RATE // 4)
    clean = tune(MELODY)
    assert level_db(heard[near] - clean[near]) < level_db(hum(RATE, 50.0)) - 20


def test_noise_and_silence_and_scraps_stay(rng: np.random.Generator) -> None:
    noise = 0.1 * rng.standard_normal(20 * RATE)
    for given in (stem(noise), *(np.zeros((2, n), np.float32) for n in (0, 1, 99, 20 * RATE))):
        cleaned = take_out_hum(given, sample_rate=RATE)
        assert cleaned.samples is given
        assert not cleaned.changed


def test_noise_hardly_ever_looks_like_hum(rng: np.random.Generator) -> None:
    # Short sounds have few windows, so that chance is largest there: none of 60 at 4 kHz.
    for _ in range(60):
        given = rng.standard_normal((1, 10 * 4000)).astype(np.float32)
        assert not take_out_hum(given, sample_rate=4000).changed


def test_each_channel_loses_its_own_hum(rng: np.random.Generator) -> None:
    music = tune(MELODY) + 3e-4 * rng.standard_normal(len(MELODY) * RATE)
    planted = hum(music.size, 50.0)
    given = np.stack([music + planted, 0.5 * music - 0.3 * planted]).astype(np.float32)
    heard = take_out_hum(given, sample_rate=RATE).samples
    assert level_db(heard[0] - music) < level_db(planted) - 25
    assert level_db(heard[1] - 0.5 * music) < level_db(0.3 * planted) - 25


def test_what_is_no_stem_is_refused() -> None:
    with pytest.raises(SignalError, match="finite"):
        take_out_hum(np.full((1, 99), np.nan, np.float32), sample_rate=RATE)
    with pytest.raises(SignalError, match="shape"):
        take_out_hum(np.zeros(99, np.float32), sample_rate=RATE)
