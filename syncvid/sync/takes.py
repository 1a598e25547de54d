"""Where the notes of a clip fit those of a reference: all lags at once.

The clip is another take of the music: nothing of its sound is in the reference, but its notes are,
pitch by pitch, some tens of milliseconds off.  Onsets and sounding tones are correlated; each is
measured in standard deviations over all lags, and both are added.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.lazily import fft
from syncvid.signals.notes import NoteBands

# At least this share of the reference's notes is taken to lie under the clip, so that a single
# chord at one end does not look like a perfect fit.
LEAST_SHARE = 0.3

# Two places closer than this are the same beat, in hops.
APART_HOPS = 12

# The clip is also tried in other keys, up to a fifth higher and lower; an octave has the same
# partials.
KEYS = tuple(range(-7, 8))

# Median absolute deviation to standard deviation of a normal distribution.
TO_DEVIATION = 1.4826


@dataclass(frozen=True, slots=True)
class Fits:
    """How well a clip fits at every lag.

    Attributes
    ----------
    scores : ndarray, shape (lags,), float64
        Evidence in robust standard deviations over all lags.
    first_lag_hops : int
        Lag of the first score; the others follow hop by hop.
    keys : dict of int to pair of float
        Semitones by which the reference lies higher, and the best and the next best score of any
        place in that key.
    """

    scores: Floats = field(repr=False)
    first_lag_hops: int
    keys: dict[int, tuple[float, float]]


def compare_takes(clip: NoteBands, reference: NoteBands) -> Fits:
    """Measure how well a clip's notes fit a reference's at every lag.

    Parameters
    ----------
    clip, reference : NoteBands
        From `find_notes`; neither of them silent.

    Returns
    -------
    Fits
        With lags from minus the length of the clip to the length of the reference.
    """
    pairs = ((clip.onsets, reference.onsets), (clip.tones, reference.tones))
    scores = {key: np.zeros(len(clip) + len(reference)) for key in KEYS}
    for ours, theirs in pairs:
        sums = _correlate(ours, theirs)
        under = np.sqrt(_energy_under(theirs, len(clip)))
        middle = np.median(sums[0] / under)
        spread = TO_DEVIATION * np.median(np.abs(sums[0] / under - middle)) + 1e-12
        for key in KEYS:
            scores[key] += (sums[key] / under - middle) / spread
    return Fits(scores[0], -len(clip), {key: _two_best(found) for key, found in scores.items()})


def _correlate(clip: Audio, reference: Audio) -> dict[int, Floats]:
    """Return the correlation over all bands at every lag, in every key."""
    size = int(fft.next_fast_len(len(clip) + len(reference), real=True))
    ours = np.conj(fft.rfft(np.ascontiguousarray(clip.T), size))
    theirs = fft.rfft(np.ascontiguousarray(reference.T), size)
    sums = {}
    for key in KEYS:
        up, down = max(0, key), max(0, -key)
        bands = len(ours) - up - down
        product = np.einsum("bf,bf->f", ours[down : down + bands], theirs[up : up + bands])
        circular = fft.irfft(product, size).astype(np.float64)
        sums[key] = np.concatenate((circular[size - len(clip) :], circular[: len(reference)]))
    return sums


def _energy_under(reference: Audio, length: int) -> Floats:
    """Return the energy of the reference under a clip at every lag, no less than a share of all."""
    starts = np.arange(-length, len(reference))
    heaped = np.concatenate(([0.0], np.cumsum(np.square(reference, dtype=np.float64).sum(axis=1))))
    stops = np.clip(starts + length, 0, len(reference))
    inside = heaped[stops] - heaped[np.clip(starts, 0, len(reference))]
    return np.asarray(np.maximum(inside, LEAST_SHARE * heaped[-1]), np.float64)


def _two_best(scores: Floats) -> tuple[float, float]:
    """Return the highest score, and the highest one apart from it."""
    best = int(np.argmax(scores))
    before, after = scores[: max(0, best - APART_HOPS)], scores[best + APART_HOPS + 1 :]
    return float(scores[best]), float(max(before.max(initial=0.0), after.max(initial=0.0)))


def best_lags(fits: Fits, count: int) -> NDArray[np.int64]:
    """Return the lags of the highest scores that lie apart, in hops, the best first.

    Parameters
    ----------
    fits : Fits
        From `compare_takes`.
    count : int
        How many at most.

    Returns
    -------
    ndarray, shape (lags,), int64
    """
    left = fits.scores.copy()
    lags = []
    for _ in range(count):
        best = int(np.argmax(left))
        if left[best] == -np.inf:
            break
        lags.append(best + fits.first_lag_hops)
        left[max(0, best - APART_HOPS) : best + APART_HOPS + 1] = -np.inf
    return np.array(lags, np.int64)
