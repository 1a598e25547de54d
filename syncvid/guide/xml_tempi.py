"""Tempi as MusicXML writes them, and how they hold in the order of playing.

MusicXML 4.0 (w3.org/2021/06/musicxml40/musicxml-reference/elements): the `tempo` of `<sound>` is
"expressed in quarter notes per minute"; `<metronome>` is what is printed, a note and how many of
them a minute has, or two notes of which the first, in the old tempo, lasts as long as the second in
the new one.  What sounds wins over what is printed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, NamedTuple

from syncvid.guide.xml_parts import WrittenPart, plain
from syncvid.production.guide_plan import Bar, Place, Tempo, TempoChange
from syncvid.production.note_values import FASTEST, SLOWEST, unit_text
from syncvid.production.played import PlayedBars, beat_at

# Of `note-type-value`, in whole notes; shorter ones are no beats.
_UNITS = {
    "long": Fraction(4),
    "breve": Fraction(2),
    "whole": Fraction(1),
    "half": Fraction(1, 2),
    "quarter": Fraction(1, 4),
    "eighth": Fraction(1, 8),
    "16th": Fraction(1, 16),
    "32nd": Fraction(1, 32),
    "64th": Fraction(1, 64),
}

_NUMBER = re.compile(r"\d{1,5}(?:[.,]\d{1,6})?")

# Quarters a minute: programs that write scores round what sounds (project choice).
_ROUNDED = 0.5

# What musicians write instead of a number; and of that, what no single number stands for.
_GRADUAL = re.compile(
    r"\b(?:rit(?:\.|ard\w*|enuto|en\.)?|rall(?:\.|entando)?|accel(?:\.|erando)?|string(?:\.|endo)"
    r"|allarg(?:\.|ando)?|slarg\w*|slent\w*|calando|morendo|stretto|rubato|cedez|cédez|animando"
    r"|(?:più|piu|meno) mosso|a tempo|in tempo|tempo (?:primo|i|1)\b|tempo di \w+"
    r"|allegr\w+|andant\w+|adagi\w+|larg(?:o|hetto)|lento|prest\w+|vivac\w+|moderato|grave"
    r"|schneller|langsamer|faster|slower)(?!\w)",
    re.IGNORECASE,
)


_ON_THE_WAY = re.compile(
    r"rit|rall|accel|string|allarg|slarg|slent|calando|morendo|stretto|rubato|c[eé]dez|animando",
    re.IGNORECASE,
)


class TempoMark(NamedTuple):
    """A tempo from a place on: number of the measure, from 0, and how far from its beginning."""

    measure: int
    at: Fraction
    tempo: Tempo


class Told(NamedTuple):
    """What is to be said of a measure (its number, from 0), behind "Bar 12"."""

    measure: int
    words: str


@dataclass(slots=True)
class _Place:
    """What is said of the tempo at one place."""

    quarters: float | None = None
    printed: Tempo | None = None
    modulation: tuple[Fraction, Fraction] | None = None
    words: str = ""


def read_tempi(
    parts: Sequence[WrittenPart], bars: Sequence[Bar]
) -> tuple[list[TempoMark], list[Told]]:
    """Read the tempi of a score.

    Parameters
    ----------
    parts : sequence of WrittenPart
    bars : sequence of Bar
        Of each measure.

    Returns
    -------
    (list of TempoMark, list of Told)
        In the order in which they are written; and what is not read or not meant seriously.
    """
    places: dict[tuple[int, Fraction], _Place] = {}
    for part in parts:
        for index, measure in enumerate(part.measures):
            for at, element in measure.directions:
                here = (index, at) if at < bars[index].length else (index + 1, Fraction(0))
                if here[0] < len(bars):
                    _read(element, places.setdefault(here, _Place()))
    marks: list[TempoMark] = []
    told: list[Told] = []
    for (index, at), place in sorted(places.items(), key=lambda item: item[0]):
        tempo, words = _decide(place, marks[-1].tempo if marks else None)
        if tempo is not None:
            marks.append(TempoMark(index, at, tempo))
        told += [Told(index, each) for each in words]
    return marks, told


def _read(element: Any, place: _Place) -> None:
    """Read a direction or sound; of two at one place the first counts."""
    sound = element if element.tag == "sound" else element.find("sound")
    if sound is not None and place.quarters is None and sound.get("tempo") is not None:
        number = _NUMBER.fullmatch(sound.get("tempo").strip())
        place.quarters = _value(number[0]) if number else 0.0
    for metronome in element.iterfind("direction-type/metronome"):
        _read_metronome(metronome, place)
    words = " ".join(w.text or "" for w in element.iterfind("direction-type/words"))
    found = _GRADUAL.search(words)
    if found and not place.words:
        place.words = found[0]


def _read_metronome(metronome: Any, place: _Place) -> None:
    """Read a metronome mark."""
    units: list[Fraction] = []
    dots = Fraction(1)
    for child in metronome:
        if child.tag == "beat-unit":
            units.append(_UNITS.get((child.text or "").strip(), Fraction(0)))
            dots = units[-1]
        elif child.tag == "beat-unit-dot" and units:
            dots /= 2
            units[-1] += dots
        elif child.tag == "metronome-note":
            units.append(_metronome_note(child))
    number = _NUMBER.search(metronome.findtext("per-minute") or "")
    if not all(units):
        return
    if number and len(units) == 1 and place.printed is None:
        place.printed = Tempo(_value(number[0]), units[0])
    elif len(units) == 2 and place.modulation is None:
        place.modulation = units[0], units[1]


def _metronome_note(note: Any) -> Fraction:
    """Return the length of a note of a relation; 0 where it is part of a tuplet."""
    if note.find("metronome-tuplet") is not None:
        return Fraction(0)
    unit = _UNITS.get((note.findtext("metronome-type") or "").strip(), Fraction(0))
    return unit * (2 - Fraction(1, 2 ** min(4, len(note.findall("metronome-dot")))))


def _value(text: str) -> float:
    """Return a number whose decimals may stand behind a comma."""
    return float(text.replace(",", "."))


def _decide(place: _Place, before: Tempo | None) -> tuple[Tempo | None, list[str]]:
    """Return the tempo at a place, if any, and what is to be said of it."""
    printed = place.printed
    told = []
    if printed is None and place.modulation is not None:
        old, new = place.modulation
        if before is not None:
            printed = Tempo(before.quarters / 4.0 / float(old), new)
        elif place.quarters is None:
            told.append("relates its tempo to one before it, which is not there")
    tempo = printed
    if place.quarters is not None and place.quarters > 0:
        sounding = Tempo(place.quarters)
        if printed is None:
            tempo = sounding
        elif abs(printed.quarters - sounding.quarters) > _ROUNDED:
            tempo = sounding
            told.append(
                f"prints a tempo of {_shown(printed)} and sounds at {_shown(sounding)}, which is "
                "taken"
            )
    elif place.quarters is not None and printed is None:
        told.append("leaves its tempo open: write one into the plan")
    if tempo is not None and not SLOWEST <= tempo.per_minute <= FASTEST:
        told.append(
            f"says {_shown(tempo)}, at which nobody can play: it is left out (tempi lie between "
            f"{SLOWEST:g} and {FASTEST:g} a minute)"
        )
        tempo = None
    is_done = tempo is not None and not _ON_THE_WAY.match(place.words)
    if place.words and not is_done:
        told.append(f"says {place.words}: write it into the plan")
    return tempo, told


def _shown(tempo: Tempo) -> str:
    """Write a tempo."""
    return f"{unit_text(tempo.unit)} = {tempo.per_minute:g}"


def lay_tempi(
    marks: Sequence[TempoMark], bars: Sequence[Bar], order: Sequence[int]
) -> tuple[Tempo | None, list[TempoChange]]:
    """Work out the tempo at the beginning, and its changes in the order of the music.

    Where the music jumps back, the tempo of that place holds again.

    Parameters
    ----------
    marks : sequence of TempoMark
        As written.
    bars : sequence of Bar
        Of each measure.
    order : sequence of int
        Which measure is played when.

    Returns
    -------
    (Tempo or None, list of TempoChange)
        None where there is no tempo at all.
    """
    if not marks:
        return None, []
    first = marks[0].tempo
    by_measure: dict[int, list[TempoMark]] = {}
    for mark in marks:
        by_measure.setdefault(mark.measure, []).append(mark)
    wanted: dict[tuple[int, Fraction], Tempo] = {}
    came: dict[int, Tempo] = {}
    now = first
    for previous, index in zip([-1, *order], order, strict=False):
        if index <= previous and _differ(came.get(index, now), now):
            now = wanted[index, Fraction(0)] = came[index]
        came.setdefault(index, now)
        for mark in by_measure.get(index, ()):
            if _differ(mark.tempo, now):
                now = wanted[mark.measure, mark.at] = mark.tempo
    return first, _changes(wanted, bars, order)


def _differ(one: Tempo, other: Tempo) -> bool:
    """Tell whether two tempi are not equally fast."""
    return abs(one.quarters - other.quarters) > 1e-9 * one.quarters


def _changes(
    wanted: dict[tuple[int, Fraction], Tempo], bars: Sequence[Bar], order: Sequence[int]
) -> list[TempoChange]:
    """Return tempi as changes, in the order in which they are first met."""
    at_places = {place_in(bars[index], at): tempo for (index, at), tempo in wanted.items()}
    played = PlayedBars([bars[index] for index in order])
    changes = [TempoChange(place, tempo) for place, tempo in at_places.items()]
    return sorted(changes, key=lambda change: played.positions(change.at)[0])


def place_in(bar: Bar, at: Fraction) -> Place:
    """Return the place so far behind the beginning of a bar as it is played."""
    beat = plain(beat_at(bar.metre, bar.begin + at))
    begin, end = (beat_at(bar.metre, bar.begin + edge) for edge in (Fraction(0), bar.length))
    # What is rounded to the end would be the next bar's.
    return Place(bar.number, max(begin, beat if beat < end else begin))


def told_text(told: Iterable[Told], bars: Sequence[Bar], *, most: int) -> Iterator[str]:
    """Yield what is said of bars as sentences, each once; of very many the first ones."""
    lines = list(
        dict.fromkeys(f"Bar {bars[each.measure].number} {each.words}." for each in sorted(told))
    )
    yield from lines[:most]
    if len(lines) > most:
        yield f"{len(lines) - most} more remarks of this kind are left out."
