"""What the steps of a mix ask of a sound before they touch it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from syncvid.errors import SignalError

if TYPE_CHECKING:
    from syncvid.arrays import Audio


def check_stem(samples: Audio, *, sample_rate: int) -> None:
    """Say what is wrong with a stem.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        One or two channels, finite; any length, nothing at all included.
    sample_rate : int
        In Hz.

    Raises
    ------
    SignalError
        Another shape or type, values that are not finite, or a sample rate below 1.
    """
    peak_of(samples)
    if sample_rate <= 0:
        raise SignalError(f"A sample rate of {sample_rate} Hz is impossible.")


def check_mix(samples: Audio) -> None:
    """Raise `SignalError` unless a sound has shape (2, samples), float32, all of it finite."""
    _checked_peak(samples, (2,), "mix")


def peak_of(samples: Audio) -> float:
    """Return the highest sample of a stem, after a look at its shape and values.

    Parameters
    ----------
    samples : ndarray, shape (1 or 2, samples), float32

    Returns
    -------
    float
        0 for silence and for no samples.

    Raises
    ------
    SignalError
        Another shape or type, or values that are not finite.
    """
    return _checked_peak(samples, (1, 2), "stem")


def _checked_peak(samples: Audio, channels: tuple[int, ...], name: str) -> float:
    """Return the highest sample, or say what is wrong."""
    if samples.ndim != 2 or samples.shape[0] not in channels or samples.dtype != np.float32:
        raise SignalError(
            f"A {name} is ({' or '.join(map(str, channels))}, samples) float32, "
            f"not {samples.dtype} of shape {samples.shape}."
        )
    # Extremes carry what is not finite, and need no array of their own.
    extremes = (float(samples.max(initial=0.0)), -float(samples.min(initial=0.0)))
    if not all(map(math.isfinite, extremes)):
        raise SignalError(f"The {name} holds values that are not finite.")
    return max(extremes)
