"""Where in a clip its sound really is in the reference, and where the mix was edited.

Every frame of the reference is held against a few states: the clip is *absent*, or it lies on one
of a few lines (its own; beside it, where a phrase was moved; far away, where the mix was cut).  The
cheapest path through the states gives the spans.  The path runs along the reference, which holds
one moment of the clip at a time; so a verse that was copied has its stretch of the clip twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Floats
from syncvid.lazily import ndimage
from syncvid.sync.hearing import Heard
from syncvid.sync.presence import (
    CELL_RATE,
    HOP_S,
    Scene,
    away_from,
    measure_filter,
    set_scene,
    weigh_presence,
)
from syncvid.timeline import Placement, Span

# Cost of changing the state, in units of log likelihood: e**-12 a priori.
CHANGE = 12.0

# Where a clip has not begun or is over, each frame speaks this much against it.
OUTSIDE = -3.0

# Single notes of a sampled instrument fit another take of theirs; no phrase is as short as this.
SHORTEST_S = 1.5

# What a line beside the first one, or far from it, must explain more than all others.
NEAR_S = 0.5
NEAR_MORE = 40.0
FAR_MORE = 120.0

# The path and the filter that it is found with depend on each other; they settle in a few rounds.
ROUNDS = 3

# A border is as likely anywhere where the evidence for both sides is equal to this.
FLAT = 1.0

# Drifts that are the same, in millionths.
SAME_DRIFT_PPM = 1e-6

# A clip plays in a frame if it is loud enough over this length, in seconds.
PLAYING_S = 0.25

# Around a moment a clip should be heard at some share of its usual rate.  Below the first it rests
# (with its own room's noise, which is in no mix), above the second it plays: a rest is no evidence
# of absence.
RESTS, PLAYS = 0.05, 0.15
AROUND_S = 2.0

# A gap in which a clip should be heard at less than this share of its usual rate is a rest; one
# that is shorter than this, in seconds, is a note that was lost.
REST_SHARE = 0.25
LOST_S = 0.75

# A gap is where less than this share of what should be heard is heard, for so long, in seconds; it
# is worth a search if this much log likelihood is missing within `AROUND_S`, and in all.
GAP_SHARE = 0.2
GAP_S = 1.2
GAP_LEAST = 30.0
GAP_EXPECTED = 60.0


@dataclass(frozen=True, slots=True)
class Run:
    """Frames in one state.

    Attributes
    ----------
    first, last : int
        First frame of the run, and the first one after it.
    state : int
        Number of its line.
    """

    first: int
    last: int
    state: int


@dataclass(frozen=True, slots=True)
class Located:
    """Where a clip is heard in a reference.

    Attributes
    ----------
    lines : tuple of Placement
        The lines that were looked at.
    runs : tuple of Run
        Where it is heard, in the order of the reference.
    times_s : ndarray, shape (frames,), float64
        Reference time of each frame.
    gains : ndarray, shape (lines, frames), float64
        Log likelihood ratios of present on each line against absent.
    expected : ndarray, shape (frames,), float64
        What they would be on the first line if the clip were there as elsewhere.
    """

    lines: tuple[Placement, ...]
    runs: tuple[Run, ...]
    times_s: Floats = field(repr=False)
    gains: Floats = field(repr=False)
    expected: Floats = field(repr=False)

    @property
    def evidence(self) -> float:
        """Log likelihood ratio of all runs together."""
        return float(sum(self.gains[run.state, run.first : run.last].sum() for run in self.runs))

    def length_on(self, state: int) -> float:
        """Return how many seconds of the reference lie on a line."""
        return sum(
            _edge(self, index, index + 1, ends=True) - _edge(self, index - 1, index)
            for index, run in enumerate(self.runs)
            if run.state == state
        )

    def divided(self) -> float:
        """Return how near a second line comes to the longest, if what lies between is on it."""
        states = {run.state for run in self.runs}
        if len(states) < 2:
            return 0.0
        second, longest = sorted(self.length_on(state) for state in states)[-2:]
        between = sum(
            (after.first - before.last) * HOP_S
            for before, after in pairwise(self.runs)
            if before.state != after.state
        )
        return (second + between) / longest

    def gaps(self) -> tuple[Run, ...]:
        """Return the stretches where the clip should be heard on the first line but is not."""
        if not len(self.times_s):
            return ()
        found = np.zeros(len(self.times_s))
        for run in self.runs:
            found[run.first : run.last] = self.gains[run.state, run.first : run.last]
        should = _around(self.expected)
        missing = should * AROUND_S / HOP_S > GAP_LEAST
        missing &= _around(found) < GAP_SHARE * should
        return tuple(
            Run(run.first, run.last, -1)
            for run in runs_of(np.where(missing, 0, -1))
            if (run.last - run.first) * HOP_S >= GAP_S
            and float(self.expected[run.first : run.last].sum()) >= GAP_EXPECTED
        )


def locate(
    clip: Heard, reference: Heard, lines: Sequence[Placement], heard: tuple[Floats, Floats]
) -> Located:
    """Find where a clip is heard in a reference.

    Parameters
    ----------
    clip, reference : Heard
        The sounds, the clip the right way up.
    lines : sequence of Placement
        Where it may lie, each to a fraction of a millisecond; at least one.
    heard : tuple of ndarray, shape (moments,), float64
        Moments of the clip, in seconds, and how clearly it is heard then on the first line, 0 to 1.

    Returns
    -------
    Located
    """
    scene = set_scene(clip.low, reference.low, lines)
    # Sounds that lie together for less than a window tell nothing.
    if not len(scene.times_s) or not len(heard[0]):
        return Located(tuple(lines), (), scene.times_s[:0], np.zeros((len(lines), 0)), np.zeros(0))
    clip_s = (scene.times_s - lines[0].offset_s) / lines[0].rate
    weights = np.interp(clip_s, *heard) * ~_outside(scene, lines[0], clip)
    path = np.where(weights > 0.0, 0, -1)
    for _ in range(ROUNDS):
        gains, expected = _gains(scene, clip, lines, path, weights)
        new = _without_doubtful(gains, cheapest_path(gains), lines)
        if np.array_equal(new, path) or not np.any(new >= 0):
            break
        path, weights = new, np.ones(len(new))
    runs = bridged(runs_of(new), expected)
    return Located(tuple(lines), runs, scene.times_s, gains, expected)


def _outside(scene: Scene, line: Placement, clip: Heard) -> NDArray[np.bool_]:
    """Return at which frames a clip on a line has not begun or is over."""
    return away_from(line, scene.times_s, len(clip.low) / CELL_RATE)


def _gains(
    scene: Scene,
    clip: Heard,
    lines: Sequence[Placement],
    path: NDArray[np.int64],
    weights: Floats,
) -> tuple[Floats, Floats]:
    """Return what each frame says of each line, and what it would say on the first."""
    used = np.bincount(path[path >= 0], minlength=1)
    main = int(np.argmax(used))
    cells = scene.along(lines[main])
    filtered = measure_filter(scene, cells, weights * (path == main))
    found = [
        weigh_presence(scene, cells if index == main else scene.along(line), filtered)
        for index, line in enumerate(lines)
    ]
    outside = [_outside(scene, line, clip) for line in lines]
    expected = np.where(outside[0], 0.0, found[0].expected)
    plays = _plays(expected, path)
    gains = []
    for line, presence, away in zip(lines, found, outside, strict=True):
        playing = clip.playing((scene.times_s - line.offset_s) / line.rate, PLAYING_S) * plays
        against = np.minimum(presence.gains, 0.0) * playing
        gains.append(np.where(away, OUTSIDE, np.maximum(presence.gains, 0.0) + against))
    return np.stack(gains), expected


def _plays(expected: Floats, path: NDArray[np.int64]) -> Floats:
    """Return 0 where a clip rests by what should be heard of it, 1 where it plays."""
    around = _around(expected)
    usual = float(np.median(around[path >= 0])) if np.any(path >= 0) else 0.0
    return np.clip((around / max(usual, 1e-9) - RESTS) / (PLAYS - RESTS), 0.0, 1.0)


def _around(frames: Floats) -> Floats:
    """Return the mean over `AROUND_S` around each frame."""
    even = ndimage.uniform_filter1d(frames, round(AROUND_S / HOP_S), mode="constant")
    return np.asarray(even, np.float64)


def cheapest_path(gains: Floats, change: float = CHANGE) -> NDArray[np.int64]:
    """Return the state of each frame: -1 absent, k on line k.

    Parameters
    ----------
    gains : ndarray, shape (lines, frames), float64
        Log likelihood ratios of each line against absent.
    change : float
        Cost of changing the state.

    Returns
    -------
    ndarray, shape (frames,), int64

    Examples
    --------
    >>> cheapest_path(np.array([[5.0, 5.0, -5.0, -5.0]]), change=2.0)
    array([ 0,  0, -1, -1])
    """
    steps = np.vstack([np.zeros(gains.shape[1]), gains]).T
    count, states = steps.shape
    total = steps[0].copy()
    came_from = np.zeros((count, states), np.int64)
    same = np.arange(states)
    for index in range(1, count):
        leader = int(np.argmax(total))
        least = total[leader] - change
        came_from[index] = np.where(total >= least, same, leader)
        total = np.maximum(total, least) + steps[index]
    path = np.zeros(count, np.int64)
    path[-1] = int(np.argmax(total))
    for index in range(count - 1, 0, -1):
        path[index - 1] = came_from[index, path[index]]
    return path - 1


def _without_doubtful(
    gains: Floats, path: NDArray[np.int64], lines: Sequence[Placement]
) -> NDArray[np.int64]:
    """Return the path without those lines that explain little which the first one does not."""
    gains = gains.copy()
    for _ in range(ROUNDS):
        short = [
            run
            for run in runs_of(path)
            if run.state > 0 and (run.last - run.first) * HOP_S < SHORTEST_S
        ]
        if not short:
            break
        for run in short:
            gains[run.state, run.first : run.last] = OUTSIDE
        path = cheapest_path(gains)
    for state in np.unique(path[path > 0]):
        here = path == state
        others = np.delete(gains, state, axis=0)[:, here].max(axis=0)
        more = float((gains[state, here] - np.maximum(others, 0.0)).sum())
        near = abs(lines[state].offset_s - lines[0].offset_s) < NEAR_S
        if more < (NEAR_MORE if near else FAR_MORE):
            gains[state] = OUTSIDE
            path = cheapest_path(gains)
    return path


def runs_of(path: NDArray[np.int64]) -> tuple[Run, ...]:
    """Return the runs of equal states other than absent."""
    borders = [0, *(np.flatnonzero(np.diff(path)) + 1).tolist(), len(path)]
    return tuple(
        Run(first, last, int(path[first])) for first, last in pairwise(borders) if path[first] >= 0
    )


def bridged(runs: Sequence[Run], expected: Floats) -> tuple[Run, ...]:
    """Join runs across rests, and across gaps in which only a note was lost.

    A rest between two lines is given to both by halves: nobody can hear where the cut was.
    """
    heard = [expected[run.first : run.last] for run in runs]
    usual = float(np.concatenate(heard).mean()) if heard else 0.0
    joined: list[Run] = []
    for run in runs:
        before = joined[-1] if joined else None
        gap = run.first - before.last if before is not None else 0
        if before is None or gap == 0:
            joined.append(run)
            continue
        rests = float(expected[before.last : run.first].mean()) < REST_SHARE * usual
        if before.state == run.state and (rests or gap * HOP_S < LOST_S):
            joined[-1] = Run(before.first, run.last, run.state)
        elif before.state != run.state and rests:
            middle = (before.last + run.first) // 2
            joined[-1] = Run(before.first, middle, before.state)
            joined.append(Run(middle, run.last, run.state))
        else:
            joined.append(run)
    if not joined:
        return ()
    # A rest before or after all else belongs to the clip's first or last span.
    first, last = joined[0], joined[-1]
    if float(expected[: first.first].sum()) < REST_SHARE * usual * first.first:
        joined[0] = Run(0, first.last, first.state)
        last = joined[-1]
    if float(expected[last.last :].sum()) < REST_SHARE * usual * (len(expected) - last.last):
        joined[-1] = Run(last.first, len(expected), last.state)
    return tuple(joined)


def to_spans(
    located: Located, clip_length_s: float, drift_ppm: float, states: range | None = None
) -> tuple[Span, ...]:
    """Turn runs of frames into spans of the clip.

    Parameters
    ----------
    located : Located
        From `locate`, with lines that are as exact as can be.
    clip_length_s : float
        Length of the clip, in seconds.
    drift_ppm : float
        The clip's drift; spans with another one say so.
    states : range or None
        Lines that are the clip's own; None: all.

    Returns
    -------
    tuple of Span
        In the order of the clip.
    """
    spans = []
    for index, run in enumerate(located.runs):
        if states is not None and run.state not in states:
            continue
        line = located.lines[run.state]
        from_s = max(0.0, line.to_clip(_edge(located, index - 1, index)))
        to_s = min(clip_length_s, line.to_clip(_edge(located, index, index + 1, ends=True)))
        if to_s > from_s:
            own = None if abs(line.drift_ppm - drift_ppm) < SAME_DRIFT_PPM else line.drift_ppm
            spans.append(Span(from_s, to_s, line.offset_s, own))
    return tuple(sorted(spans, key=lambda span: (span.clip_from_s, span.offset_s)))


def _edge(located: Located, before: int, after: int, *, ends: bool = False) -> float:
    """Return the reference time at which one run ends and the next begins.

    Where they do not touch, it is where the first one ends or the second begins.
    """
    runs, frames = located.runs, len(located.times_s)
    early = runs[before] if before >= 0 else Run(0, 0, -1)
    late = runs[after] if after < len(runs) else Run(frames, frames, -1)
    if early.last < late.first:
        if ends:
            late = Run(early.last, late.first, -1)
        else:
            early = Run(early.last, late.first, -1)
    padded = np.vstack([located.gains, np.zeros(frames)])
    here = slice(early.first, late.last)
    balance = np.cumsum(padded[early.state, here] - padded[late.state, here])
    low, high = _flat_top(np.concatenate(([0.0], balance)))
    low, high = low + early.first, high + early.first
    # A rest at either end of the clip belongs to the span beside it.
    if early.state < 0 and (low == 0 or padded[late.state, low - 1] <= OUTSIDE):
        high = low
    if late.state < 0 and (high == frames or padded[early.state, high] <= OUTSIDE):
        low = high
    return float(located.times_s[0] + ((low + high) / 2 - 0.5) * HOP_S)


def _flat_top(balance: Floats) -> tuple[int, int]:
    """Return the first and the last place around the maximum that are nearly as high."""
    top = int(np.argmax(balance))
    lower = np.flatnonzero(balance < balance[top] - FLAT)
    before, after = lower[lower < top], lower[lower > top]
    low = int(before[-1]) + 1 if len(before) else 0
    high = int(after[0]) - 1 if len(after) else len(balance) - 1
    return low, high
