"""Where bars and beats as they are printed lie in the music as it is played."""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Iterator, Sequence
from fractions import Fraction

from syncvid.errors import ProductionError
from syncvid.production.guide_plan import Bar, Metre, Place


def beat_starts(bar: Bar) -> Iterator[tuple[int, Fraction]]:
    """Yield number (from 1) and begin (within the bar's metre) of each beat that begins in a bar.

    In a bar that is longer than its metre, beats as long as the last one follow.
    """
    stop = bar.begin + bar.length
    start = Fraction(0)
    for number in itertools.count(1):
        if start >= stop:
            return
        if start >= bar.begin:
            yield number, start
        start += beat_length(bar.metre, number)


def beat_length(metre: Metre, number: int) -> Fraction:
    """Return the length of a beat, counted from 1; beyond the bar as long as the last one."""
    return metre.beats[min(number, len(metre.beats)) - 1]


def beat_at(metre: Metre, offset: Fraction) -> Fraction:
    """Return the beat that lies so far from a metre's beginning.

    Examples
    --------
    >>> beat_at(Metre("6/8", (Fraction(3, 8),) * 2), Fraction(1, 2))
    Fraction(7, 3)
    """
    number = 1
    while offset >= (length := beat_length(metre, number)):
        offset -= length
        number += 1
    return number + offset / length


def order_text(numbers: Sequence[int]) -> str:
    """Write bars in the order in which they are played.

    Parameters
    ----------
    numbers : sequence of int
        Of each bar, as `played_numbers` returns them.

    Examples
    --------
    >>> order_text([1, 2, 3, 1, 2, 4])
    '1-3, 1-2, 4'
    """
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{a}-{b}" if a != b else f"{a}" for a, b in runs)


def played_numbers(bars: Sequence[Bar]) -> list[int]:
    """Return the numbers of bars as they are played, one that a repeat divides told once.

    Parameters
    ----------
    bars : sequence of Bar
        In the order in which they are played.
    """
    return [
        bar.number
        for before, bar in zip([None, *bars], bars, strict=False)
        if not _goes_on(before, bar)
    ]


class PlayedBars:
    """Bars in the order in which they are played, and where they begin.

    Attributes
    ----------
    bars : sequence of Bar
    starts : list of Fraction
        Position of each bar's beginning, in whole notes from the first one's; one more for the
        end.
    """

    def __init__(self, bars: Sequence[Bar]) -> None:
        self.bars = bars
        self.starts = list(itertools.accumulate((bar.length for bar in bars), initial=Fraction(0)))
        self._times: dict[int, list[list[int]]] = {}
        self._time: list[int] = []
        for index, bar in enumerate(bars):
            times = self._times.setdefault(bar.number, [])
            if _goes_on(bars[index - 1] if index else None, bar):
                times[-1].append(index)
            else:
                times.append([index])
            self._time.append(len(times))

    @property
    def end(self) -> Fraction:
        """Position of the end of the music."""
        return self.starts[-1]

    def times(self, number: int) -> list[list[int]]:
        """Return the indices of a bar, for each time that it is played; in halves where divided."""
        return self._times.get(number, [])

    def time_of(self, index: int) -> int:
        """Return which time a bar is played, as a place says it: 0 where there is only one."""
        return self._time[index] if len(self.times(self.bars[index].number)) > 1 else 0

    def edge(self, index: int, *, end: bool) -> Place:
        """Return the place at which a bar begins or ends, this one time that it is played."""
        bar = self.bars[index]
        offset = bar.begin + (bar.length if end else 0)
        return Place(bar.number, beat_at(bar.metre, offset), self.time_of(index))

    def index_at(self, position: Fraction) -> int:
        """Return the index of the bar in which a position lies; the end counts to the last one."""
        return min(bisect.bisect_right(self.starts, position), len(self.bars)) - 1

    def positions(self, place: Place) -> list[Fraction]:
        """Return the positions of a place: one for each time that it is played, in order.

        Raises
        ------
        ProductionError
            It is not in the music.
        """
        times = self._times.get(place.bar)
        if times is None:
            numbers = [bar.number for bar in self.bars]
            raise ProductionError(
                f"There is no bar {place.bar}: the piece has bars {min(numbers)} to "
                f"{max(numbers)}.",
                fix="Choose one of them.",
            )
        if place.time > len(times):
            raise ProductionError(
                f"Bar {place.bar} is played {_times_text(len(times))}, not {place.time} times.",
                fix="Choose another time.",
            )
        wanted = times if place.time == 0 else [times[place.time - 1]]
        found = [at for pieces in wanted if (at := self._within(pieces, place)) is not None]
        if not found:
            count = len(self.bars[wanted[0][0]].metre.beats)
            raise ProductionError(
                f"Bar {place.bar} has no beat {_beat_text(place.beat)} there: it has {count} in "
                "all, and a bar that is shorter begins or ends between them.",
                fix="Choose a beat that is played.",
            )
        return found

    def bar_at(self, index: int) -> tuple[Bar, Fraction]:
        """Return the bar at an index, and the position of its metre's beginning."""
        return self.bars[index], self.starts[index] - self.bars[index].begin

    def _within(self, pieces: list[int], place: Place) -> Fraction | None:
        """Return the position of a place in one time that its bar is played."""
        for index in pieces:
            bar, zero = self.bar_at(index)
            offset = _offset(bar, place.beat)
            if offset is not None and bar.begin <= offset < bar.begin + bar.length:
                return zero + offset
        bar, zero = self.bar_at(pieces[-1])
        offset = _offset(bar, place.beat)
        return zero + offset if offset == bar.begin + bar.length else None


def _goes_on(before: Bar | None, bar: Bar) -> bool:
    """Tell whether two halves of a bar that a repeat divides are played in one go."""
    return (
        before is not None
        and before.number == bar.number
        and before.begin + before.length == bar.begin
    )


def _offset(bar: Bar, beat: Fraction) -> Fraction | None:
    """Return how far from its metre's beginning a beat of a bar begins."""
    number = beat.numerator // beat.denominator
    if number < 1:
        return None
    whole = sum((beat_length(bar.metre, n) for n in range(1, number)), Fraction(0))
    return whole + (beat - number) * beat_length(bar.metre, number)


def _beat_text(beat: Fraction) -> str:
    """Write a beat: 2, 2.5 or 2 1/3 as ``7/3``."""
    text = f"{float(beat):g}"
    return text if Fraction(text) == beat else str(beat)


def _times_text(count: int) -> str:
    """Write how often."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")
