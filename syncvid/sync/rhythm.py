"""A place by musical timing alone: another take of the same music, or notes against clicks.

Players differ by tens of milliseconds from take to take, so that no place found here is ever sure;
it is a proposal for an ear, given only where it clearly stands out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from syncvid.arrays import Audio, Floats
from syncvid.signals.onsets import HOP_S

# Two places closer than this are the same beat, in hops.
APART_HOPS = 12

# Windows of ten seconds hold a phrase; they overlap by half.
WINDOW_HOPS = 1000

# A window agrees if fewer than this share of all places fits it better than the best one within
# 80 ms; players and takes differ by less.
BEST_SHARE = 0.002
NEAR_HOPS = 8

# At least this share of both sounds' onsets must meet at a place.
LEAST_SHARE = 0.3


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How two sounds fit by their onsets.

    Attributes
    ----------
    offset_s : float
        Offset of the best place.
    strength : float
        Its evidence in robust standard deviations over all places.
    rival_s, rival : float
        Offset of the next best place, and its evidence.
    agreeing, windows : int
        Windows whose own best places include this one; windows that meet the reference.
    """

    offset_s: float
    strength: float
    rival_s: float = 0.0
    rival: float = 0.0
    agreeing: int = 0
    windows: int = 0


def compare_onsets(clip: Audio, reference: Audio) -> Rhythm:
    """Find where a clip's onsets fit a reference's best.

    Parameters
    ----------
    clip, reference : ndarray, shape (hops, bands), float32
        From `find_onsets`.

    Returns
    -------
    Rhythm
        With a strength of 0 if one of them has no onsets.
    """
    if not clip.any() or not reference.any():
        return Rhythm(0.0, 0.0)
    scores = _scores(clip, reference)
    middle = float(np.median(scores))
    # 1.4826: median absolute deviation to standard deviation of a normal distribution.
    spread = 1.4826 * float(np.median(np.abs(scores - middle)))
    best = int(np.argmax(scores))
    left = scores.copy()
    left[max(0, best - APART_HOPS) : best + APART_HOPS + 1] = -np.inf
    rival = int(np.argmax(left))
    if spread <= 0.0:
        return Rhythm(0.0, 0.0)
    agreeing, windows = _count_windows(clip, reference, best - len(clip))
    return Rhythm(
        (best - len(clip)) * HOP_S,
        (float(scores[best]) - middle) / spread,
        (rival - len(clip)) * HOP_S,
        (float(scores[rival]) - middle) / spread,
        agreeing,
        windows,
    )


def _count_windows(clip: Audio, reference: Audio, lag: int) -> tuple[int, int]:
    """Return how many windows agree on a lag in hops, and how many meet the reference there."""
    size = int(fft.next_fast_len(2 * WINDOW_HOPS + len(reference), real=True))
    whole = fft.rfft(reference, size, axis=0)
    agreeing = windows = 0
    for start in range(0, max(1, len(clip) - WINDOW_HOPS // 2), WINDOW_HOPS // 2):
        window = clip[start : start + WINDOW_HOPS]
        if not 0 <= start + lag + len(window) // 2 < len(reference) or not window.any():
            continue
        sums = fft.irfft((np.conj(fft.rfft(window, size, axis=0)) * whole).sum(axis=1), size)
        sums = np.concatenate((sums[size - WINDOW_HOPS :], sums[: len(reference)]))
        at = start + lag + WINDOW_HOPS
        height = sums[max(0, at - NEAR_HOPS) : at + NEAR_HOPS + 1].max(initial=0.0)
        agreeing += bool(height > 0 and np.mean(sums >= height) < BEST_SHARE)
        windows += 1
    return agreeing, windows


def _scores(clip: Audio, reference: Audio) -> Floats:
    """Return the correlation over all bands at every lag, relative to the onsets that meet."""
    size = int(fft.next_fast_len(len(clip) + len(reference), real=True))
    product = np.conj(fft.rfft(clip, size, axis=0)) * fft.rfft(reference, size, axis=0)
    sums = fft.irfft(product.sum(axis=1), size).astype(np.float64)
    sums = np.concatenate((sums[size - len(clip) :], sums[: len(reference)]))
    starts = np.arange(-len(clip), len(reference))
    under_clip = _energy(reference, starts, starts + len(clip))
    under_reference = _energy(clip, -starts, len(reference) - starts)
    return np.asarray(sums / np.sqrt(under_clip * under_reference), np.float64)


def _energy(onsets: Audio, starts: NDArray[np.int64], stops: NDArray[np.int64]) -> Floats:
    """Return the energy of stretches, but no less than `LEAST_SHARE` of the whole."""
    heaped = np.concatenate(([0.0], np.cumsum(np.square(onsets, dtype=np.float64).sum(axis=1))))
    inside = heaped[np.clip(stops, 0, len(onsets))] - heaped[np.clip(starts, 0, len(onsets))]
    return np.asarray(np.maximum(inside, LEAST_SHARE * heaped[-1]), np.float64)
