"""Which bars are repeated: the ends of repeats matched with their beginnings, and their endings."""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass, field

from syncvid.guide.bar_signs import Signs


@dataclass(slots=True)
class Ending:
    """Bars `first` to `last`, played the times of `numbers`."""

    first: int
    last: int
    numbers: tuple[int, ...]
    goes_back: bool


@dataclass(slots=True)
class Repeat:
    """Bars that are played several times, from `start` to `last`, its endings included.

    `count` is which time it is; `firsts` has where the endings of a time begin.
    """

    start: int
    last: int
    passes: int
    after_jump: bool
    endings: list[Ending]
    count: int = 1
    firsts: dict[int, list[int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for ending in self.endings:
            for number in ending.numbers:
                self.firsts.setdefault(number, []).append(ending.first)

    def ending_after(self, index: int) -> int:
        """Return where the next ending for this time begins; the bar behind where there is none."""
        firsts = self.firsts.get(self.count, [])
        place = bisect.bisect_right(firsts, index)
        return firsts[place] if place < len(firsts) else self.last + 1


def _endings(signs: Sequence[Signs]) -> list[Ending]:
    """Return the endings; one that does not stop ends with a repeat or before the next one."""
    found = []
    for first, sign in enumerate(signs):
        if sign.ending is None:
            continue
        last = first
        while (
            not signs[last].ending_stops
            and not signs[last].passes
            and last + 1 < len(signs)
            and signs[last + 1].ending is None
            and not signs[last + 1].forward
        ):
            last += 1
        is_closed = signs[last].ending_stops or signs[last].passes or last + 1 < len(signs)
        # Where nothing closes it, its first bar alone is meant for certain.
        last = last if is_closed else first
        goes_back = any(signs[index].passes for index in range(first, last + 1))
        found.append(Ending(first, last, sign.ending, goes_back))
    return found


def _groups(signs: Sequence[Signs]) -> list[list[Ending]]:
    """Return endings that belong together; those that do not say their times get the next one."""
    groups: list[list[Ending]] = []
    taken: set[int] = set()
    top = 0
    for ending in _endings(signs):
        follows = bool(groups) and groups[-1][-1].last + 1 == ending.first
        if follows and taken.isdisjoint(ending.numbers):
            groups[-1].append(ending)
        else:
            groups.append([ending])
            taken, top = set(), 0
        if not ending.numbers:
            ending.numbers = (top + 1,)
        taken.update(ending.numbers)
        top = max(top, *ending.numbers)
    return groups


def find_repeats(signs: Sequence[Signs]) -> list[Repeat]:
    """Match the ends of repeats with their beginnings, inner ones first."""
    groups = {group[0].first: group for group in _groups(signs)}
    repeats: list[Repeat] = []
    open_starts: list[int] = []
    # Where a repeat begins that has no sign for it.
    floor = index = 0
    while index < len(signs):
        sign = signs[index]
        if sign.forward:
            open_starts.append(index)
        group = groups.get(index, [])
        if group or sign.passes:
            last = group[-1].last if group else index
            ends = signs[index : last + 1]
            start = floor
            if any(end.passes for end in ends):
                start = open_starts.pop() if open_starts else floor
                floor = last + 1
            after_jump = any(end.after_jump for end in ends)
            passes = _passes(group) if group else sign.passes
            repeats.append(Repeat(start, last, passes, after_jump, group))
            index = last
        index += 1
    return repeats


def _passes(group: list[Ending]) -> int:
    """Return how often bars with endings are played: as often as their numbers say.

    A lone first ending that goes back is left out the last time.
    """
    top = max(max(ending.numbers) for ending in group)
    return top + 1 if len(group) == 1 and group[0].goes_back else top
