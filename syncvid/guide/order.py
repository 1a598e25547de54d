"""The order in which the bars of a score are played: repeats, endings, jumps and codas.

What MusicXML 4.0 says of its elements holds (w3.org/2021/06/musicxml40/musicxml-reference):

- `<repeat>`: `times` is how often its bars are played in all; after a jump it is not taken again
  unless `after-jump` says so.  (A repeat that is first met after a jump, in a coda, is taken.)
- `<ending>`: its numbers say which times it is played.  After a jump the last one is.
- `<sound>`: da capo and dal segno are taken the first time through, unless `time-only` says other
  times; to coda the second time.  Where a score jumps back, that second time is the one after the
  jump, as musicians read it: not the second time of a repeat.  Fine ends the music after a jump.

A sign acts at the end of the bar that it stands in; where a repeat ends there too, it goes first.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from syncvid.errors import ProductionError
from syncvid.guide.bar_signs import Jump, Signs
from syncvid.guide.repeats import Ending, Repeat, find_repeats


class Order(NamedTuple):
    """The order of bars.

    Attributes
    ----------
    indices : list of int
        Which bar is played when.
    lost : list of (int, str)
        Bars with a jump to a sign that is not there, and what it is: ``dal segno``, ``to coda``.
    """

    indices: list[int]
    lost: list[tuple[int, str]]


def play_order(signs: Sequence[Signs], *, most: int) -> Order:
    """Unfold a score.

    Parameters
    ----------
    signs : sequence of Signs
        Of each bar as it is written.
    most : int
        More bars are not played.

    Returns
    -------
    Order

    Raises
    ------
    ProductionError
        More than `most` bars would be played.

    Examples
    --------
    >>> play_order([Signs(), Signs(passes=2), Signs()], most=100).indices
    [0, 1, 0, 1, 2]
    """
    return _Player(signs, most).play()


class _Player:
    """Walks through a score as a player does."""

    def __init__(self, signs: Sequence[Signs], most: int) -> None:
        self.signs, self.most = signs, most
        self.repeats = find_repeats(signs)
        self.places = {id(repeat): place for place, repeat in enumerate(self.repeats)}
        # Those whose ending or sign was played since the last jump.
        self.met: list[Repeat] = []
        self.ends: dict[int, Repeat] = {}
        self.in_ending: dict[int, Repeat] = {}
        self.skips: dict[int, tuple[Repeat, Ending]] = {}
        for repeat in self.repeats:
            if not repeat.endings:
                self.ends[repeat.last] = repeat
            for ending in repeat.endings:
                self.skips[ending.first] = repeat, ending
                for index in range(ending.first, ending.last + 1):
                    self.in_ending[index] = repeat
                    if signs[index].passes:
                        self.ends[index] = repeat
        self.visits = [0] * len(signs)
        self.taken: set[tuple[int, Jump]] = set()
        self.jumped = False
        self.jumps_back = any(sign.back for sign in signs)
        self.segnos = _named(sign.segno for sign in signs)
        self.codas = _named(sign.coda for sign in signs)
        self.lost: list[tuple[int, str]] = []

    def play(self) -> Order:
        """Return the order."""
        order: list[int] = []
        here = 0
        while here < len(self.signs):
            skip = self.skips.get(here)
            if skip is not None and skip[0].count not in skip[1].numbers:
                here = skip[0].ending_after(here)
                continue
            if len(order) >= self.most:
                raise ProductionError(
                    f"With its repeats and jumps the score has more than {self.most} bars.",
                    fix="Look at the repeats: one may say that it is played very often.",
                )
            order.append(here)
            self.visits[here] += 1
            following = self._after(here)
            if following is None:
                break
            here = following
        return Order(order, self.lost)

    def _after(self, here: int) -> int | None:
        """Return which bar follows; None: the music ends."""
        if here in self.in_ending:
            self.met.append(self.in_ending[here])
        repeat = self.ends.get(here)
        if repeat is not None:
            self.met.append(repeat)
            if repeat.count < repeat.passes:
                repeat.count += 1
                self._begin_inner(repeat)
                return repeat.start
        sign = self.signs[here]
        if self._ends(here, sign):
            return None
        for jump in sign.back:
            if self._takes(here, jump, usual=True):
                target = 0 if jump.to is None else self._segno(here, jump.to)
                if target is not None:
                    self._jump_back()
                    return target
        if sign.to_coda is not None:
            usual = self.jumped if self.jumps_back else self.visits[here] == 2
            if self._takes(here, sign.to_coda, usual=usual):
                target = self._coda(here, sign.to_coda.to or "")
                if target is not None:
                    return target
        return here + 1

    def _begin_inner(self, outer: Repeat) -> None:
        """Let the repeats within one that is played again be played as the first time."""
        # They stand in the order of their ends, so that inner ones are just before.
        for place in range(self.places[id(outer)] - 1, -1, -1):
            repeat = self.repeats[place]
            if repeat.last < outer.start:
                break
            if repeat.start >= outer.start:
                repeat.count = 1

    def _ends(self, here: int, sign: Signs) -> bool:
        """Tell whether the music ends with a bar."""
        if sign.fine is None:
            return False
        return self.visits[here] in sign.fine if sign.fine else self.jumped

    def _takes(self, here: int, jump: Jump, *, usual: bool) -> bool:
        """Tell whether a jump is taken, and remember it; without times it is so once."""
        if jump.times:
            return self.visits[here] in jump.times
        if not usual or (here, jump) in self.taken:
            return False
        self.taken.add((here, jump))
        return True

    def _jump_back(self) -> None:
        """Let repeats that have been played be played as after a jump."""
        self.jumped = True
        for repeat in self.met:
            repeat.count = 1 if repeat.after_jump else repeat.passes
        self.met.clear()

    def _segno(self, here: int, name: str) -> int | None:
        """Return the bar of a segno: of that name, or the nearest one before."""
        found = self.segnos.get(name) or self.segnos.get(None)
        if not found:
            self.lost.append((here, "dal segno"))
            return None
        return found[max(0, bisect.bisect_right(found, here) - 1)]

    def _coda(self, here: int, name: str) -> int | None:
        """Return the bar of a coda behind: of that name, or the next one."""
        for found in (self.codas.get(name, []), self.codas.get(None, [])):
            place = bisect.bisect_right(found, here)
            if place < len(found):
                return found[place]
        self.lost.append((here, "to coda"))
        return None


def _named(names: Iterable[str | None]) -> dict[str | None, list[int]]:
    """Return where signs of each name stand; under None all of them."""
    found: dict[str | None, list[int]] = {}
    for index, name in enumerate(names):
        if name is not None:
            found.setdefault(name, []).append(index)
            found.setdefault(None, []).append(index)
    return found
