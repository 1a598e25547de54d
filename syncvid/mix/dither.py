"""From floats to whole numbers of 24 bits, with the dither that makes the error plain noise.

References
----------
Lipshitz, Wannamaker and Vanderkooy (1992), Quantization and dither: a theoretical survey, Journal
of the Audio Engineering Society 40: with triangular dither of two steps from end to end, mean and
power of the total error do not depend on the signal; its power is a quarter of a step squared.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from syncvid.errors import SignalError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from syncvid.arrays import Audio

# The step is full scale over 2 ** 23; the number stands in the upper three bytes of four.
_FULL_SCALE = 1 << 23
_LEFT = 256

# So many samples without sound are silence, and get no dither; fewer are the sound crossing zero.
_SILENT_SAMPLES = 48

# Samples at a time; part of what a seed gives, so it is not to be changed lightly.
_TOGETHER = 1 << 16


def to_24_bit(samples: Audio, *, seed: int = 0) -> NDArray[np.int32]:
    """Round a sound to 24 bits with triangular dither of one step each way.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        What exceeds full scale is clipped.
    seed : int
        Of the dither: the same seed and sound give the same numbers.

    Returns
    -------
    ndarray, shape (channels, samples), int32
        The 24 bits in the upper three bytes, the lowest byte 0, as writers of 24-bit files take
        them.  Digital silence of 48 samples and more, in all channels at once, stays silence.

    Raises
    ------
    SignalError
        Not two dimensions, or values that are not finite.
    """
    if samples.ndim != 2:
        raise SignalError(f"A sound is (channels, samples), not of shape {samples.shape}.")
    whole = np.zeros(samples.shape, np.int32)
    heard = ~_silent(samples)
    random = np.random.Generator(np.random.SFC64(seed))
    for first in range(0, samples.shape[1], _TOGETHER):
        block = slice(first, first + _TOGETHER)
        part = samples[:, block]
        if not np.isfinite(part).all():
            raise SignalError("The sound holds values that are not finite.")
        # Two uniform numbers make a triangle; double precision, since float32 has no digits left
        # below the step of a loud sample.
        values = random.random(part.shape)
        values -= random.random(part.shape)
        values += part * float(_FULL_SCALE)
        np.rint(values, out=values)
        np.clip(values, -_FULL_SCALE, _FULL_SCALE - 1, out=values)
        values *= _LEFT
        np.multiply(values, heard[block], out=whole[:, block], casting="unsafe")
    return whole


def _silent(samples: Audio) -> NDArray[np.bool_]:
    """Return which samples belong to a silence long enough, shape (samples,)."""
    silent = ~samples.any(axis=0)
    ends = np.flatnonzero(np.diff(silent)) + 1
    lengths = np.diff(np.concatenate(([0], ends, [silent.size])))
    return silent & np.repeat(lengths >= _SILENT_SAMPLES, lengths)
