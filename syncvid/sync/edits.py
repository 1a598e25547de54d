"""Lines on which the missing pieces of a clip may lie: a phrase moved a little, or cut and pasted.

These are only proposals.  Whether a clip is heard on one is decided by `spans.locate`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.sync.lines import LineScores
from syncvid.sync.spans import Located, Run
from syncvid.sync.windows import Rows
from syncvid.timeline import PPM, Placement

# Runs of windows that are summed, as shares of a gap, and the fewest windows in a run.
RUN_SHARES = (1.0, 0.5, 0.25)
FEWEST_ROWS = 3

# Windows are cut off here, so that no single one makes a proposal.
CAP = 10.0

# A run of overlapping windows proposes a shift that stands out by so many standard deviations.  Of
# 8000 shifts and all runs in ten seconds of noise the best is above it in one gap of twenty.
PROPOSES = 4.5

# Overlapping windows: how much wider their sum scatters than that of independent ones, for steps of
# a quarter of a window.
OVERLAP = 2.0

# Proposals of one gap, and the least distance between two, in seconds.
MOST_SHIFTS = 3
APART_S = 1.5e-3

# Windows this far beside a gap may lie in it by half.
WIDER_S = 1.0

# A window far from the line proposes a place if it stands out by this much, and alone by that much.
FAR = 5.0
FAR_ALONE = 7.0
FAR_TOGETHER_S = 2e-3
MOST_FAR = 4


def near_shifts(rows: Rows, gaps: Sequence[tuple[float, float]]) -> list[float]:
    """Propose shifts beside a line for stretches in which the clip is not on it.

    Parameters
    ----------
    rows : Rows
        From `correlate_near`, along the line, steps a quarter of a window.
    gaps : sequence of (float, float)
        The stretches, in clip seconds.

    Returns
    -------
    list of float
        Deviations from the line, in seconds.
    """
    found: list[float] = []
    for from_s, to_s in gaps:
        inside = np.flatnonzero((rows.clip_s >= from_s) & (rows.clip_s <= to_s))
        if len(inside) >= FEWEST_ROWS:
            for shift in _best_shifts(rows, inside[0], inside[-1] + 1):
                if all(abs(shift - other) > APART_S for other in found):
                    found.append(shift)
    return found


def _best_shifts(rows: Rows, first: int, last: int) -> list[float]:
    """Return the shifts on which runs of windows agree best."""
    heaped = np.zeros((last - first + 1, rows.values.shape[1]), np.float32)
    np.cumsum(np.clip(rows.values[first:last], -CAP, CAP), axis=0, out=heaped[1:])
    proposals: list[tuple[float, float]] = []
    for share in RUN_SHARES:
        length = max(FEWEST_ROWS, round(share * (last - first)))
        sums = (heaped[length:] - heaped[:-length]) / np.float32(OVERLAP * np.sqrt(length))
        best = np.argmax(sums, axis=1)
        heights = sums[np.arange(len(best)), best]
        middle = first + length // 2 + np.arange(len(best))
        shifts = (best - rows.reach) / rows.sample_rate + rows.rests[middle]
        proposals += zip(heights.tolist(), shifts.tolist(), strict=True)
    kept: list[float] = []
    for height, shift in sorted(proposals, reverse=True):
        if height < PROPOSES or len(kept) == MOST_SHIFTS:
            break
        if all(abs(shift - other) > APART_S for other in kept):
            kept.append(shift)
    return kept


def far_lines(
    scores: LineScores, line: Placement, gaps: Sequence[tuple[float, float]], *, inverted: bool
) -> list[Placement]:
    """Propose places anywhere for stretches in which the clip is not on its line.

    Parameters
    ----------
    scores : LineScores
        Where each window of the clip fits best.
    line : Placement
        The clip's line.
    gaps : sequence of (float, float)
        The stretches, in clip seconds.
    inverted : bool
        Whether the clip fits upside down.

    Returns
    -------
    list of Placement
        With the drift of `line`.
    """
    side = int(inverted)
    middles_s = (np.arange(scores.window_lags.shape[1]) + 0.5) * scores.window_s
    offsets_s = scores.window_lags[side] / scores.sample_rate - line.drift_ppm * PPM * middles_s
    heights = scores.window_peaks[side]
    inside = np.zeros(len(middles_s), np.bool_)
    for from_s, to_s in gaps:
        inside |= (middles_s > from_s) & (middles_s < to_s)
    return [
        Placement(offset_s, line.drift_ppm)
        for offset_s in _together(offsets_s[inside], heights[inside])
        if abs(offset_s - line.offset_s) > APART_S
    ]


def _together(offsets_s: Floats, heights: Audio) -> list[float]:
    """Return offsets on which windows agree, or on which one insists."""
    found: list[float] = []
    for index in np.argsort(-heights):
        near = np.abs(offsets_s - offsets_s[index]) < FAR_TOGETHER_S
        agree = near & (heights >= FAR)
        insists = heights[index] >= FAR_ALONE or agree.sum() >= 2
        new = all(abs(offsets_s[index] - other) > FAR_TOGETHER_S for other in found)
        if insists and new and len(found) < MOST_FAR:
            found.append(float(np.median(offsets_s[agree])) if agree.any() else offsets_s[index])
    return found


def in_clip(
    located: Located, gaps: Sequence[Run], clip_length_s: float
) -> list[tuple[float, float]]:
    """Return stretches of the reference, a little wider, in clip seconds of the first line."""
    line, times_s = located.lines[0], located.times_s
    ends = [(times_s[gap.first] - WIDER_S, times_s[gap.last - 1] + WIDER_S) for gap in gaps]
    return [
        (max(0.0, line.to_clip(start)), min(clip_length_s, line.to_clip(end)))
        for start, end in ends
    ]
