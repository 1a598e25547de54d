"""Loudness as ITU-R BS.1770 defines it: of a whole sound with gates, and of short ones without.

Nothing is filtered: the power of each tenth of a second is summed over its spectrum, each frequency
with the weight that the filter would give it.  That is quicker than filtering, scipy is not needed,
and it differs from filters by less than meters may differ from each other.

References
----------
Recommendation ITU-R BS.1770-5 (2023), annex 1.  The filters at other rates than 48 kHz follow from
the analogue prototypes that give its tables 1 and 2 at 48 kHz.
"""

from __future__ import annotations

import math

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.timeline import to_samples

# Prototypes of the two stages; at 48 kHz they give the tables to 1e-12.
_SHELF_HZ, _SHELF_DB, _SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
_SHELF_BAND = 0.4996667741545416
_HIGH_PASS_HZ, _HIGH_PASS_Q = 38.13547087602444, 0.5003270373238773

# Annex 1, equation 2.
OFFSET_DB = -0.691

# Annex 1: blocks of 400 ms that overlap by three quarters, and the two gates.
_STEP_S, _STEPS_IN_BLOCK = 0.1, 4
_ABSOLUTE_GATE_LUFS, _RELATIVE_GATE_LU = -70.0, -10.0

# Steps whose spectra are made at a time: they stay in the processor's cache.
_TOGETHER = 16


def k_filter(sample_rate: int) -> Floats:
    """Return the K-weighting as second-order sections, shape (2, 6).

    Examples
    --------
    >>> [round(float(value), 6) for value in k_filter(48_000)[0]]
    [1.535125, -2.691696, 1.198393, 1.0, -1.690659, 0.732481]
    """
    turn = math.tan(math.pi * _SHELF_HZ / sample_rate)
    high, band = 10 ** (_SHELF_DB / 20), 10 ** (_SHELF_DB * _SHELF_BAND / 20)
    square, slope = turn * turn, turn / _SHELF_Q
    norm = 1 + slope + square
    shelf = [
        (high + band * slope + square) / norm,
        2 * (square - high) / norm,
        (high - band * slope + square) / norm,
        1.0,
        2 * (square - 1) / norm,
        (1 - slope + square) / norm,
    ]
    turn = math.tan(math.pi * _HIGH_PASS_HZ / sample_rate)
    square, slope = turn * turn, turn / _HIGH_PASS_Q
    norm = 1 + slope + square
    high_pass = [1.0, -2.0, 1.0, 1.0, 2 * (square - 1) / norm, (1 - slope + square) / norm]
    return np.array([shelf, high_pass])


def k_gains(frequencies_hz: Floats, sample_rate: int) -> Floats:
    """Return by how much the K-weighting changes the amplitude of tones, shape (frequencies,)."""
    z = np.exp(-2j * np.pi * np.asarray(frequencies_hz) / sample_rate)
    gains = np.ones(len(z))
    for b0, b1, b2, _, a1, a2 in k_filter(sample_rate):
        gains = gains * np.abs((b0 + b1 * z + b2 * z * z) / (1 + a1 * z + a2 * z * z))
    return gains


def k_energy(samples: Audio, sample_rate: int) -> float:
    """Return the K-weighted energy of a short sound: its sum of squares, what rings on included."""
    size = 1 << (samples.size + to_samples(_STEP_S, sample_rate)).bit_length()
    weights = _weights(size, sample_rate)
    return float(np.dot(np.abs(np.fft.rfft(samples.astype(np.float64), size)) ** 2, weights))


def _weights(size: int, sample_rate: int) -> Floats:
    """Return by what to multiply the power of a spectrum, so that it adds up to the energy."""
    frequencies_hz = np.asarray(np.fft.rfftfreq(size, 1 / sample_rate), np.float64)
    gains = k_gains(frequencies_hz, sample_rate)
    # Parseval's theorem: all frequencies but the first and last stand for their mirror too.
    weights = 2 * gains**2 / size
    weights[[0, -1]] /= 2
    return weights


class LoudnessMeter:
    """Measures the integrated loudness of a mono sound that comes in blocks.

    Parameters
    ----------
    sample_rate : int
        In Hz.
    """

    def __init__(self, sample_rate: int) -> None:
        # Even, so that the last frequency has no mirror.
        self._step = 2 * (to_samples(_STEP_S, sample_rate) // 2)
        self._weights = _weights(self._step, sample_rate).astype(np.float32)
        self._left = np.zeros(0, np.float32)
        self._energies: list[Floats] = []

    def __call__(self, samples: Audio) -> None:
        """Take the next block, shape (samples,)."""
        joined = np.concatenate((self._left, samples)) if self._left.size else samples
        whole = joined.size - joined.size % self._step
        steps = joined[:whole].reshape(-1, self._step)
        for first in range(0, len(steps), _TOGETHER):
            spectra = np.fft.rfft(steps[first : first + _TOGETHER], axis=1)
            powers = spectra.real**2 + spectra.imag**2
            self._energies.append((powers @ self._weights).astype(np.float64))
        self._left = joined[whole:].copy()

    def integrated_lufs(self) -> float | None:
        """Return the loudness with both gates; None if nothing lies above -70 LUFS."""
        steps = np.concatenate(self._energies) if self._energies else np.zeros(0)
        if steps.size < _STEPS_IN_BLOCK:
            return None
        blocks = np.convolve(steps, np.ones(_STEPS_IN_BLOCK), "valid")
        powers = blocks / (_STEPS_IN_BLOCK * self._step)
        powers = powers[powers > _power(_ABSOLUTE_GATE_LUFS)]
        if not powers.size:
            return None
        gate = powers.mean() * 10 ** (_RELATIVE_GATE_LU / 10)
        return lufs(float(powers[powers > gate].mean()))


def lufs(power: float) -> float:
    """Return the loudness of one channel of a K-weighted mean power above 0."""
    return OFFSET_DB + 10 * math.log10(power)


def _power(loudness_lufs: float) -> float:
    """Return the K-weighted mean power of a loudness."""
    return float(10 ** ((loudness_lufs - OFFSET_DB) / 10))
