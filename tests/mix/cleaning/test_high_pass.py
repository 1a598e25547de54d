"""Lows are cut below the lowest note that is played, and nothing else changes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from syncvid.arrays import Audio, Floats
from syncvid.errors import SignalError
from syncvid.mix.cleaning.high_pass import cut_lows, high_pass_response
from syncvid.mix.cleaning.lowest_note import lowest_note_hz

RATE = 48_000

# Equal temperament, A4 = 440 Hz (ISO 16).
E1, G1, C2, G2, G3, C4, D5 = 41.203, 48.999, 65.406, 97.999, 195.998, 261.626, 587.33


def level_db(sound: Floats | Audio) -> float:
    return float(10 * np.log10(np.mean(np.square(sound, dtype=np.float64))))


def played(notes: list[tuple[float, float]], *, first: float = 0.3, rate: int = RATE) -> Floats:
    """Return notes of (pitch, seconds) in turn, their fundamental this strong."""
    parts = []
    for pitch_hz, length_s in notes:
        at_s = np.arange(round(length_s * rate)) / rate
        shape = np.minimum(1, np.minimum(at_s / 0.02, (length_s - at_s) / 0.05))
        tones = [
            (first if k == 1 else 1 / k) * np.sin(2 * np.pi * k * pitch_hz * at_s + k)
            for k in range(1, 6)
        ]
        parts.append(0.2 * shape * np.sum(tones, axis=0))
    return np.concatenate(parts)


def rumble(rng: np.random.Generator, count: int, level: float) -> Floats:
    """Return noise that falls by 12 dB per octave above 30 Hz, as traffic does."""
    sections = signal.butter(2, 30.0, fs=RATE, output="sos")
    noise = signal.sosfilt(sections, rng.standard_normal(count))
    return np.asarray(noise * 10 ** ((level - level_db(noise)) / 20))


def tune(*pitches_hz: float) -> Floats:
    """Return a tune that plays its first, lowest note only once, and a rest."""
    low, *others = pitches_hz
    line = [(pitch, 0.5) for pitch in others * 4]
    return np.concatenate([played([*line, (low, 0.6), *line]), np.zeros(RATE)])


@pytest.mark.parametrize("cutoff_hz", [20.0, 60.0, 120.0])
def test_the_filter_is_a_butterworth_filter_run_both_ways(
    rng: np.random.Generator, cutoff_hz: float
) -> None:
    # scipy's filter, forward and backward, as a second implementation; 2 s in from the ends.
    sound = (0.1 * rng.standard_normal(6 * RATE)).astype(np.float32)
    sections = signal.butter(4, cutoff_hz, "highpass", fs=RATE, output="sos")
    wanted = signal.sosfiltfilt(sections, sound.astype(np.float64))
    heard = cut_lows(sound[np.newaxis], sample_rate=RATE, cutoff_hz=cutoff_hz).samples[0]
    inner = slice(2 * RATE, -2 * RATE)
    assert level_db(heard[inner] - wanted[inner]) < level_db(wanted) - 80


@pytest.mark.parametrize(
    ("times", "wanted_db"),
    # 1 / (1 + (cutoff / f)^8): arithmetic.
    [(0.5, -48.199), (1.0, -6.021), (1.5, -0.333), (3.0, -0.0013)],
)
def test_gains_are_those_of_the_formula(times: float, wanted_db: float) -> None:
    response = high_pass_response(40.0, sample_rate=RATE).astype(np.float64)
    at = np.exp(-2j * np.pi * 40.0 * times / RATE * np.arange(response.size))
    assert 20 * np.log10(abs(np.sum(response * at))) == pytest.approx(wanted_db, abs=0.05)


def test_nothing_is_delayed() -> None:
    sound = np.zeros(RATE, np.float32)
    sound[12_345] = 1
    heard = cut_lows(sound[np.newaxis], sample_rate=RATE, cutoff_hz=100.0).samples[0]
    assert np.argmax(np.abs(heard)) == 12_345
    before, after = heard[12_345 - 2000 : 12_345][::-1], heard[12_346 : 12_346 + 2000]
    assert np.abs(before - after).max() < 1e-6, "what precedes and what follows are alike"


@pytest.mark.parametrize("slope", [0.0, 0.5])
def test_a_constant_disappears_and_makes_no_thump_at_the_ends(slope: float) -> None:
    sound = (0.25 + slope * np.arange(RATE) / RATE)[np.newaxis].astype(np.float32)
    assert np.abs(cut_lows(sound, sample_rate=RATE, cutoff_hz=30.0).samples).max() < 1e-5


@pytest.mark.parametrize("lowest_hz", [E1, G1, C2, G2, G3, C4, D5])
def test_the_lowest_note_is_found_though_it_is_played_once(
    rng: np.random.Generator, lowest_hz: float
) -> None:
    sound = tune(lowest_hz, lowest_hz * 1.5, lowest_hz * 2, lowest_hz * 8 / 3)
    sound = sound + rumble(rng, sound.size, -45.0) + 10**-3 * rng.standard_normal(sound.size)
    found_hz = lowest_note_hz(sound[np.newaxis].astype(np.float32), sample_rate=RATE)
    assert found_hz == pytest.approx(lowest_hz, abs=2.0)


@pytest.mark.parametrize("first", [0.3, 0.03])
@pytest.mark.parametrize("lowest_hz", [E1, C2, G2])
def test_bass_notes_keep_their_fundamental(
    rng: np.random.Generator, lowest_hz: float, first: float
) -> None:
    """Even one that the phone has made 30 dB softer than its overtones."""
    note = played([(lowest_hz, 1.0)], first=first)
    sound = np.concatenate([tune(lowest_hz * 2, lowest_hz * 3), note, np.zeros(RATE)])
    stem = (sound + 1e-4 * rng.standard_normal(sound.size))[np.newaxis].astype(np.float32)
    cleaned = cut_lows(stem, sample_rate=RATE)
    assert cleaned.changed
    inner = slice(sound.size - 2 * RATE + RATE // 4, sound.size - RATE - RATE // 4)
    turn = np.exp(-2j * np.pi * lowest_hz * np.arange(RATE // 2) / RATE) * np.hanning(RATE // 2)
    ratio = abs(np.sum(cleaned.samples[0, inner] * turn) / np.sum(stem[0, inner] * turn))
    # The filter's own loss there is 0.33 dB; the note is found to 2 Hz.
    assert 20 * np.log10(ratio) > -0.6


def test_rumble_under_a_violin_goes(rng: np.random.Generator) -> None:
    sound = tune(G3, C4, D5)
    lows = rumble(rng, sound.size, -35.0)
    cleaned = cut_lows((sound + lows)[np.newaxis].astype(np.float32), sample_rate=RATE)
    assert "120 Hz" in cleaned.told
    rest = slice(sound.size - RATE * 3 // 4, sound.size - RATE // 4)
    assert level_db(cleaned.samples[0, rest]) < level_db(lows[rest]) - 15
    tones = slice(RATE, 3 * RATE)
    assert level_db(cleaned.samples[0, tones]) == pytest.approx(level_db(sound[tones]), abs=0.1)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_is_no_note(rng: np.random.Generator, mains_hz: float) -> None:
    sound = tune(C4, D5)
    at_s = np.arange(sound.size) / RATE
    hum = sum(0.002 * np.sin(2 * np.pi * k * mains_hz * at_s) for k in (1, 2, 3))
    noisy = sound + hum + 1e-4 * rng.standard_normal(sound.size)
    found_hz = lowest_note_hz(noisy[np.newaxis].astype(np.float32), sample_rate=RATE)
    assert found_hz == pytest.approx(C4, abs=2.0)


def test_a_held_drone_is_a_note() -> None:
    # A drone on G2, 2 Hz from the second line of hum at 50 Hz, under a tune far above it.
    upper = tune(C4, D5, 2 * C4)
    drone = 0.1 * np.sin(2 * np.pi * G2 * np.arange(upper.size) / RATE)
    stem = (upper + drone)[np.newaxis].astype(np.float32)
    assert lowest_note_hz(stem, sample_rate=RATE) == pytest.approx(G2, abs=2.0)


def test_drums_and_noise_are_left_as_they_are(rng: np.random.Generator) -> None:
    """Where nothing has a pitch nobody knows what belongs to the sound."""
    at_s = np.arange(RATE // 2) / RATE
    drum = np.exp(-at_s / 0.05) * np.sin(2 * np.pi * (55 * at_s + 20 * (1 - np.exp(-at_s / 0.02))))
    hit = 0.3 * drum + 0.1 * np.exp(-at_s / 0.02) * rng.standard_normal(at_s.size)
    for sound in (np.tile(hit, 20), 0.1 * rng.standard_normal(8 * RATE)):
        stem = sound[np.newaxis].astype(np.float32)
        cleaned = cut_lows(stem, sample_rate=RATE)
        assert cleaned.samples is stem
        assert not cleaned.changed
        assert "No notes" in cleaned.told


def test_a_pitch_now_and_then_makes_no_part_of_notes(rng: np.random.Generator) -> None:
    at_s = np.arange(RATE // 4) / RATE
    sound = np.tile(0.3 * np.exp(-at_s / 0.03), 80) * rng.standard_normal(80 * at_s.size)
    sound[5 * RATE : 6 * RATE] += played([(700.0, 1.0)])
    assert lowest_note_hz(sound[np.newaxis].astype(np.float32), sample_rate=RATE) is None


def test_a_cutoff_above_notes_is_told() -> None:
    stem = tune(C2, G2)[np.newaxis].astype(np.float32)
    assert "thinner" in cut_lows(stem, sample_rate=RATE, cutoff_hz=100.0).told
    assert "thinner" not in cut_lows(stem, sample_rate=RATE, cutoff_hz=40.0).told


@pytest.mark.parametrize("count", [0, 1, 1000, RATE])
def test_silence_and_scraps_stay(count: int) -> None:
    stem = np.zeros((1, count), np.float32)
    for cutoff_hz in (None, 50.0):
        cleaned = cut_lows(stem, sample_rate=RATE, cutoff_hz=cutoff_hz)
        assert not cleaned.changed
        assert cleaned.samples is stem


def test_one_loud_sample_is_no_trouble() -> None:
    cleaned = cut_lows(np.ones((1, 1), np.float32), sample_rate=RATE, cutoff_hz=50.0)
    assert cleaned.samples.shape == (1, 1)
    assert np.isfinite(cleaned.samples).all()


@pytest.mark.parametrize(
    ("stem", "cutoff_hz"),
    [
        (np.full((1, 9), np.nan, np.float32), None),
        (np.array([[np.inf, -np.inf]], np.float32), None),
        (np.zeros(9, np.float32), None),
        (np.zeros((3, 9), np.float32), None),
        (np.zeros((1, 9)), None),
        (np.zeros((1, 9), np.float32), 4.9),
        (np.zeros((1, 9), np.float32), RATE / 4),
        (np.zeros((1, 9), np.float32), np.nan),
    ],
)
def test_what_is_no_stem_and_no_cutoff_is_refused(stem: Audio, cutoff_hz: float | None) -> None:
    with pytest.raises(SignalError):
        cut_lows(stem, sample_rate=RATE, cutoff_hz=cutoff_hz)


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    cutoff_hz=st.floats(20.0, 400.0),
    count=st.integers(1, 9000),
    gain=st.sampled_from([0.5, -1.0, 2.0]),
)
def test_both_channels_are_treated_alike(
    seed: int, cutoff_hz: float, count: int, gain: float
) -> None:
    """What is a multiple of the other stays one (a filter is linear), and its length stays."""
    left = np.random.default_rng(seed).standard_normal(count).astype(np.float32)
    stem = np.stack([left, np.float32(gain) * left])
    heard = cut_lows(stem, sample_rate=8000, cutoff_hz=cutoff_hz).samples
    assert heard.shape == stem.shape
    assert np.abs(heard[1] - gain * heard[0]).max() < 1e-4
