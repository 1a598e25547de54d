"""Fermatas as holds: as long again as the note that has one (project choice).

The time is put into the last beat of the note, so that it is the note that lasts longer.  Fermatas
of a bar whose notes overlap, in whatever parts, are one pause: as long as the longest of these
notes, in the last beat of the one that ends last.  In the bar in which the music ends, at a Fine,
they are held that last time alone, as is usual.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

from syncvid.guide.bar_signs import Signs
from syncvid.guide.xml_parts import Fermata, WrittenPart, plain
from syncvid.guide.xml_tempi import Told
from syncvid.production.guide_plan import Bar, Hold, Place
from syncvid.production.played import PlayedBars, beat_at, beat_length

# So many bars with fermatas are named.
_MOST_NAMED = 12


def read_holds(
    parts: Sequence[WrittenPart],
    bars: Sequence[Bar],
    signs: Sequence[Signs],
    order: Sequence[int],
) -> tuple[list[Hold], list[str], list[Told]]:
    """Read the fermatas of a score.

    Parameters
    ----------
    parts : sequence of WrittenPart
    bars : sequence of Bar
        Of each measure.
    signs : sequence of Signs
        Of each measure.
    order : sequence of int
        Measures as they are played.

    Returns
    -------
    (list of Hold, list of str, list of Told)
        One for each pause; remarks on them; and fermatas that are not read.
    """
    fine_time = _time_of_fine(bars, signs, order)
    by_place: dict[Place, Fraction] = {}
    told = []
    for index in sorted(set(order)):
        bar = bars[index]
        measures = [part.measures[index] for part in parts if index < len(part.measures)]
        time = fine_time if index == order[-1] else 0
        written = [fermata for measure in measures for fermata in measure.fermatas]
        for end, length in _pauses(bar, written):
            by_place.setdefault(_last_beat(bar, end, time), length)
        lines = (line for measure in measures for line in measure.barlines)
        if any(line.element.find("fermata") is not None for line in lines):
            told.append(Told(index, "has a fermata on its bar line: write it into the plan"))
    holds = [Hold(place, length=plain(length)) for place, length in by_place.items()]
    return holds, _remarks(holds, fine_time), told


def _time_of_fine(bars: Sequence[Bar], signs: Sequence[Signs], order: Sequence[int]) -> int:
    """Return which time its bar is played when a jump leads to the Fine; 0: none does."""
    if signs[order[-1]].fine is None or not any(sign.back for sign in signs):
        return 0
    return PlayedBars([bars[index] for index in order]).time_of(len(order) - 1)


def _pauses(bar: Bar, fermatas: Sequence[Fermata]) -> Iterator[tuple[Fraction, Fraction]]:
    """Yield where in the bar each pause's last note ends, and how long its longest note is."""
    end = longest = Fraction(0)
    for fermata in sorted(fermatas):
        if fermata.length <= 0 or fermata.at >= bar.length:
            continue
        if fermata.at >= end and longest > 0:
            yield end, longest
            longest = Fraction(0)
        end = max(end, min(fermata.at + fermata.length, bar.length))
        longest = max(longest, fermata.length)
    if longest > 0:
        yield end, longest


def _last_beat(bar: Bar, end: Fraction, time: int) -> Place:
    """Return the beat in which a note ends."""
    end += bar.begin
    beat = beat_at(bar.metre, end)
    number = beat.numerator // beat.denominator
    if beat == number:
        number -= 1
    start = sum((beat_length(bar.metre, n) for n in range(1, number)), Fraction(0))
    # A bar may begin between two beats.
    return Place(bar.number, beat_at(bar.metre, max(start, bar.begin)), time)


def _remarks(holds: Sequence[Hold], fine_time: int) -> list[str]:
    """Tell how fermatas were read."""
    if not holds:
        return []
    bars = list(dict.fromkeys(hold.at.bar for hold in holds))
    named = ", ".join(map(str, bars[:_MOST_NAMED])) + (", ..." if len(bars) > _MOST_NAMED else "")
    where = f"bar {named}" if len(bars) == 1 else f"bars {named}"
    at_fine = next((hold.at.bar for hold in holds if fine_time and hold.at.time), None)
    return [
        f"The fermatas in {where} last as long again as their notes: change that in the plan, "
        "under holds.",
        *(
            [f"In bar {at_fine}, of the Fine, they are held only at the end of the music."]
            if at_fine is not None
            else []
        ),
    ]
