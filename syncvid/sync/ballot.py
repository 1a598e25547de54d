"""The quick search: windows that each know their own place vote for a line.

A clip that is loud in the reference needs no sums over all lines: most of its windows stand out by
themselves.  Each window names the lags at which it fits best; where most of the clear ones lie on
one line, however steep, that is the place, and other lines on which windows agree are its rivals.
What is too quiet for this is left to `lines.score_lines`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.sync.lines import (
    BLOCK,
    CAP,
    LINE_RATE,
    MARGIN,
    WINDOW,
    LineScores,
    Searchable,
    clip_windows,
    correlations,
)
from syncvid.timeline import PPM, Placement

# Each window names its best lag, and the next best apart from it, of each so many lags.
STRETCH = BLOCK // 3
APART = 480

# A line may be as steep as this; it needs windows that stand out by so many standard deviations,
# and so many of them within so little.
STEEPEST_PPM = 400.0
CLEAR = 6.0
NEAR_S = 0.75e-3
FEWEST = 4

# The quick search decides if this many windows agree, and this share of all clear ones.
DECIDING = 6
DECIDING_SHARE = 0.5

# A rival's windows must stand out by this much, and agree within this, in seconds.
NAMED = 4.5
TOGETHER_S = 1.5e-3
RIVALS = 5
APART_S = 0.12


@dataclass(frozen=True, slots=True)
class Ballot:
    """The lags that each window of a clip names.

    Attributes
    ----------
    lags, heights : ndarray, shape (2, windows, named)
        In samples, and in standard deviations: upright, and upside down.
    times_s : ndarray, shape (windows,), float64
        Middle of each window.
    sample_rate : int
        Of the sounds.
    """

    lags: NDArray[np.int64] = field(repr=False)
    heights: Audio = field(repr=False)
    times_s: Floats = field(repr=False)
    sample_rate: int

    def best(self, side: int) -> tuple[NDArray[np.int64], Audio]:
        """Return each window's best lag, and how far it stands out."""
        top = np.argmax(self.heights[side], axis=1)[:, None]
        lags = np.take_along_axis(self.lags[side], top, 1)[:, 0]
        return lags, np.take_along_axis(self.heights[side], top, 1)[:, 0]


