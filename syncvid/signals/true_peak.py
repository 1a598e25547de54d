"""The highest level of a sound between its samples too.

References
----------
Recommendation ITU-R BS.1770-5 (2023), annex 2: four times as many samples.
"""

from __future__ import annotations

import numpy as np

from syncvid.arrays import Audio
from syncvid.lazily import signal

_TIMES = 4

# Looked at in pieces of so many samples; so many around each keep its ends right.
_PIECE, _AROUND = 256, 64

# A wave of up to a quarter of the sample rate lies at most this much above its samples: 1/cos(45
# degrees).  Pieces whose samples stay further below the highest one are not looked at closely.
_MOST_ABOVE = 1.4143

# Pieces that are looked at together.
_TOGETHER = 2048


def true_peak(samples: Audio) -> float:
    """Return the highest magnitude of a mono sound, between its samples too.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        With next to nothing above a quarter of the sample rate.

    Returns
    -------
    float
        0 for silence.
    """
    highest = _highest(samples)
    peak = float(highest.max(initial=0.0))
    near = np.flatnonzero(highest * _MOST_ABOVE > peak)
    around = np.arange(-_AROUND, _PIECE + _AROUND)
    between = peak
    for first in range(0, near.size, _TOGETHER):
        at = near[first : first + _TOGETHER, np.newaxis] * _PIECE + around
        inside = (at >= 0) & (at < samples.size)
        pieces = samples[np.clip(at, 0, samples.size - 1)] * inside
        finer = signal.resample_poly(pieces, _TIMES, 1, axis=1)
        # Cut-off waves ring at the ends.
        finer = finer[:, _TIMES * _AROUND : -_TIMES * _AROUND]
        between = max(between, float(np.abs(finer).max()))
    return between


def _highest(samples: Audio) -> Audio:
    """Return the highest magnitude of each piece, shape (pieces,)."""
    whole = samples.size - samples.size % _PIECE
    pieces = samples[:whole].reshape(-1, _PIECE)
    rest = samples[whole:]
    tops = np.maximum(pieces.max(axis=1), -pieces.min(axis=1)) if whole else np.zeros(0, np.float32)
    return np.append(tops, np.abs(rest).max() if rest.size else 0.0).astype(np.float32)
