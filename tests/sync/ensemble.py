"""Synthetic ensembles with planted truth, for the tests of the room."""

from __future__ import annotations

import numpy as np
from scipy import signal

from syncvid.arrays import Audio
from syncvid.sync import ANALYSIS_RATE

RATE = ANALYSIS_RATE


def play(rng: np.random.Generator, notes: list[tuple[float, float]], length_s: float) -> Audio:
    """Return notes (start in seconds, pitch in Hz) with human timing and a little breath."""
    out = np.zeros(round(length_s * RATE))
    for start_s, pitch_hz in notes:
        start = round((start_s + 0.012 * rng.standard_normal()) * RATE)
        times = np.arange(round(0.45 * RATE)) / RATE
        wave = np.zeros(len(times))
        for harmonic in range(1, 7):
            if harmonic * pitch_hz < 7000:
                phase = 2 * np.pi * rng.random()
                detuned = harmonic * pitch_hz * (1 + 0.003 * rng.standard_normal())
                wave += np.sin(2 * np.pi * detuned * times + phase) / harmonic
        wave += 0.05 * rng.standard_normal(len(times))
        wave *= np.minimum(times / 0.02, 1) * np.exp(-4 * times)
        first = max(0, start)
        piece = wave[first - start : first - start + max(0, len(out) - first)]
        out[first : first + len(piece)] += piece
    return (0.1 * out).astype(np.float32)


def melody(
    rng: np.random.Generator, length_s: float, beat_s: float = 0.4
) -> list[tuple[float, float]]:
    """Return a random line of notes, one per beat, from one scale."""
    scale = 220 * 2 ** (np.array([0, 2, 4, 5, 7, 9, 11, 12, 14, 16]) / 12)
    return [(beat * beat_s, float(rng.choice(scale))) for beat in range(int(length_s / beat_s))]


def band(rng: np.random.Generator, length_s: float, parts: int = 4) -> list[Audio]:
    """Return the parts of an ensemble, each with a melody of its own."""
    return [play(rng, melody(rng, length_s), length_s) for _ in range(parts)]


def on_phone(
    rng: np.random.Generator,
    part: Audio,
    *,
    head_s: float = 0.0,
    drift_ppm: float = 0.0,
    noise_db: float = -30.0,
) -> Audio:
    """Return a part as a phone records it: `head_s` of noise first, clock slow by `drift_ppm`."""
    fine = signal.resample_poly(part, 8, 1)
    at = np.arange(int(len(part) / (1 + drift_ppm * 1e-6))) * (1 + drift_ppm * 1e-6) * 8
    slow = np.interp(at, np.arange(len(fine)), fine)
    sound = np.concatenate((np.zeros(round(head_s * RATE)), slow))
    level = float(np.std(part)) * 10 ** (noise_db / 20)
    return (sound + level * rng.standard_normal(len(sound))).astype(np.float32)


def clicks(length_s: float, beat_s: float = 0.5, count_in_s: float = 4.0) -> Audio:
    """Return a guide: clicks, twice as dense while counting in."""
    out = np.zeros(round(length_s * RATE))
    beats = np.arange(0.0, count_in_s, beat_s / 2).tolist()
    beats += np.arange(count_in_s, length_s - 0.1, beat_s).tolist()
    times = np.arange(round(0.03 * RATE)) / RATE
    for index, beat in enumerate(beats):
        pitch_hz = 2600.0 if index % 4 == 0 else 1900.0
        start = round(beat * RATE)
        out[start : start + len(times)] += np.sin(2 * np.pi * pitch_hz * times) * np.exp(
            -150 * times
        )
    return out.astype(np.float32)


def without(part: Audio, *stretches: tuple[float, float]) -> Audio:
    """Return a part that is silent in some stretches, in seconds, with short fades."""
    times = np.arange(len(part)) / RATE
    level = np.ones(len(part))
    for from_s, to_s in stretches:
        # 5 ms, so that no click is heard at the splice.
        level *= np.clip(np.maximum(from_s - times, times - to_s) / 5e-3, 0.0, 1.0)
    return (part * level).astype(np.float32)
