"""What every step of cleaning asks of a stem before it touches it."""

from __future__ import annotations

import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import SignalError


def check_stem(samples: Audio, sample_rate: int) -> Audio:
    """Return a stem ready for cleaning, or say what is wrong with it.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples)
        One or two channels, finite; any length, nothing at all included.
    sample_rate : int
        In Hz.

    Returns
    -------
    ndarray, shape (channels, samples), float32
        The same array where it already is float32.

    Raises
    ------
    SignalError
        Another shape, values that are not finite, or an impossible rate.
    """
    array = np.asarray(samples, dtype=np.float32)
    if array.ndim != 2 or array.shape[0] not in (1, 2):
        raise SignalError(
            f"A stem is (channels, samples) with one or two channels, not of shape {array.shape}."
        )
    if sample_rate <= 0:
        raise SignalError(f"A sample rate of {sample_rate} Hz is impossible.")
    # The sum of finite samples is finite; only where it is not need each one be looked at.
    if not np.isfinite(array.sum(dtype=np.float64)) and not np.isfinite(array).all():
        raise SignalError("The stem holds values that are not finite.")
    return array
