"""Bars from the time signatures of a MIDI file, which stand at ticks and not at bars."""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from syncvid.errors import ProductionError
from syncvid.production.guide_plan import Bar, Metre
from syncvid.production.metres import parse_metre

# More bars than any piece has (project choice).
MOST_BARS = 20_000
# What holds where no time signature is given (SMF 1.0).
_DEFAULT = "4/4"
_MOST_TOLD = 5


@dataclass(frozen=True, slots=True)
class MidiBars:
    """Bars, numbered from 1; an upbeat is bar 0.

    Attributes
    ----------
    bars : tuple of Bar
    starts : tuple of Fraction
        Where each begins, in whole notes; one more for the end.
    remarks : tuple of str
    """

    bars: tuple[Bar, ...]
    starts: tuple[Fraction, ...]
    remarks: tuple[str, ...]

    @property
    def has_upbeat(self) -> bool:
        """Whether the first bar is read as an upbeat."""
        return self.bars[0].number == 0

    def index_at(self, at: Fraction) -> int:
        """Return the index of the bar at a position before the end."""
        return bisect.bisect_right(self.starts, at) - 1

    def with_sections(self, edges: Sequence[int]) -> tuple[Bar, ...]:
        """Return the bars, with a new section at each of the indices `edges` (0 among them)."""
        return tuple(
            replace(bar, section=bisect.bisect_right(edges, index) - 1)
            for index, bar in enumerate(self.bars)
        )


def lay_bars(signatures: Sequence[tuple[Fraction, str]], end: Fraction, *, where: str) -> MidiBars:
    """Lay bars from the beginning up to the end, the last one whole.

    Parameters
    ----------
    signatures : sequence of (Fraction, str)
        Positions in whole notes and metres, in order, one at each position.
    end : Fraction
        Where the music ends; more than 0.
    where : str
        The file, for messages.

    Returns
    -------
    MidiBars
        A bar within which the metre changes is cut short.  A first bar that is shorter than the
        metre after it is read as an upbeat: it has that metre, and number 0.

    Raises
    ------
    ProductionError
        There are too many bars, or a metre cannot be.
    """
    given = [row for row in signatures if row[0] < end]
    remarks = []
    if not given:
        remarks.append("The file names no time signature: 4/4, as the format has it then.")
    if not given or given[0][0] > 0:
        given.insert(0, (Fraction(0), _DEFAULT))
    bars: list[Bar] = []
    starts = [Fraction(0)]
    cut: list[Bar] = []
    if len(given) > 1 and (upbeat := _upbeat(given, where)) is not None:
        bars.append(upbeat)
        starts.append(upbeat.length)
        del given[0]
        remarks.append(_upbeat_remark(upbeat))
    first = 1 - len(bars)
    for index, (_, written) in enumerate(given):
        metre = _metre(written, len(bars) + first, where)
        last = index + 1 == len(given)
        stop = end if last else given[index + 1][0]
        _check_count(len(bars), stop - starts[-1], metre, where)
        while starts[-1] < stop:
            length = metre.length if last else min(metre.length, stop - starts[-1])
            bars.append(Bar(len(bars) + first, metre, length))
            if length < metre.length:
                cut.append(bars[-1])
            starts.append(starts[-1] + length)
    return MidiBars(tuple(bars), tuple(starts), (*remarks, *_cut_remarks(cut)))


def _upbeat(given: Sequence[tuple[Fraction, str]], where: str) -> Bar | None:
    """Return a first bar that is shorter than the second metre; None if it is not."""
    length = given[1][0]
    if length > _metre(given[0][1], 1, where).length:
        return None
    metre = _metre(given[1][1], 1, where)
    if length >= metre.length:
        return None
    return Bar(0, metre, length, begin=metre.length - length)


def _upbeat_remark(upbeat: Bar) -> str:
    """Tell that a bar was taken for an upbeat."""
    return (
        f"The first bar, {upbeat.length} of a whole note, is shorter than the bars in "
        f"{upbeat.metre.name} that follow: it is read as an upbeat, and bar 1 is the one after it. "
        "Compare the numbers with those in the parts."
    )


def _metre(written: str, bar: int, where: str) -> Metre:
    """Read a metre."""
    try:
        return parse_metre(written)
    except ProductionError as exc:
        raise ProductionError(
            f"The time signature of bar {bar} cannot be: {exc.what}",
            where=where,
            fix="Correct it in the score.",
        ) from exc


def _check_count(before: int, length: Fraction, metre: Metre, where: str) -> None:
    """Refuse too many bars before they are made."""
    if before + length / metre.length > MOST_BARS:
        raise ProductionError(
            f"This file has more than {MOST_BARS:,} bars.",
            where=where,
            fix="Remove what stands far behind the music's end.",
        )


def _cut_remarks(cut: list[Bar]) -> list[str]:
    """Tell which bars a new metre cuts short."""
    told = [
        f"Bar {bar.number} is cut short to {bar.length} of a whole note: a time signature follows "
        "in the middle of it."
        for bar in cut[:_MOST_TOLD]
    ]
    if len(cut) > _MOST_TOLD:
        told.append(f"{len(cut) - _MOST_TOLD} more bars are cut short in the same way.")
    return told
