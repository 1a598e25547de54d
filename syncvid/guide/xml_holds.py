"""Fermatas as holds: as long again as the note that has one (project choice).

The time is put into the last beat of the note, so that it is the note that lasts longer.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from fractions import Fraction

from syncvid.guide.xml_parts import Fermata, WrittenPart, plain
from syncvid.guide.xml_tempi import Told
from syncvid.production.guide_plan import Bar, Hold, Place
from syncvid.production.played import beat_at, beat_length

# So many bars with fermatas are named.
_MOST_NAMED = 12


def read_holds(
    parts: Sequence[WrittenPart], bars: Sequence[Bar], order: Collection[int]
) -> tuple[list[Hold], list[str], list[Told]]:
    """Read the fermatas of a score.

    Parameters
    ----------
    parts : sequence of WrittenPart
    bars : sequence of Bar
        Of each measure.
    order : collection of int
        Measures that are played.

    Returns
    -------
    (list of Hold, list of str, list of Told)
        One for each place, however many parts have it, of several notes for the longest; a remark
        on them all; and fermatas that are not read.
    """
    lengths: dict[tuple[int, Place], Fraction] = {}
    told = []
    for index in sorted(set(order)):
        bar = bars[index]
        for part in parts:
            measure = part.measures[index] if index < len(part.measures) else None
            for fermata in measure.fermatas if measure else ():
                if fermata.length > 0 and fermata.at < bar.length:
                    key = index, _last_beat(bar, fermata)
                    lengths[key] = max(lengths.get(key, Fraction(0)), fermata.length)
            lines = [placed.element for placed in measure.barlines] if measure else []
            if any(line.find("fermata") is not None for line in lines):
                told.append(Told(index, "has a fermata on its bar line: write it into the plan"))
    by_place: dict[Place, Fraction] = {}
    for (_, place), length in sorted(lengths.items()):
        by_place.setdefault(place, length)
    holds = [Hold(place, length=plain(length)) for place, length in by_place.items()]
    return holds, _remark(holds), told


def _last_beat(bar: Bar, fermata: Fermata) -> Place:
    """Return the beat in which a note ends."""
    end = bar.begin + min(fermata.at + fermata.length, bar.length)
    beat = beat_at(bar.metre, end)
    number = beat.numerator // beat.denominator
    if beat == number:
        number -= 1
    start = sum((beat_length(bar.metre, n) for n in range(1, number)), Fraction(0))
    # A bar may begin between two beats.
    return Place(bar.number, beat_at(bar.metre, max(start, bar.begin)))


def _remark(holds: Sequence[Hold]) -> list[str]:
    """Tell how fermatas were read."""
    if not holds:
        return []
    bars = list(dict.fromkeys(hold.at.bar for hold in holds))
    named = ", ".join(map(str, bars[:_MOST_NAMED])) + (", ..." if len(bars) > _MOST_NAMED else "")
    where = f"bar {named}" if len(bars) == 1 else f"bars {named}"
    return [
        f"The fermatas in {where} last as long again as their notes: change that in the plan, "
        "under holds."
    ]
