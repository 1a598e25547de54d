"""Sudden beginnings: planted times, and what tells a clap from a note."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.signals.attacks import Attacks, find_attacks, measure_bands

RATE = 16_000


def attacks_of(sound: Audio) -> Attacks:
    return find_attacks(sound, measure_bands(sound, sample_rate=RATE), sample_rate=RATE)


def noisy(rng: np.random.Generator, length_s: float) -> np.ndarray:
    return (1e-3 * rng.standard_normal(round(length_s * RATE))).astype(np.float32)


def test_claps_and_notes_are_told_apart_to_milliseconds(rng: np.random.Generator) -> None:
    sound = noisy(rng, 8.0)
    clap_at, note_at = (1.0, 1.7, 2.35), (4.0, 5.5)
    for at in clap_at:
        ring = np.arange(RATE // 5) / RATE
        hit = rng.standard_normal(len(ring)) * np.exp(-ring / 0.012)
        sound[round(at * RATE) :][: len(hit)] += (0.3 * hit).astype(np.float32)
    for at in note_at:
        times = np.arange(RATE) / RATE
        tone = sum(np.sin(2 * np.pi * 220 * n * times) / n for n in range(1, 9))
        sound[round(at * RATE) :][: len(tone)] += (0.1 * tone).astype(np.float32)
    found = attacks_of(sound)
    for at in clap_at + note_at:
        nearest = int(np.argmin(np.abs(found.times_s - at)))
        assert found.times_s[nearest] == pytest.approx(at, abs=0.004)
        gone = found.decays_db[nearest] / found.rises_db[nearest]
        assert (gone > 0.7) == (at in clap_at)


@pytest.mark.parametrize("length", [0, 100, 1000, 16_000])
def test_silence_and_short_sounds_have_no_attacks(length: int) -> None:
    assert not len(attacks_of(np.zeros(length, np.float32)).times_s)


def test_no_time_lies_before_the_sound(rng: np.random.Generator) -> None:
    sound = noisy(rng, 2.0)
    sound[:800] += rng.standard_normal(800).astype(np.float32)
    assert (attacks_of(sound).times_s >= 0).all()
