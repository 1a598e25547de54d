"""Guide tracks: clicks with a count-in, at times a drone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from .music import Rng, Score
from .players import RATE, Audio


@dataclass(frozen=True, slots=True)
class GuideSound:
    """How a guide sounds: pitches in Hz, decay in seconds, noise and drone shares."""

    beat_hz: float
    bar_hz: float
    count_in_ratio: float
    decay_s: float
    noise: float
    drone_hz: float
    per_beat: int


def choose_guide(rng: Rng) -> GuideSound:
    """Return a guide's sound; some do not tell the bar, few have a drone."""
    beat_hz = float(rng.uniform(850, 1700))
    return GuideSound(
        beat_hz,
        beat_hz * float(rng.choice([1.0, 1.38, 1.5, 2.0, 2.3])),
        float(rng.choice([1.0, 1.0, 1.5])),
        float(rng.uniform(0.005, 0.016)),
        float(rng.choice([0.0, 0.0, 0.2])),
        float(rng.uniform(110, 330)) if rng.random() < 0.25 else 0.0,
        2 if rng.random() < 0.15 else 1,
    )


def make_guide(rng: Rng, score: Score, sound: GuideSound, *, tail_s: float = 1.5) -> Audio:
    """Return the guide track of a piece, from its first click on."""
    out = np.zeros(round((score.end_s + tail_s) * RATE), np.float32)
    beats = np.arange(0, len(score.beat_starts_s) - 1, 1 / sound.per_beat)
    for beat, at_s in zip(beats, score.times_s(beats), strict=True):
        pitch_hz = sound.bar_hz if beat % score.meter == 0 else sound.beat_hz
        pitch_hz *= sound.count_in_ratio if beat < score.first_beat else 1.0
        first = int(np.ceil(at_s * RATE))
        times = (np.arange(int(8 * sound.decay_s * RATE)) + first) / RATE - at_s
        wave = np.sin(2 * np.pi * pitch_hz * times)
        wave += sound.noise * rng.standard_normal(len(times))
        loud = 0.5 if beat % 1 == 0 else 0.3
        wave *= loud * np.exp(-times / sound.decay_s) * np.minimum(times / 0.0005, 1)
        piece = wave[: max(0, len(out) - first)]
        out[first : first + len(piece)] += piece.astype(np.float32)
    if sound.drone_hz:
        times = np.arange(len(out)) / RATE
        drone = sum(np.sin(2 * np.pi * k * sound.drone_hz * times + k) / k for k in range(1, 6))
        out += (0.04 * drone * np.minimum(times, 1)).astype(np.float32)
    return out


def leaked(rng: Rng, guide: Audio) -> Audio:
    """Return a guide as it leaves headphones: thin, a little coloured."""
    low, high = rng.uniform(250, 600), rng.uniform(4000, 7000)
    thin = signal.firwin(129, (low, high), fs=RATE, pass_zero=False)
    return signal.oaconvolve(guide, thin.astype(np.float32), mode="same").astype(np.float32)
