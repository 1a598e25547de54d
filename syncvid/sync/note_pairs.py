"""Notes of a clip paired with the same notes in a reference, and by how much they differ.

Each attack of the clip, with the bands in which it rises, is laid over the reference around the
place where it should be.  Plain magnitudes are compared, not compressed ones: of several players
who begin a chord together the loudest counts in each band, not the first.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.lazily import ndimage
from syncvid.signals.notes import HOP_S, NoteBands
from syncvid.signals.peaks import fit_parabola

# Slow music has a note every five seconds; what is less than this share of the strongest so many
# attacks is vibrato, breath or noise.
FEWEST_PER_S = 0.2
LEAST_ATTACK = 0.4

# Attacks closer than this are one, in hops.
APART_HOPS = 6

# An attack is compared over so many hops to either side, and looked for so far off its place.
PATCH_HOPS = 5
REACH_HOPS = 15

# Notes lie around their common lag like this, in hops: jitter of both takes, and free tempo.
AROUND_HOPS = 6.0

# A pair lies at most this far off the common lag, and is at least so alike: unrelated attacks are
# alike by 0.1 to 0.2.
MOST_OFF_HOPS = 8.0
LEAST_ALIKE = 0.25

# The standard error of a median is this times that of a mean, for normal errors.
MEDIAN_ERROR = 1.25
TO_DEVIATION = 1.4826


@dataclass(frozen=True, slots=True)
class NotePairs:
    """The notes of a clip, and where each is found in the reference.

    Attributes
    ----------
    clip_s : ndarray, shape (notes,), float64
        When each note begins in the clip; only notes that meet the reference.
    lag_s : ndarray, shape (notes,), float64
        Reference minus clip, note by note.
    alike : ndarray, shape (notes,), float64
        Similarity of the attack there, 0 to 1.
    matched : ndarray, shape (notes,), bool
        Whether the note was found.
    """

    clip_s: Floats = field(repr=False)
    lag_s: Floats = field(repr=False)
    alike: Floats = field(repr=False)
    matched: NDArray[np.bool_] = field(repr=False)

    @property
    def count(self) -> int:
        """Notes that were found."""
        return int(self.matched.sum())

    @property
    def length_s(self) -> float:
        """Seconds from the first to the last note that was found."""
        return float(np.ptp(self.clip_s[self.matched])) if self.count else 0.0

    @property
    def median_s(self) -> float:
        """The median lag of the notes that were found; not a number if there is none."""
        return float(np.median(self.lag_s[self.matched])) if self.count else float("nan")

    @property
    def spread_s(self) -> float:
        """Robust standard deviation of their lags; infinite for fewer than three notes."""
        if self.count < 3:
            return float("inf")
        return float(TO_DEVIATION * np.median(np.abs(self.lag_s[self.matched] - self.median_s)))

    @property
    def error_s(self) -> float:
        """Standard error of their median; infinite for fewer than three notes."""
        # Lags are read in hops, so that the spread may come out as nothing.
        spread_s = max(self.spread_s, HOP_S)
        return MEDIAN_ERROR * spread_s / float(np.sqrt(max(self.count, 1)))


def pair_notes(clip: NoteBands, reference: NoteBands, lag_hops: int) -> NotePairs:
    """Find the notes of a clip in a reference, near a lag.

    Parameters
    ----------
    clip, reference : NoteBands
        From `find_notes`.
    lag_hops : int
        Reference minus clip, good to some 50 ms.

    Returns
    -------
    NotePairs
        Empty if no note meets the reference.
    """
    at = find_attacks(clip.attacks)
    at = at[(at + lag_hops >= 0) & (at + lag_hops < len(reference))]
    if not len(at):
        nothing = np.zeros(0)
        return NotePairs(nothing, nothing, nothing, np.zeros(0, np.bool_))
    heights, alike = _overlay(clip.strokes, reference.strokes, at, lag_hops)
    off = np.arange(-REACH_HOPS, REACH_HOPS + 1)
    each = heights / (heights.max(axis=1, keepdims=True) + 1e-12)
    common = off[np.argmax(ndimage.gaussian_filter1d(each.sum(axis=0), 2.0))]
    near = np.exp(-0.5 * ((off - common) / AROUND_HOPS) ** 2)
    best = np.clip((heights * near).argmax(axis=1), 1, len(off) - 2)
    rows = np.arange(len(at))
    top = fit_parabola(*(heights[rows, best + step] for step in (-1, 0, 1)))
    lags = off[best] + top.positions
    found = np.minimum(alike[rows, best], 1.0)
    matched = (np.abs(lags - common) <= MOST_OFF_HOPS) & (found >= LEAST_ALIKE)
    lag_s = np.asarray((lag_hops + lags) * HOP_S, np.float64)
    return NotePairs(np.asarray(at * HOP_S, np.float64), lag_s, found, matched)


def find_attacks(attacks: Audio) -> NDArray[np.int64]:
    """Return the hops at which notes begin.

    Parameters
    ----------
    attacks : ndarray, shape (hops, bands), float32
        From `find_notes`.

    Returns
    -------
    ndarray, shape (notes,), int64
    """
    strength = np.sqrt(np.square(attacks).sum(axis=1))
    highest = ndimage.maximum_filter1d(strength, 2 * APART_HOPS + 1)
    at = np.flatnonzero((strength == highest) & (strength > 0))
    at = at[(at > PATCH_HOPS) & (at < len(attacks) - PATCH_HOPS - 1)]
    if not len(at):
        return at
    strongest = np.sort(strength[at])[::-1]
    usual = strongest[min(len(at) - 1, int(FEWEST_PER_S * len(attacks) * HOP_S))]
    return np.asarray(at[strength[at] > LEAST_ATTACK * usual], np.int64)


def _overlay(
    clip: Audio, reference: Audio, at: NDArray[np.int64], lag_hops: int
) -> tuple[Floats, Floats]:
    """Return products and similarities of each attack with the reference, shape (notes, lags)."""
    patch = np.arange(-PATCH_HOPS, PATCH_HOPS + 1)
    ours = clip[at[:, None] + patch]
    ours = ours / (np.sqrt(np.square(ours).sum(axis=(1, 2), keepdims=True)) + 1e-12)
    edge = REACH_HOPS + PATCH_HOPS + 1
    theirs = np.pad(reference, ((edge, edge), (0, 0)))
    energy = np.convolve(np.square(theirs).sum(axis=1), np.ones(len(patch)), "same")
    least = 0.2 * np.sqrt(np.median(energy))
    heights = np.zeros((len(at), 2 * REACH_HOPS + 1))
    alike = np.zeros_like(heights)
    for column, off in enumerate(range(-REACH_HOPS, REACH_HOPS + 1)):
        there = at + lag_hops + off + edge
        heights[:, column] = np.einsum("nhb,nhb->n", ours, theirs[there[:, None] + patch])
        alike[:, column] = heights[:, column] / (np.sqrt(energy[there]) + least + 1e-12)
    return heights, alike
