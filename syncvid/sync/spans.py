"""Where in a clip its sound really is in the reference, and where the mix was edited.

Every window is held against a few states: *absent*, on the clip's line, or on a line beside it (a
phrase that was moved, a take that was spliced in elsewhere).  The cheapest path through the states
gives the spans; the borders are then moved to where the sample-by-sample products change sides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.sync.refine import deviation_s, read_lags, weighted_median
from syncvid.sync.windows import Rows
from syncvid.timeline import PPM, Placement, Span, to_samples

# A window speaks for a moved phrase if it stands out by this many standard deviations elsewhere,
# and at least this much more than on the clip's own line.
MOVED = 6.0
MOVED_MORE = 1.5

# Windows that agree on the same shift to this precision make a candidate, in seconds.
SAME_SHIFT_S = 0.4e-3

# Overlapping windows that must agree on a shift: 3 s beyond the first window. Shorter runs are
# chords of another take that fit by chance.
FEWEST_MOVED = 7

# Candidates that are followed at the same time.
MOST_SHIFTS = 6

# Strength that a present window is expected to have at most, so that a soft passage after a loud
# one is not taken for absent, and at least, so that chance is not taken for presence.
EXPECTED_MOST = 6.0
EXPECTED_LEAST = 2.5

# A window counts up to this strength when states are compared.
STRENGTH_MOST = 40.0

# Cost of changing the state, in units of log likelihood: e**-12 a priori.
CHANGE = 12.0

# How far a border may be moved by the finer look, in seconds.
BORDER_REACH_S = 2.0

# How close to its state's lag a window's peak must lie, in seconds.
CLOSE_S = 0.25e-3


@dataclass(frozen=True, slots=True)
class Stretch:
    """A run of windows in one state.

    Attributes
    ----------
    first, last : int
        First and last row of the run.
    line : Placement
        Its line.
    """

    first: int
    last: int
    line: Placement


def find_spans(
    rows: Rows,
    line: Placement,
    elsewhere: Sequence[tuple[Placement, Rows]],
    playing: Floats,
    clip: Audio,
    reference: Audio,
) -> tuple[Span, ...]:
    """Find where a clip's sound is in the reference.

    Parameters
    ----------
    rows : Rows
        From `correlate_near`, cut along `line`, hop small against the window.
    line : Placement
        The clip's line, refined.
    elsewhere : sequence of (Placement, Rows)
        Lines beyond the reach of `rows` that explain windows which `line` does not, with the rows
        along them.
    playing : ndarray, shape (rows,), float64
        0 where the clip rests, 1 where it plays: a rest is no evidence of absence.
    clip, reference : ndarray, shape (samples,), float32
        Whitened sounds at the rows' rate.

    Returns
    -------
    tuple of Span
        In the order of time; empty if the clip is nowhere on any line.
    """
    if not len(rows.clip_s):
        return ()
    own = read_lags(rows, np.zeros(len(rows.clip_s)), CLOSE_S).heights
    shifts = _shifts(rows, own)
    lines = [line, *(Placement(line.offset_s + shift, line.drift_ppm) for shift in shifts)]
    lines += [other for other, _ in elsewhere]
    heights = [own]
    heights += [read_lags(rows, np.full(len(own), shift), CLOSE_S).heights for shift in shifts]
    heights += [_matched(rows, far) for _, far in elsewhere]
    path = _cheapest_path(np.stack(heights), playing)
    stretches = [_settled(rows, line, stretch) for stretch in _runs(path, lines)]
    return _to_spans(stretches, _Sounds(clip, reference, rows.sample_rate), rows.clip_s, line)


def _matched(rows: Rows, far: Rows) -> Floats:
    """Return the strengths on another line at the windows of `rows`; 0 where it has none."""
    strengths = np.zeros(len(rows.clip_s))
    if len(far.clip_s):
        peaks = read_lags(far, np.zeros(len(far.clip_s)), CLOSE_S).heights
        places = np.searchsorted(far.clip_s, rows.clip_s - 1e-6)
        there = np.clip(places, 0, len(peaks) - 1)
        same = np.abs(far.clip_s[there] - rows.clip_s) < 1e-6
        strengths[same] = peaks[there][same]
    return strengths


def _shifts(rows: Rows, own: Floats) -> list[float]:
    """Return the shifts, in seconds, on which windows agree that do not lie on the line."""
    best = np.argmax(rows.values, axis=1)
    strength = rows.values[np.arange(len(best)), best]
    moved = (strength >= MOVED) & (strength >= own + MOVED_MORE)
    shifts = np.sort(rows.deviations_s(best.astype(np.float64))[moved])
    found: list[float] = []
    while len(found) < MOST_SHIFTS and len(shifts):
        low = np.searchsorted(shifts, shifts - SAME_SHIFT_S)
        high = np.searchsorted(shifts, shifts + SAME_SHIFT_S, side="right")
        most = int(np.argmax(high - low))
        if high[most] - low[most] < FEWEST_MOVED:
            break
        found.append(float(np.median(shifts[low[most] : high[most]])))
        shifts = np.delete(shifts, slice(low[most], high[most]))
    return found


def _cheapest_path(heights: Floats, playing: Floats) -> NDArray[np.int64]:
    """Return the state of each window: 0 absent, k on line k - 1."""
    best = heights.max(axis=0)
    busy = best[playing > 0.5]
    typical = float(np.percentile(busy, 60)) if len(busy) else 0.0
    expected = min(max(typical, EXPECTED_LEAST), EXPECTED_MOST)
    # Log likelihood ratio of a Gaussian with mean `expected` against mean 0, for each state.  Four
    # windows overlap, so that each carries a quarter of its evidence.
    gains = (expected * np.clip(heights, 0.0, STRENGTH_MOST) - expected**2 / 2) / 4
    gains = np.where(gains < 0, gains * playing, gains)
    gains = np.vstack([np.zeros(heights.shape[1]), gains])
    states, count = gains.shape
    total = gains[:, 0].copy()
    came_from = np.zeros((count, states), np.int64)
    for index in range(1, count):
        leader = int(np.argmax(total))
        stay = total >= total[leader] - CHANGE
        came_from[index] = np.where(stay, np.arange(states), leader)
        total = np.where(stay, total, total[leader] - CHANGE) + gains[:, index]
    path = np.zeros(count, np.int64)
    path[-1] = int(np.argmax(total))
    for index in range(count - 1, 0, -1):
        path[index - 1] = came_from[index, path[index]]
    return path


def _runs(path: NDArray[np.int64], lines: Sequence[Placement]) -> tuple[Stretch, ...]:
    """Return the runs of equal states other than absent."""
    borders = [0, *(np.flatnonzero(np.diff(path)) + 1).tolist(), len(path)]
    return tuple(
        Stretch(first, last - 1, lines[path[first] - 1])
        for first, last in pairwise(borders)
        if path[first] > 0
    )


def _settled(rows: Rows, line: Placement, stretch: Stretch) -> Stretch:
    """Return a shifted stretch with its offset refined; others as they are."""
    inside = slice(stretch.first, stretch.last + 1)
    away = deviation_s(rows, line, stretch.line)
    out_of_reach = np.abs(away[inside]).max() * rows.sample_rate > rows.reach - 16
    if stretch.line == line or out_of_reach:
        return stretch
    peaks = read_lags(rows, away)
    clear = peaks.heights[inside] >= EXPECTED_LEAST
    if not clear.any():
        return stretch
    lags = peaks.positions[inside][clear] + line.offset_s
    offset_s = weighted_median(lags, np.square(peaks.heights[inside][clear]))
    return Stretch(stretch.first, stretch.last, Placement(offset_s, line.drift_ppm))


class _Sounds(NamedTuple):
    """Whitened clip and reference, and their rate."""

    clip: Audio
    reference: Audio
    sample_rate: int


def _to_spans(
    stretches: Sequence[Stretch], sounds: _Sounds, clip_s: Floats, line: Placement
) -> tuple[Span, ...]:
    """Turn runs of windows into spans with fine borders."""
    spans = []
    for index, stretch in enumerate(stretches):
        own = stretch.line
        before = _neighbour(stretches, index - 1, stretch.first - 1)
        after = _neighbour(stretches, index + 1, stretch.last + 1)
        start_s = max(0.0, own.to_clip(0.0))
        end_s = len(sounds.clip) / sounds.sample_rate
        end_s = min(end_s, own.to_clip(len(sounds.reference) / sounds.sample_rate))
        if stretch.first > 0:
            start_s = max(start_s, _border(sounds, clip_s[stretch.first], before, own))
        if stretch.last < len(clip_s) - 1:
            near_s = clip_s[stretch.last + 1 if after is not None else stretch.last]
            end_s = min(end_s, _border(sounds, near_s, own, after))
        if end_s > start_s:
            drift_ppm = None if own.drift_ppm == line.drift_ppm else own.drift_ppm
            spans.append(Span(start_s, end_s, own.offset_s, drift_ppm))
    return tuple(spans)


def _neighbour(stretches: Sequence[Stretch], index: int, row: int) -> Placement | None:
    """Return the line of a stretch if it covers a row, else None for absent."""
    if 0 <= index < len(stretches) and stretches[index].first <= row <= stretches[index].last:
        return stretches[index].line
    return None


def _border(
    sounds: _Sounds, near_s: float, before: Placement | None, after: Placement | None
) -> float:
    """Return where the evidence changes sides, in clip seconds; None stands for absent."""
    start = max(0, to_samples(near_s - BORDER_REACH_S, sounds.sample_rate))
    stop = min(len(sounds.clip), to_samples(near_s + BORDER_REACH_S, sounds.sample_rate))
    half = (stop - start) // 2
    # Absent is as likely as present at half of what present gives.
    if before is None:
        late = _products(sounds, start, stop, after)
        early = np.full(len(late), float(late[half:].mean()) / 2)
    elif after is None:
        early = _products(sounds, start, stop, before)
        late = np.full(len(early), float(early[:half].mean()) / 2)
    else:
        early = _products(sounds, start, stop, before)
        late = _products(sounds, start, stop, after)
    balance = np.concatenate(([0.0], np.cumsum(early - late)))
    return float(start + int(np.argmax(balance))) / sounds.sample_rate


def _products(sounds: _Sounds, start: int, stop: int, line: Placement | None) -> Floats:
    """Return clip times reference sample by sample along a line; zeros for no line."""
    out = np.zeros(stop - start)
    if line is None:
        return out
    clip, reference, sample_rate = sounds
    middle_s = (start + stop) / 2 / sample_rate
    lag = to_samples(line.offset_s + middle_s * line.drift_ppm * PPM, sample_rate)
    first, last = max(start, -lag), min(stop, len(reference) - lag)
    if last > first:
        out[first - start : last - start] = (
            clip[first:last].astype(np.float64) * reference[first + lag : last + lag]
        )
    return out
