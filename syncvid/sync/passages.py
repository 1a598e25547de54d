"""Passages of a clip that vote among places, each for the one that it fits best."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.signals.notes import NoteBands

# A passage holds a phrase; passages overlap by half.
PASSAGE_HOPS = 800
STEP_HOPS = 400

# A passage may lie this far off the place, as players are free in tempo; looked at in such steps.
FREE_HOPS = 8
FREE_STEP_HOPS = 2

# A passage with less than this share of the usual energy of onsets has no say.
QUIET_SHARE = 0.05

# A passage agrees with the best place if fewer than this share of the others fit it as well.
AGREES_SHARE = 0.05

# Doubt that is left where all passages prefer a place by the same amount, in similarity.
LEAST_ERROR = 0.02


@dataclass(frozen=True, slots=True)
class Passages:
    """How well each passage of a clip fits each of some places.

    Attributes
    ----------
    clip_hops : ndarray, shape (passages,), int64
        Their middles.
    similar : ndarray, shape (places, passages), float64
        Similarity of onsets and of tones, summed: 2 for the same notes, about 0 for others.
    off_hops : ndarray, shape (passages,), int64
        How far off the first place each passage fits best.
    heard : ndarray, shape (passages,), bool
        Whether a passage plays, and meets the reference at the first place.
    """

    clip_hops: NDArray[np.int64] = field(repr=False)
    similar: Floats = field(repr=False)
    off_hops: NDArray[np.int64] = field(repr=False)
    heard: NDArray[np.bool_] = field(repr=False)

    @property
    def count(self) -> int:
        """Passages that have a say."""
        return int(self.heard.sum())

    @property
    def agreeing(self) -> NDArray[np.bool_]:
        """Whether each passage has a say and prefers the first place to nearly all others."""
        if len(self.similar) < 2:
            return self.heard
        as_good = np.mean(self.similar[1:] >= self.similar[0], axis=0)
        return np.asarray(self.heard & (as_good < AGREES_SHARE), np.bool_)

    @property
    def lead(self) -> float:
        """By how many standard errors the passages prefer the first place to the next best one."""
        if self.count < 2 or len(self.similar) < 2:
            return 0.0
        ahead = self.similar[0, self.heard] - self.similar[1:, self.heard]
        # Passages overlap by half: only every other one is new evidence.
        error = ahead.std(axis=1, ddof=1) / np.sqrt(self.count / 2)
        return float(np.min(ahead.mean(axis=1) / np.maximum(error, LEAST_ERROR)))


def compare_passages(
    clip: NoteBands, reference: NoteBands, lags_hops: NDArray[np.int64]
) -> Passages:
    """Compare the passages of a clip with a reference at some places.

    Parameters
    ----------
    clip, reference : NoteBands
        From `find_notes`.
    lags_hops : ndarray, shape (places,), int64
        Reference minus clip; the first is the place that is judged.

    Returns
    -------
    Passages
    """
    starts = np.arange(0, max(1, len(clip) - PASSAGE_HOPS // 2), STEP_HOPS)
    middles = starts + np.minimum(PASSAGE_HOPS, len(clip) - starts) // 2
    free = np.arange(-FREE_HOPS, FREE_HOPS + 1, FREE_STEP_HOPS)
    pairs = ((clip.onsets, reference.onsets), (clip.tones, reference.tones))
    scales = [_scale(ours, theirs, starts) for ours, theirs in pairs]
    similar = np.zeros((len(lags_hops), len(starts)))
    off = np.zeros(len(starts), np.int64)
    for place, lag in enumerate(lags_hops):
        rows = np.zeros((len(free), len(starts)))
        for row, away in zip(rows, free, strict=True):
            for (ours, theirs), scale in zip(pairs, scales, strict=True):
                row += _summed(_products(ours, theirs, int(lag + away)), starts) / scale
        similar[place] = rows.max(axis=0)
        if place == 0:
            off = free[rows.argmax(axis=0)]
    return Passages(middles, similar, off, _heard(clip, reference, middles, int(lags_hops[0])))


def _heard(
    clip: NoteBands, reference: NoteBands, middles: NDArray[np.int64], lag: int
) -> NDArray[np.bool_]:
    """Return which passages play and meet the reference."""
    starts = np.maximum(0, middles - PASSAGE_HOPS // 2)
    energy = _summed(np.square(clip.onsets).sum(axis=1), starts)
    meets = (middles + lag >= 0) & (middles + lag < len(reference))
    return np.asarray(meets & (energy > QUIET_SHARE * np.median(energy)), np.bool_)


def _scale(clip: Audio, reference: Audio, starts: NDArray[np.int64]) -> Floats:
    """Return what the products of each passage with a like one would sum to."""
    ours = np.square(clip).sum(axis=1)
    usual = ours.mean() * PASSAGE_HOPS
    theirs = np.square(reference).sum(axis=1).mean() * PASSAGE_HOPS
    energy = np.maximum(_summed(ours, starts), 0.1 * usual)
    return np.asarray(np.sqrt(energy * theirs) + 1e-12, np.float64)


def _products(clip: Audio, reference: Audio, lag: int) -> Floats:
    """Return the products with the reference at a lag, summed over the bands, hop by hop."""
    first, last = max(0, -lag), min(len(clip), len(reference) - lag)
    out = np.zeros(len(clip))
    if last > first:
        there = reference[first + lag : last + lag]
        out[first:last] = np.einsum("tb,tb->t", clip[first:last], there)
    return out


def _summed(values: Floats | Audio, starts: NDArray[np.int64]) -> Floats:
    """Return the sums over the passages."""
    heaped = np.concatenate(([0.0], np.cumsum(values, dtype=np.float64)))
    return np.asarray(heaped[np.minimum(starts + PASSAGE_HOPS, len(values))] - heaped[starts])
