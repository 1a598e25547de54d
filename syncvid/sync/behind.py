"""What may be heard of a guide's clicks behind the playing."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.lazily import fft, signal
from syncvid.signals.outstanding import HOP, SIZE, stand_out
from syncvid.sync.clicks import SHAPE, Clicks
from syncvid.sync.hearing import ANALYSIS_RATE

# Energies are summed at this rate: a click lasts 5 ms.
ENERGY_RATE = 500
PER_STEP = ANALYSIS_RATE // ENERGY_RATE

# From so many times the chance level on, the energy of a click counts by its logarithm only.
SOFT_ENERGY = 10.0


@dataclass(frozen=True, slots=True)
class Background:
    """What may be heard of clicks behind a clip's playing.

    Attributes
    ----------
    sound : ndarray, shape (samples,), float32
        The clip, quiet and short sounds standing out.
    trust : ndarray, shape (hops, kinds), float32
        Energy of each kind of click as it would be heard at each hop with amplitude 1.
    noise : ndarray, shape (kinds,), float64
        Variance of a correlation without a click, as a multiple of that energy.
    energies : ndarray, shape (kinds, steps), float32
        Energy of each kind of click at each step, 1 by chance, with its mean taken off.
    """

    sound: Audio = field(repr=False)
    trust: Audio = field(repr=False)
    noise: Floats
    energies: Audio = field(repr=False)

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.sound) / ANALYSIS_RATE


def listen_behind(clip: Audio, clicks: Clicks) -> Background:
    """Make the clicks of a guide stand out of a clip's playing.

    Parameters
    ----------
    clip : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`.
    clicks : Clicks
        What to listen for.

    Returns
    -------
    Background
    """
    profiles = np.abs(fft.rfft(clicks.shapes, SIZE, axis=1)) ** 2
    standing = stand_out(clip, np.asarray(profiles, np.float32), sample_rate=ANALYSIS_RATE)
    steps = len(clip) // PER_STEP
    energies = np.zeros((len(clicks.shapes), steps), np.float32)
    noise = np.ones(len(clicks.shapes))
    at = np.arange(steps) * PER_STEP + (SHAPE + PER_STEP) / 4
    hops = np.arange(len(standing.trust)) * HOP
    for kind, shape in enumerate(clicks.shapes):
        # The analytic shape gives the energy whatever the phase.
        lags = signal.oaconvolve(
            np.pad(standing.samples, (0, SHAPE)), np.conj(signal.hilbert(shape)[::-1])
        )[SHAPE - 1 :][: steps * PER_STEP]
        squares = (lags.real**2 + lags.imag**2).reshape(steps, PER_STEP)
        expected = np.interp(at, hops, standing.trust[:, kind]) if len(hops) else np.zeros(steps)
        ratios = squares / np.maximum(expected, 1e-12)[:, None]
        # Chance: both parts normal, so that the squares' median is 2 ln 2 times one's variance.
        typical = float(np.median(ratios)) if ratios.size else 0.0
        noise[kind] = max(typical / (2 * np.log(2)), 1e-12)
        energy = ratios.max(axis=1, initial=0.0) / noise[kind] / 2
        energy = SOFT_ENERGY * np.log1p(energy / SOFT_ENERGY)
        energies[kind] = energy - energy.mean() if steps else energy
    return Background(standing.samples, standing.trust, noise, energies)
