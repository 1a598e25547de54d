"""The highest level of a sound between its samples too.

References
----------
Recommendation ITU-R BS.1770-5 (2023), annex 2: four times as many samples.
"""

from __future__ import annotations

import numpy as np

from syncvid.arrays import Audio

# Between two samples lie three more, each a sum of so many samples around.
_TIMES, _TAPS = 4, 24
_WINDOW_BETA = 6.0

# Looked at in pieces of so many samples.
_PIECE = 256

# A wave of up to a quarter of the sample rate lies at most this much above its samples: 1/cos(45
# degrees).  Pieces whose samples stay further below the highest one are not looked at closely.
_MOST_ABOVE = 1.4143

# Pieces that are looked at together.
_TOGETHER = 256


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
    # A window of samples gives the values between its two middle ones.
    around = np.arange(-_TAPS // 2, _PIECE + _TAPS // 2)
    kernels = _kernels()
    between = peak
    for first in range(0, near.size, _TOGETHER):
        at = near[first : first + _TOGETHER, np.newaxis] * _PIECE + around
        inside = (at >= 0) & (at < samples.size)
        pieces = samples[np.clip(at, 0, samples.size - 1)] * inside
        windows = np.lib.stride_tricks.sliding_window_view(pieces, _TAPS, axis=1)
        between = max(between, float(np.abs(windows @ kernels).max()))
    return between


def _highest(samples: Audio) -> Audio:
    """Return the highest magnitude of each piece, shape (pieces,)."""
    whole = samples.size - samples.size % _PIECE
    pieces = samples[:whole].reshape(-1, _PIECE)
    rest = samples[whole:]
    tops = np.maximum(pieces.max(axis=1), -pieces.min(axis=1)) if whole else np.zeros(0, np.float32)
    return np.append(tops, np.abs(rest).max() if rest.size else 0.0).astype(np.float32)


def _kernels() -> Audio:
    """Return what interpolates a quarter, a half and three quarters on, shape (taps, 3)."""
    at = np.arange(_TAPS) - (_TAPS // 2 - 1)
    distance = at[:, np.newaxis] - np.arange(1, _TIMES) / _TIMES
    arch = np.sqrt(np.clip(1 - (distance / (_TAPS / 2)) ** 2, 0, 1))
    kernels = np.sinc(distance) * np.i0(_WINDOW_BETA * arch) / np.i0(_WINDOW_BETA)
    return np.asarray(kernels / kernels.sum(axis=0), np.float32)
