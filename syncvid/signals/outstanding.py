"""Making a known, quiet sound stand out from louder ones over it.

A sound that is known and searched for in coloured noise is found best by a correlation in which
each cell of a short-time spectrum is divided by the *power* of the noise there (the generalised
matched filter; dividing by the magnitude, as whitening does, is the best choice only where the
known sound is coloured like the noise).  Here the noise is the player: tones, which leave gaps
between them, and rests.  The power of a cell is read over a third of a second in the geometric
mean, which a click that is shorter by far does not lift; a cell that surpasses it by much is an
attack of the player, and is taken back.

References
----------
H. L. Van Trees, Detection, Estimation, and Modulation Theory, part I (1968), section 4.3: known
signals in coloured noise.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio
from syncvid.lazily import fft, ndimage

# Length of one spectrum, in samples at 16 kHz: 64 ms tell the overtones of most instruments apart.
# Measured on the summed evidence of 47 leaks, 32 ms gave 6 % less, 128 ms 1 % less.
SIZE = 1024
STEPS = 4
HOP = SIZE // STEPS

# Half of the time over which the power of a cell is read, in seconds (0.15 gave 10 % less), and the
# exponent of the mean: 1 is the mean power, 0 the geometric mean.
SMOOTH_S = 0.3
MEAN_EXPONENT = 0.1

# A cell that has this many times the power around it counts for half.
ATTACK_POWER = 50.0

# Cells this far below the loud passages are on the floor.
FLOOR_DB = -60.0
LOUD_PERCENTILE = 90.0
SILENT_POWER = 1e-9

# A cell holds something short if its power is well above so many times that around it; far above,
# it is left untouched.
DRONE_POWER = 4.0
DRONE_FREE = 0.05

# Spectra worked on at a time.
BLOCK = 1024


@dataclass(frozen=True, slots=True)
class Outstanding:
    """A sound in which quiet, short sounds stand out.

    Attributes
    ----------
    samples : ndarray, shape (samples,), float32
        The sound with each cell divided by the power around it.
    trust : ndarray, shape (hops, profiles), float32
        For each profile, the mean of one over the power, weighted by the profile: the energy that
        a correlation with a sound of this profile has if the sound is there with amplitude 1.
    """

    samples: Audio = field(repr=False)
    trust: Audio = field(repr=False)


def stand_out(samples: Audio, profiles: Audio, *, sample_rate: int) -> Outstanding:
    """Divide each cell of a sound by the power around it.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound.
    profiles : ndarray, shape (profiles, SIZE // 2 + 1), float32
        Energy per bin of the sounds that are searched for.
    sample_rate : int
        Its rate in Hz.

    Returns
    -------
    Outstanding
        Of as many samples; trust at hop h holds around sample h * `HOP`.  All zeros for silence.
    """
    length = len(samples)
    hops = -(-length // HOP) + STEPS
    padded = np.zeros((hops + STEPS) * HOP, np.float32)
    padded[SIZE : SIZE + length] = samples
    window = np.sqrt(np.hanning(SIZE + 1)[:-1]).astype(np.float32)
    reach = round(SMOOTH_S * sample_rate / HOP)
    floor = _floor(padded, window, hops)
    out = np.zeros((hops + STEPS, HOP), np.float32)
    trust = np.zeros((hops, len(profiles)), np.float32)
    if floor <= SILENT_POWER:
        return Outstanding(np.zeros(length, np.float32), trust[: _kept(length)])
    back = window * np.float32(2.0 / STEPS)
    for first in range(0, hops, BLOCK):
        last = min(first + BLOCK, hops)
        before, after = max(0, first - reach), min(hops, last + reach)
        spectra = _spectra(padded, window, before, after)
        power = spectra.real**2 + spectra.imag**2 + floor
        around = ndimage.uniform_filter1d(power**MEAN_EXPONENT, 2 * reach + 1, axis=0)
        inner = slice(first - before, last - before)
        weights = 1.0 / (around[inner] ** (1 / MEAN_EXPONENT) + power[inner] / ATTACK_POWER)
        trust[first:last] = weights @ profiles.T
        pieces = fft.irfft(spectra[inner] * weights, SIZE, axis=1) * back
        for step in range(STEPS):
            out[first + step : last + step] += pieces[:, step * HOP : (step + 1) * HOP]
    # Spectrum h begins at sample h * HOP - SIZE and has its middle half a size later.
    shifted = trust[STEPS // 2 :]
    return Outstanding(out.reshape(-1)[SIZE : SIZE + length], shifted[: _kept(length)])


def without_drone(samples: Audio, *, sample_rate: int) -> Audio:
    """Take out of a sound what stays the same for longer than half a second.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound.
    sample_rate : int
        Its rate in Hz.

    Returns
    -------
    ndarray, shape (samples,), float32
        What is short; what stands alone in silence is left as it is.
    """
    length = len(samples)
    hops = -(-length // HOP) + STEPS
    padded = np.zeros((hops + STEPS) * HOP, np.float32)
    padded[SIZE : SIZE + length] = samples
    window = np.sqrt(np.hanning(SIZE + 1)[:-1]).astype(np.float32)
    reach = round(SMOOTH_S * sample_rate / HOP)
    out = np.zeros((hops + STEPS, HOP), np.float32)
    for first in range(0, hops, BLOCK):
        last = min(first + BLOCK, hops)
        before, after = max(0, first - reach), min(hops, last + reach)
        spectra = _spectra(padded, window, before, after)
        power = spectra.real**2 + spectra.imag**2 + np.float32(SILENT_POWER)
        around = ndimage.uniform_filter1d(power**MEAN_EXPONENT, 2 * reach + 1, axis=0)
        inner = slice(first - before, last - before)
        steady = DRONE_POWER * around[inner] ** (1 / MEAN_EXPONENT) / power[inner]
        gains = np.where(steady < DRONE_FREE, 1.0, np.clip(1.0 - steady, 0.0, 1.0))
        pieces = fft.irfft(spectra[inner] * gains, SIZE, axis=1) * window * (2.0 / STEPS)
        for step in range(STEPS):
            out[first + step : last + step] += pieces[:, step * HOP : (step + 1) * HOP]
    return out.reshape(-1)[SIZE : SIZE + length]


def _kept(length: int) -> int:
    """Return how many hops begin within a sound."""
    return -(-length // HOP)


def _spectra(padded: Audio, window: Audio, first: int, last: int) -> NDArray[np.complex64]:
    """Return the spectra from one number up to another."""
    stretch = padded[first * HOP : (last - 1) * HOP + SIZE]
    pieces = np.lib.stride_tricks.sliding_window_view(stretch, SIZE)[::HOP]
    return np.asarray(fft.rfft(pieces * window, axis=1), np.complex64)


def _floor(padded: Audio, window: Audio, hops: int) -> float:
    """Return the power below which a cell counts as silence."""
    powers = []
    for first in range(0, hops, BLOCK):
        spectra = _spectra(padded, window, first, min(first + BLOCK, hops))
        powers.append((spectra.real**2 + spectra.imag**2).mean(axis=1))
    loud = float(np.percentile(np.concatenate(powers), LOUD_PERCENTILE))
    return loud * 10 ** (FLOOR_DB / 10) + SILENT_POWER
