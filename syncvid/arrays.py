"""The arrays that cross borders between rooms, and the checks at their doors.

Sound that is kept or written is ``(channels, samples)`` float32; mono sound for analysis is
``(samples,)`` float32.  Both are nominally within -1 to 1.  A picture in the hot path is a tuple of
three uint8 planes Y, U, V (4:2:0, BT.709, limited range).
"""

from __future__ import annotations

import ctypes
import sys
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from syncvid.errors import SignalError

Audio: TypeAlias = NDArray[np.float32]
"""Sound, ``(channels, samples)``, or ``(samples,)`` for analysis; the docstring says which."""

Floats: TypeAlias = NDArray[np.float64]
"""Times, lags and sums, in double precision."""

Integers: TypeAlias = NDArray[np.int32]
"""Samples as whole numbers, as they are written to files; the docstring says which bits count."""

Plane: TypeAlias = NDArray[np.uint8]
"""One plane of a picture, ``(height, width)``."""

Planes: TypeAlias = tuple[Plane, Plane, Plane]
"""Y, U and V; the last two have half the height and width of the first."""


@dataclass(frozen=True, slots=True)
class Sound:
    """Samples with their rate, so that the two never part.

    Attributes
    ----------
    samples : ndarray, shape (channels, samples), float32
        The sound; time runs along the last axis.
    sample_rate : int
        Samples per second, in Hz.
    """

    samples: Audio
    sample_rate: int

    def __post_init__(self) -> None:
        if self.samples.ndim != 2 or self.samples.dtype != np.float32:
            raise SignalError(
                f"Sound is (channels, samples) float32, not {self.samples.dtype} of shape "
                f"{self.samples.shape}."
            )
        if self.sample_rate <= 0:
            raise SignalError(f"A sample rate of {self.sample_rate} Hz is impossible.")

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return float(self.samples.shape[-1] / self.sample_rate)

    def mono(self) -> Audio:
        """Return the mean of the channels, shape (samples,)."""
        return np.asarray(self.samples.mean(axis=0), dtype=np.float32)


_C_LIBRARY = ctypes.CDLL(None) if sys.platform == "linux" else None


def check_mono(samples: Audio, *, name: str = "samples") -> Audio:
    """Return mono samples ready for analysis, or say what is wrong with them.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
        Any float type; finite.
    name : str
        What to call the array in the message.

    Returns
    -------
    ndarray, shape (samples,), float32

    Raises
    ------
    SignalError
        Wrong number of dimensions, or values that are not finite.
    """
    array = np.asarray(samples, dtype=np.float32)
    if array.ndim != 1:
        raise SignalError(f"{name} must be mono, shape (samples,), not {array.shape}.")
    if not np.isfinite(array).all():
        raise SignalError(f"{name} holds values that are not finite.")
    return array


def give_back_memory() -> None:
    """Return what was freed to the system, where the system's allocator can be asked to.

    Large arrays of changing size leave holes that the GNU C library keeps: twenty clips of four
    minutes then occupy a third more than they need.  Elsewhere this does nothing.
    """
    trim = getattr(_C_LIBRARY, "malloc_trim", None)
    if trim is not None:
        trim(0)
