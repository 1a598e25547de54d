"""Who leads: which part stands out at each moment, by what each part does over time.

A part stands out against itself: louder and busier than it usually is, or entering after a rest.
Against the others only its movement counts, because how loud a phone recorded says nothing of the
balance, and a held bass or a drone leads nothing.  What every part has to say for itself is
added up over time, and the best path through the parts is sought: each change costs something, less
at a bar line (or, where no bars are known, where the new part enters), and nobody leads for a
moment only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Floats
from syncvid.lazily import ndimage
from syncvid.listen.activity import Activity
from syncvid.listen.ears import Playing
from syncvid.timeline import Lead

# Parts are compared at moments so far apart, by what they do around them.
_STEP_S = 0.25
_LEVEL_AROUND_S = 2.0
_NOTES_AROUND_S = 4.0
_PLAYING_AROUND_S = 1.0

# A part stands out by 1 for so many decibels over its own median, and for no more than the second
# number in all.
_LOUDER_DB, _MOST = 1.8, 3.0

# What it says to play twice as many notes a second as usual, and to have twice as many as another
# part has, up to a tune's: more of them make no better tune.  Some notes a second are added before
# ratios are taken.  All weights were chosen on invented pieces, as in
# `tests/benchmarks/leads_invented.py`, of other seeds than those that are scored; they matter
# little: half or one and a half times of any changes the share that is right by 2 %.
_BUSY, _MOVES = 1.2, 1.4
_FEW_HZ, _TUNE_HZ = 0.4, 2.0

# How much of what a part says on average is taken off: some parts are busier than others.
_OWN = 0.5

# Coming in after a rest stands out by so much, for so long.
_RESTED_S, _ENTRY, _ENTRY_S = 3.0, 2.0, 5.0

# A part that does not play cannot lead.
_SILENT = -6.0

# An upper part leads where all else is equal.
_UPPER = 0.05

# What a change costs: as much as standing out by 1 for so many seconds; and at a good moment.
_CHANGE_S, _GOOD_CHANGE_S = 5.0, 1.5

# How soon after an entry a change is good.
_SOON_S = 0.5


def propose_leads(
    activities: Sequence[Activity], *, least_s: float = 6.0, beats: Sequence[float] | None = None
) -> tuple[Lead, ...]:
    """Propose who leads at each time.

    Parameters
    ----------
    activities : sequence of Activity
        What each part does, on the reference, in score order.
    least_s : float
        For how long a part leads at least, in seconds.
    beats : sequence of float or None
        Reference seconds of bar lines, at which changes are preferred.

    Returns
    -------
    tuple of Lead
        From when the first part plays to when the last one has ended, without holes; empty where
        nobody plays.
    """
    plays = [np.flatnonzero(activity.playing) for activity in activities]
    bounds = [
        (a.from_s + float(at[0]) * a.hop_s, a.from_s + float(at[-1] + 1) * a.hop_s)
        for a, at in zip(activities, plays, strict=True)
        if at.size
    ]
    if not bounds:
        return ()
    from_s, to_s = min(first for first, _ in bounds), max(last for _, last in bounds)
    times_s = np.arange(from_s, to_s, _STEP_S)
    doings = [_doing(activity, times_s) for activity in activities]
    standing = np.stack([_stands_out(doing) for doing in doings], axis=1)
    standing -= _UPPER * np.arange(len(doings))
    bars_s = np.asarray(() if beats is None else beats, np.float64)
    good = _enters(doings) if beats is None else _near(bars_s, times_s)[:, None]
    costs = np.where(good, _GOOD_CHANGE_S, _CHANGE_S) / _STEP_S + np.zeros_like(standing)
    path = _best_path(standing, costs, max(1, round(least_s / _STEP_S)))
    edges = [0, *(np.flatnonzero(np.diff(path)) + 1).tolist(), path.size]
    ends_s = [*(float(times_s[edge]) for edge in edges[:-1]), to_s]
    reach_s = min(2 * _STEP_S, least_s / 3)
    ends_s[1:-1] = [_at_bar(at, bars_s, reach_s) for at in ends_s[1:-1]]
    return tuple(
        Lead(begin_s, end_s, int(path[edge]))
        for edge, begin_s, end_s in zip(edges, ends_s[:-1], ends_s[1:], strict=False)
    )


@dataclass(frozen=True, slots=True)
class _Doing:
    """What a part does at some moments, all of shape (moments,).

    Attributes
    ----------
    playing : ndarray, bool
        Whether it plays.
    level_db : ndarray
        Against its own median.
    notes_hz : ndarray
        Notes a second.
    rested_s : ndarray
        For how long it had rested when it last came in; 0 where it does not play.
    since_s : ndarray
        How long ago that was.
    """

    playing: Playing
    level_db: Floats
    notes_hz: Floats
    rested_s: Floats
    since_s: Floats


def _doing(activity: Activity, times_s: Floats) -> _Doing:
    """Return what a part does at moments."""
    hops, inside = activity.hops_at(times_s)
    if not activity.playing.any():
        nothing = np.zeros(times_s.shape)
        return _Doing(nothing > 0, nothing, nothing, nothing, nothing)
    playing = activity.playing

    def around(values: Floats, seconds: float) -> Floats:
        size = max(1, round(seconds / activity.hop_s))
        weight = ndimage.uniform_filter1d(playing.astype(np.float64), size, mode="constant")
        mean = ndimage.uniform_filter1d(np.where(playing, values, 0.0), size, mode="constant")
        return np.asarray(mean / np.maximum(weight, 1e-3))

    power = np.power(10.0, np.clip(activity.levels_db, -60, None) / 10)
    level_db = 10 * np.log10(np.maximum(around(power, _LEVEL_AROUND_S), 1e-6))
    notes_hz = around(activity.attacks.astype(np.float64), _NOTES_AROUND_S) / activity.hop_s
    level_db -= np.median(level_db[playing])
    size = max(1, round(_PLAYING_AROUND_S / activity.hop_s))
    mostly = ndimage.uniform_filter1d(playing.astype(np.float64), size) > 0.5
    rested_s, since_s = _rested(playing, activity.hop_s)
    return _Doing(
        mostly[hops] & inside,
        level_db[hops],
        notes_hz[hops],
        rested_s[hops],
        since_s[hops],
    )


def _rested(playing: Playing, hop_s: float) -> tuple[Floats, Floats]:
    """Return how long a part had rested when it last came in, and how long ago it came in."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], playing, [False]])))
    begins, ends = edges[::2], edges[1::2]
    rested, since = np.zeros((2, playing.size))
    before = 0
    for begin, end in zip(begins, ends, strict=True):
        rested[begin:end] = (begin - before) * hop_s
        since[begin:end] = np.arange(end - begin) * hop_s
        before = end
    return rested, since


