"""Steady tones made of partials, exact in pitch over any length, and quick.

A block of a tone is what an earlier block was, turned on: with the sines and cosines of one block
at hand, all others are a product of two small matrices.  The phase at each block's beginning is
reckoned from the beginning of time in double precision, so that no error adds up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.signals.loudness import k_gains

# Samples of a block, and blocks that are made at a time: 2 MB.
_BLOCK, _BLOCKS = 1024, 512

# What two tones must be apart that do not beat: slower beats than this are not heard as beats but
# as one tone and another, or as roughness (E. Zwicker and H. Fastl, Psychoacoustics, chapter on
# fluctuation strength: beats are heard up to some 20 Hz; from memory).
APART_HZ = 25.0

# Partials that differ by less are the same one but for the tuning: a sixth of a semitone.
_SAME = 0.01


@dataclass(frozen=True, slots=True)
class Partials:
    """The partials of a sound.

    Attributes
    ----------
    hz, amplitudes, turns : ndarray, shape (partials,), float64
        Frequencies, amplitudes, and phases at time 0 in turns.
    """

    hz: Floats
    amplitudes: Floats
    turns: Floats

    def power(self, sample_rate: int) -> float:
        """Return the K-weighted mean power."""
        weighted = self.amplitudes * k_gains(self.hz, sample_rate)
        return float(0.5 * np.dot(weighted, weighted))

    def at_power(self, power: float, sample_rate: int) -> Partials:
        """Return the same sound at another K-weighted mean power."""
        now = self.power(sample_rate)
        return (
            self if now <= 0 else replace(self, amplitudes=self.amplitudes * math.sqrt(power / now))
        )


def choose_partials(
    pitches_hz: Sequence[float], harmonics: Sequence[float], top_hz: float
) -> Partials:
    """Return harmonic partials of tones that sound together, none of which beats with another.

    A partial that comes closer than `APART_HZ` to one that is there already is left out: first
    come all first partials from the lowest note up, then all second ones, and so on.  Where both
    are meant to be the same (the octave's first and the lower note's second), the one that stays
    takes the strength of both.

    Parameters
    ----------
    pitches_hz : sequence of float
        The tones.
    harmonics : sequence of float
        Amplitude of each harmonic, the first one's first.
    top_hz : float
        Nothing sounds above.

    Returns
    -------
    Partials
        May be empty.
    """
    kept: list[list[float]] = []
    for number, amplitude in enumerate(harmonics, start=1):
        for pitch_hz in sorted(pitches_hz):
            hz = number * pitch_hz
            if hz > top_hz:
                continue
            nearest = min(kept, key=lambda other: abs(other[0] - hz), default=None)
            if nearest is None or abs(nearest[0] - hz) >= APART_HZ:
                # Phases that grow with the square keep the peak of the sum low (M. R. Schroeder,
                # IEEE Trans. Inf. Theory 16:85-89, 1970; from memory).
                kept.append([hz, amplitude, number * number / (2 * len(harmonics))])
            elif abs(nearest[0] - hz) < _SAME * hz:
                nearest[1] = math.hypot(nearest[1], amplitude)
    table = np.array(kept, np.float64).reshape(-1, 3)
    return Partials(table[:, 0], table[:, 1], table[:, 2])


class Tone:
    """A steady sound that can be added to another one.

    Parameters
    ----------
    partials : Partials
        What it is made of.
    sample_rate : int
        In Hz.
    """

    def __init__(self, partials: Partials, sample_rate: int) -> None:
        self._turns_each = partials.hz / sample_rate
        self._partials = partials
        angles = 2 * np.pi * self._turns_each[:, np.newaxis] * np.arange(_BLOCK)
        self._basis = np.concatenate((np.cos(angles), np.sin(angles))).astype(np.float32)

    def samples(self, first: int, count: int) -> Audio:
        """Return samples of the tone, shape (count,); sample 0 is the beginning of time."""
        starts = first + _BLOCK * np.arange(-(-count // _BLOCK))
        turns = np.outer(starts.astype(np.float64), self._turns_each) + self._partials.turns
        angles = 2 * np.pi * (turns % 1.0)
        amplitudes = self._partials.amplitudes
        factors = np.concatenate((amplitudes * np.sin(angles), amplitudes * np.cos(angles)), axis=1)
        out = factors.astype(np.float32) @ self._basis
        return np.asarray(out.reshape(-1)[:count], np.float32)

    def add(self, out: Audio, first: int, last: int, rise: int, fall: int) -> None:
        """Add the tone to a sound, with soft edges.

        Parameters
        ----------
        out : ndarray, shape (samples,), float32
            Changed in place.
        first, last : int
            Where the tone begins, and the sample after its end.
        rise, fall : int
            Samples in which it rises to its level and falls to nothing, within it.
        """
        up, down = edge(rise), edge(fall)[::-1]
        size = _BLOCK * _BLOCKS
        for begin in range(max(0, first), min(last, out.size), size):
            end = min(begin + size, last, out.size)
            block = self.samples(begin, end - begin)
            if begin < first + rise:
                part = up[begin - first : end - first]
                block[: part.size] *= part
            if end > last - fall:
                begin_fall = max(begin, last - fall)
                part = down[begin_fall - (last - fall) : end - (last - fall)]
                block[begin_fall - begin :] *= part
            out[begin:end] += block


@lru_cache(maxsize=64)
def edge(count: int) -> Audio:
    """Return a raised cosine that rises from 0 to 1, shape (count,); neither end is reached."""
    share = (np.arange(count) + 0.5) / max(1, count)
    rise = np.asarray(0.5 - 0.5 * np.cos(np.pi * share), np.float32)
    # Shared by all who ask.
    rise.flags.writeable = False
    return rise
