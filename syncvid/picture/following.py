"""Following the sound: which take a tile shows at which moment, and at which place of the take.

A mix may use one take of a part here and another there, and may have moved or stretched a phrase.
Sync tells this in spans; the tile shows the take and the place that are heard.  Where it changes
there is some freedom: between what is heard of the one and of the other nothing is heard at all,
and a cut some tenths of a second beside the splice is not noticed if nobody plays then.  So the cut
lies where both are quietest.

Times are reference seconds unless they say otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from syncvid.arrays import Floats
from syncvid.timeline import Placement, Span

Loudness = Callable[[Floats], Floats]
"""Levels of a sound at moments of its clip, in dB; a rest is all one level."""

# What differs by less is one place (spans are told to about a millisecond).
_SAME_S = 0.001

# A jump of less than about half a picture is not seen: it is followed, but it is no cut.
_UNSEEN_S = 0.020

# Nothing shorter gets a picture of its own.  Two cuts within it would be three pictures in less
# than a second; WCAG 2.2, success criterion 2.3.1, allows three flashes in a second.
SHORTEST_S = 0.7

# How far beside the time in which neither is heard a cut may lie, on each side: what a viewer of
# the tile hardly notices as playing on too long (project choice).
BESIDE_S = 0.5

# A moment beside it must be quieter by this much to be preferred; moments that differ by less than
# the second are equally quiet, and then the one nearest to the middle is taken.
_BESIDE_DB = 3.0
_TIED_DB = 1.0

# Moments at which a cut is tried are so far apart.
_STEP_S = 0.010

# A dissolve of less than two pictures is a cut.
_SHORTEST_DISSOLVE_S = 0.080


@dataclass(frozen=True, slots=True)
class Take:
    """A take as far as it matters for showing it.

    Attributes
    ----------
    placement : Placement
        Its sound's clock on the reference.
    stretch_s : (float, float)
        Clip seconds between which it lies in its file.
    pictures_s : (float, float)
        Clip seconds between which there are pictures.
    spans : tuple of Span
        Where it is heard; empty where that is not known: in all of its stretch.
    late_s : float
        How late its picture comes behind its sound.
    loudness : callable or None
        Its levels; asked only where a cut is to be placed.  None: cuts lie in the middle.
    """

    placement: Placement
    stretch_s: tuple[float, float]
    pictures_s: tuple[float, float]
    spans: tuple[Span, ...] = ()
    late_s: float = 0.0
    loudness: Loudness | None = None

    def runs(self, number: int = 0) -> list[Run]:
        """Return where it is heard, on the reference, in the order of the spans."""
        spans = self.spans or (Span(*self.stretch_s, self.placement.offset_s),)
        runs = []
        for span in spans:
            own = span.drift_ppm
            line = Placement(span.offset_s, self.placement.drift_ppm if own is None else own)
            from_s, to_s = (line.to_reference(at) for at in (span.clip_from_s, span.clip_to_s))
            runs.append(Run(number, line, from_s, to_s))
        return runs

    def on_screen(self, line: Placement) -> Placement:
        """Return the clock of its picture: what is late is shown that much earlier."""
        return replace(line, offset_s=line.offset_s - self.late_s * line.rate)

    def pictures_on(self, line: Placement) -> tuple[float, float]:
        """Return between which reference seconds it has pictures."""
        seen = self.on_screen(line)
        begin_s = max(self.pictures_s[0], self.stretch_s[0])
        end_s = min(self.pictures_s[1], self.stretch_s[1])
        return seen.to_reference(begin_s), seen.to_reference(end_s)


@dataclass(frozen=True, slots=True)
class Run:
    """A time in which one take is heard on one line.

    Attributes
    ----------
    take : int
        Its number.
    line : Placement
        Its sound's clock on the reference, here.
    from_s, to_s : float
        The time.
    """

    take: int
    line: Placement
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Shot:
    """A time in which a tile shows one take.

    Attributes
    ----------
    take : int
        Its number.
    placement : Placement
        Its picture's clock on the reference.
    from_s, to_s : float
        The time.
    dissolve_s : float
        How long it takes to take over from the shot before, centred on `from_s`; 0: it cuts.
    """

    take: int
    placement: Placement
    from_s: float
    to_s: float
    dissolve_s: float = 0.0

    @property
    def length_s(self) -> float:
        """Its length."""
        return self.to_s - self.from_s


@dataclass(frozen=True, slots=True)
class _Change:
    """When one thing ends and the next begins, and how far pictures of both reach beyond that."""

    end_s: float
    begin_s: float
    spare_s: float


def follow(takes: Sequence[Take], *, dissolve_s: float = 0.0) -> tuple[Shot, ...]:
    """Follow what is heard of a part.

    Parameters
    ----------
    takes : sequence of Take
        The takes of one tile.
    dissolve_s : float
        How long a change that is seen should take; it is shorter where the pictures of one of the
        two do not reach.

    Returns
    -------
    tuple of Shot
        In the order of time, none overlapping.  Before what is first heard, and after what is last
        heard, the clip runs on as far as it has pictures.
    """
    groups = _worth_showing([run for at, take in enumerate(takes) for run in take.runs(at)])
    if not groups:
        return ()
    changes = [_change(takes, groups, at) for at in range(1, len(groups))]
    begins_s = [-math.inf, *(change.begin_s for change in changes)]
    ends_s = [*(change.end_s for change in changes), math.inf]
    spares_s = [0.0, *(change.spare_s for change in changes)]
    shots: list[Shot] = []
    for group, begin_s, end_s, spare_s in zip(groups, begins_s, ends_s, spares_s, strict=True):
        found = _shots_of(takes, group, begin_s, end_s)
        if found and shots:
            most_s = min(dissolve_s, 2 * spare_s, shots[-1].length_s, found[0].length_s)
            found[0] = replace(found[0], dissolve_s=most_s if most_s >= _SHORTEST_DISSOLVE_S else 0)
        shots += found
    return tuple(shots)


def heard_together_s(one: Take, other: Take) -> float:
    """Return for how long, at most, a run of one take and a run of another are heard at once."""
    return max(
        min(a.to_s, b.to_s) - max(a.from_s, b.from_s) for a in one.runs() for b in other.runs()
    )


def _worth_showing(runs: Sequence[Run]) -> list[list[Run]]:
    """Return the runs in groups between which there is a change that is seen.

    Groups that are too short are left out, the shortest first: a neighbour goes on.
    """
    left = sorted((run for run in runs if run.to_s > run.from_s), key=lambda run: run.from_s)
    while True:
        groups = _groups(left)
        lengths = [_seen_alone_s(groups, at) for at in range(len(groups))]
        shortest = int(np.argmin(lengths)) if lengths else 0
        if len(groups) < 2 or lengths[shortest] >= SHORTEST_S:
            return groups
        left = [run for at, group in enumerate(groups) for run in group if at != shortest]


def _groups(runs: Sequence[Run]) -> list[list[Run]]:
    """Join runs on one line, and put those together between which the change is not seen."""
    groups: list[list[Run]] = []
    for run in runs:
        last = groups[-1][-1] if groups else None
        jump_s = _jump_s(last, run) if last is not None else math.inf
        if last is not None and jump_s < _SAME_S:
            groups[-1][-1] = replace(last, to_s=max(last.to_s, run.to_s))
        elif jump_s < _UNSEEN_S:
            groups[-1].append(run)
        else:
            groups.append([run])
    return groups


def _jump_s(before: Run, after: Run) -> float:
    """Return by how much the picture jumps from one run to the next; endless between takes."""
    if before.take != after.take:
        return math.inf
    # Lines of two drifts part: they are one only if they are so at both ends of what follows.
    ends_s = (_middle_s(before, after), after.to_s)
    jumps = [abs(before.line.to_clip(at) - after.line.to_clip(at)) for at in ends_s]
    return max(jumps) if max(jumps) < _SAME_S else max(jumps[0], _SAME_S)


def _middle_s(before: Run, after: Run) -> float:
    """Return the middle between what is heard of two runs, or of what is heard of both."""
    return (before.to_s + after.from_s) / 2


def _seen_alone_s(groups: Sequence[Sequence[Run]], at: int) -> float:
    """Return how long a group is heard while its neighbours are not."""
    begin_s, end_s = groups[at][0].from_s, max(run.to_s for run in groups[at])
    if at:
        begin_s = max(begin_s, max(run.to_s for run in groups[at - 1]))
    if at + 1 < len(groups):
        end_s = min(end_s, groups[at + 1][0].from_s)
    return end_s - begin_s


def _change(takes: Sequence[Take], groups: Sequence[Sequence[Run]], at: int) -> _Change:
    """Place the change to a group from the one before it."""
    old, new = groups[at - 1][-1], groups[at][0]
    _, last_s = takes[old.take].pictures_on(old.line)
    first_s, _ = takes[new.take].pictures_on(new.line)
    low_s, high_s = sorted((old.to_s, new.from_s))
    begin_s = max(low_s - _room_s(groups, at - 1), first_s)
    end_s = min(high_s + _room_s(groups, at), last_s)
    if end_s < begin_s:
        # There is no moment of which both have pictures: each is shown as far as it goes.
        middle_s = (low_s + high_s) / 2
        return _Change(min(middle_s, last_s), max(middle_s, first_s), 0.0)
    at_s = _quietest_s(takes, (old, new), (begin_s, end_s), (low_s, high_s))
    return _Change(at_s, at_s, min(at_s - first_s, last_s - at_s))


def _room_s(groups: Sequence[Sequence[Run]], at: int) -> float:
    """Return how far a cut may move into a group, so that enough of it is left."""
    return min(BESIDE_S, max(0.0, (_seen_alone_s(groups, at) - SHORTEST_S) / 2))


def _quietest_s(
    takes: Sequence[Take],
    runs: tuple[Run, Run],
    allowed: tuple[float, float],
    free: tuple[float, float],
) -> float:
    """Return the moment at which a cut shows least.

    Parameters
    ----------
    takes : sequence of Take
        All takes.
    runs : (Run, Run)
        Between which to cut.
    allowed : (float, float)
        Between which times.
    free : (float, float)
        Between which times nothing is heard of either, or something of both.
    """
    middle_s = min(max(sum(free) / 2, allowed[0]), allowed[1])
    known = [(takes[run.take].loudness, run.line) for run in runs]
    if any(loudness is None for loudness, _ in known):
        return middle_s
    steps = np.arange(np.ceil((allowed[0] - middle_s) / _STEP_S), (allowed[1] - middle_s) / _STEP_S)
    times_s = middle_s + steps * _STEP_S
    if not times_s.size:
        return middle_s
    levels = [
        loudness((times_s - line.offset_s) / line.rate)
        for loudness, line in known
        if loudness is not None
    ]
    beside = (times_s < free[0] - _STEP_S / 2) | (times_s > free[1] + _STEP_S / 2)
    cost = np.maximum(*levels) + _BESIDE_DB * beside
    tied = times_s[cost <= cost.min() + _TIED_DB]
    return float(tied[np.argmin(np.abs(tied - middle_s))])


def _shots_of(
    takes: Sequence[Take], group: Sequence[Run], begin_s: float, end_s: float
) -> list[Shot]:
    """Return the shots of a group that is shown between two times, as far as it has pictures."""
    inner_s = [_middle_s(before, after) for before, after in pairwise(group)]
    edges_s = [begin_s, *(min(max(at, begin_s), end_s) for at in inner_s), end_s]
    shots = []
    for run, (from_s, to_s) in zip(group, pairwise(edges_s), strict=True):
        first_s, last_s = takes[run.take].pictures_on(run.line)
        from_s, to_s = max(from_s, first_s), min(to_s, last_s)
        if to_s > from_s:
            seen = takes[run.take].on_screen(run.line)
            shots.append(Shot(run.take, seen, from_s, to_s))
    return shots