def _stands_out(own: _Doing) -> Floats:
    """Return by how much a part stands out at each moment, shape (moments,)."""
    usual_hz = np.median(own.notes_hz[own.playing]) if own.playing.any() else 0.0
    louder = np.clip(own.level_db / _LOUDER_DB, -_MOST, _MOST)
    busy = np.clip(np.log2((own.notes_hz + _FEW_HZ) / (usual_hz + _FEW_HZ)), -_MOST, _MOST)
    moves = np.log2(np.minimum(own.notes_hz, _TUNE_HZ) + _FEW_HZ)
    entry = (own.rested_s >= _RESTED_S) & (own.since_s < _ENTRY_S)
    says = louder + _BUSY * busy + _MOVES * moves
    if own.playing.any():
        says -= _OWN * np.mean(says[own.playing])
    return np.asarray(np.where(own.playing, says + _ENTRY * entry, _SILENT))


def _near(bars_s: Floats, times_s: Floats) -> Playing:
    """Return which times lie nearest to a bar line, shape (times,)."""
    near = np.zeros(times_s.shape, np.bool_)
    hops = np.rint((bars_s - times_s[0]) / _STEP_S).astype(np.int64)
    near[hops[(hops >= 0) & (hops < near.size)]] = True
    return near


def _enters(doings: Sequence[_Doing]) -> Playing:
    """Return when each part comes in after a rest, shape (moments, voices)."""
    return np.stack(
        [d.playing & (d.rested_s >= _RESTED_S / 2) & (d.since_s <= _SOON_S) for d in doings],
        axis=1,
    )


def _at_bar(time_s: float, bars_s: Floats, reach_s: float) -> float:
    """Return the bar line that lies within reach of a time, or the time itself."""
    nearest = min(bars_s, key=lambda bar_s: abs(bar_s - time_s), default=time_s)
    return float(nearest) if abs(nearest - time_s) <= reach_s else time_s


def _best_path(standing: Floats, costs: Floats, least: int) -> np.ndarray:
    """Return who leads at each moment, shape (moments,): the path that stands out most.

    Parameters
    ----------
    standing : ndarray, shape (moments, voices)
        By how much each part stands out.
    costs : ndarray, shape (moments, voices)
        What a change to a part at a moment costs.
    least : int
        For how many moments a part leads at least.

    Notes
    -----
    `best[t, v]` is the most that the moments before t can add up to if v leads at t - 1 and has
    led for `least` moments.  It either goes on, or began `least` moments ago after another one.
    """
    count, voices = standing.shape
    sums = np.concatenate([np.zeros((1, voices)), np.cumsum(standing, axis=0)])
    best = np.full((count + 1, voices), -np.inf)
    came_from = np.full((count + 1, voices), -1)
    least = min(least, count)
    best[least] = sums[least]
    for end in range(least + 1, count + 1):
        begin = end - least
        best[end] = best[end - 1] + standing[end - 1]
        came_from[end] = came_from[end - 1]
        for voice in range(voices):
            others = np.delete(np.arange(voices), voice)
            if begin >= least and others.size:
                other = int(others[np.argmax(best[begin, others])])
                value = best[begin, other] - costs[begin, voice]
                value += sums[end, voice] - sums[begin, voice]
                if value > best[end, voice]:
                    best[end, voice] = value
                    came_from[end, voice] = begin * voices + other
    path = np.zeros(count, np.int64)
    end, voice = count, int(np.argmax(best[count]))
    while end > 0:
        known = int(came_from[end, voice])
        begin, other = divmod(known, voices) if known >= 0 else (0, voice)
        path[begin:end] = voice
        end, voice = begin, other
    return path