def hold_ballot(clip: Audio, reference: Searchable, sample_rate: int = LINE_RATE) -> Ballot:
    """Ask each window of a clip where it fits best.

    Parameters
    ----------
    clip : ndarray, shape (samples,), float32
        Whitened sound.
    reference : Searchable
        From `prepare`, at the same rate.
    sample_rate : int
        Rate of both, in Hz.

    Returns
    -------
    Ballot
    """
    spectra, deviations = clip_windows(clip, reference)
    first, last = -(len(clip) // BLOCK) - 1, reference.length // BLOCK
    shape = 2, len(spectra), last - first + 1, 2 * (BLOCK // STRETCH)
    lags, heights = np.zeros(shape, np.int64), np.zeros(shape, np.float32)
    for block in range(first, last + 1):
        for index, row in correlations(spectra, deviations, reference, block):
            inner = row[MARGIN:-MARGIN]
            for side, values in enumerate((inner, -inner)):
                at, tops = _name(values)
                lags[side, index, block - first] = block * BLOCK + at
                heights[side, index, block - first] = tops
    times_s = (np.arange(len(spectra)) + 0.5) * WINDOW / sample_rate
    flat = 2, len(spectra), -1
    return Ballot(lags.reshape(flat), heights.reshape(flat), times_s, sample_rate)


def _name(values: Audio) -> tuple[NDArray[np.int64], Audio]:
    """Return the places and heights of the two best lags of each stretch."""
    stretches = values.reshape(-1, STRETCH).copy()
    at, starts = np.arange(len(stretches)), STRETCH * np.arange(len(stretches))
    places, heights = [], []
    for _ in range(2):
        best = np.argmax(stretches, axis=1)
        places.append(starts + best)
        heights.append(stretches[at, best])
        for stretch, top in zip(stretches, best.tolist(), strict=True):
            stretch[max(0, top - APART) : top + APART] = 0.0
    return np.concatenate(places), np.concatenate(heights)


def decide(ballot: Ballot) -> LineScores | None:
    """Return the lines that the windows elect, or None where too few of them are clear.

    Parameters
    ----------
    ballot : Ballot
        From `hold_ballot`.

    Returns
    -------
    LineScores or None
        With `elected` lines in place of sums.
    """
    elections = [_elect(ballot, side) for side in (0, 1)]
    side = int(elections[1][1] > elections[0][1])
    line, agree, clear = elections[side]
    if line is None or agree < max(DECIDING, DECIDING_SHARE * clear):
        return None
    lines = [(line, bool(side)), *_rivals(ballot, line)]
    tops = [ballot.best(side) for side in (0, 1)]
    return LineScores(
        ballot.sample_rate,
        0,
        np.zeros(0, np.float32),
        np.zeros(0, np.bool_),
        np.zeros(0, np.int16),
        0.0,
        np.stack([lags for lags, _ in tops]),
        np.stack([heights for _, heights in tops]),
        tuple(lines),
    )


def _elect(ballot: Ballot, side: int) -> tuple[Placement | None, int, int]:
    """Return the line on which most clear windows lie, how many do, and how many are clear."""
    lags, heights = ballot.best(side)
    clear = heights >= CLEAR
    far_s = 2 * WINDOW / ballot.sample_rate
    line, agree = steep_line(ballot.times_s[clear], lags[clear] / ballot.sample_rate, far_s)
    return line, agree, int(clear.sum())


def steep_line(times_s: Floats, lags_s: Floats, far_s: float) -> tuple[Placement | None, int]:
    """Return the line on which most windows lie, however steep, and how many do.

    Parameters
    ----------
    times_s, lags_s : ndarray, shape (windows,), float64
        Middle of each window that stands out, and where it fits best.
    far_s : float
        Windows nearer than this do not tell a slope.

    Returns
    -------
    tuple of (Placement or None, int)
    """
    best = np.zeros(len(times_s), np.bool_)
    for time_s, lag_s in zip(times_s, lags_s, strict=True):
        away = times_s - time_s
        far = np.abs(away) > far_s
        slopes = (lags_s - lag_s)[far] / away[far]
        for slope in slopes[np.abs(slopes) <= STEEPEST_PPM * PPM]:
            near = np.abs(lags_s - lag_s - slope * away) < NEAR_S
            if near.sum() > best.sum():
                best = near
        if 2 * best.sum() > len(times_s):
            break
    if best.sum() < FEWEST:
        return None, 0
    middle_s = times_s[best].mean()
    slope, at_middle = np.polyfit(times_s[best] - middle_s, lags_s[best], 1)
    line = Placement(float(at_middle - slope * middle_s), float(slope) / PPM)
    return line, int(best.sum())


def _rivals(ballot: Ballot, line: Placement) -> list[tuple[Placement, bool]]:
    """Return other lines with the same drift on which windows agree, strongest first."""
    drift = line.drift_ppm * PPM
    offsets_s = ballot.lags / ballot.sample_rate - drift * ballot.times_s[:, None]
    usable = (ballot.heights >= NAMED) & (np.abs(offsets_s - line.offset_s) > APART_S)
    sides = np.broadcast_to(np.arange(2)[:, None, None], usable.shape)[usable]
    order = np.argsort(offsets_s[usable])
    offsets, sides = offsets_s[usable][order], sides[order]
    heights = np.minimum(ballot.heights[usable][order], CAP)
    found: list[tuple[Placement, bool]] = []
    sums = []
    for side in (0, 1):
        heaped = np.concatenate(([0.0], np.cumsum(heights * (sides == side), dtype=np.float64)))
        ends = np.searchsorted(offsets, offsets + TOGETHER_S, side="right")
        sums.append(heaped[ends] - heaped[:-1])
    total = np.stack(sums) if len(offsets) else np.zeros((2, 0))
    while len(found) < RIVALS and total.size and total.max() > 0:
        top = np.unravel_index(int(np.argmax(total)), total.shape)
        offset_s = float(offsets[top[1]]) + TOGETHER_S / 2
        found.append((Placement(offset_s, line.drift_ppm), bool(top[0])))
        total[:, np.abs(offsets + TOGETHER_S / 2 - offset_s) < APART_S] = 0.0
    return found
