"""The parts of a MusicXML score as they are written: their notes, and what else stands where.

MusicXML 4.0 (w3.org/2021/06/musicxml40/musicxml-reference/elements): a cursor walks through each
measure; notes and `<forward>` move it on, `<backup>` back, and notes of a `<chord>` begin with the
note before.  Durations count divisions of a quarter.  Positions and lengths here are whole notes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, NamedTuple

from syncvid.errors import ProductionError

# Project choices: an evening's music, and an orchestra with choir and every desk on its own.
MOST_PARTS = 200
MOST_MEASURES = 20_000

_DECIMAL = re.compile(r"\s*\+?(-?\d{1,10}(?:\.\d{1,6})?)\s*")
_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
# A tie may be written for the eye alone.
_TIES = ("tie", "tied")


# Plans tell lengths and beats to this fraction: thirds, fifths and 64ths are whole ones.
FINEST = 960


def plain(length: Fraction) -> Fraction:
    """Return a length or beat as a plan can tell it: one of odd divisions is rounded, not to 0."""
    if length.denominator <= FINEST:
        return length
    return Fraction(max(1, round(length * FINEST)), FINEST)


class WrittenNote(NamedTuple):
    """A note in its measure.

    Attributes
    ----------
    at, length : Fraction
        From the measure's beginning.
    midi : float
        Sounding pitch.
    goes_on, comes : bool
        A tie begins, or ends, at it.
    """

    at: Fraction
    length: Fraction
    midi: float
    goes_on: bool
    comes: bool


class Fermata(NamedTuple):
    """A note or rest with a fermata."""

    at: Fraction
    length: Fraction


class Placed(NamedTuple):
    """An element that is read later, at its place in the measure."""

    at: Fraction
    element: Any


@dataclass(slots=True)
class Measure:
    """A measure of one part.

    Attributes
    ----------
    number : str
        As it is written, whatever it is.
    implicit : bool
        Whether its number is never shown.
    length : Fraction
        How far its notes, rests and `<forward>` reach; rests of whole measures left out.
    rests : Fraction
        How far rests of whole measures reach.
    notes, fermatas : list
    times, directions, barlines : list of Placed
        `<time>`; `<direction>` and `<sound>`; `<barline>`.
    """

    number: str
    implicit: bool
    length: Fraction = Fraction(0)
    rests: Fraction = Fraction(0)
    notes: list[WrittenNote] = field(default_factory=list)
    fermatas: list[Fermata] = field(default_factory=list)
    times: list[Placed] = field(default_factory=list)
    directions: list[Placed] = field(default_factory=list)
    barlines: list[Placed] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class WrittenPart:
    """A part: its name, and its measures."""

    name: str
    measures: list[Measure]


def read_parts(root: Any, *, name: str) -> list[WrittenPart]:
    """Read the parts of a score.

    Parameters
    ----------
    root : lxml element
        ``score-partwise`` or ``score-timewise``.
    name : str
        Of the file, for messages.

    Raises
    ------
    ProductionError
        There are none, or too many; a duration is no number.
    """
    names = _part_names(root)
    found = _measures_by_part(root)
    if len(found) > MOST_PARTS:
        raise ProductionError(
            f"The score has {len(found)} parts: {MOST_PARTS} are the most.", where=name
        )
    if any(len(measures) > MOST_MEASURES for measures in found.values()):
        raise ProductionError(
            f"The score has more than {MOST_MEASURES} bars.",
            where=name,
            fix="Export a movement at a time.",
        )
    if not any(found.values()):
        raise ProductionError("The score has no bars.", where=name, fix="Export it again.")
    shown = _told_apart(
        names.get(key) or f"Part {number}" for number, key in enumerate(found, start=1)
    )
    return [
        WrittenPart(title, _Reader(title, name).read(measures))
        for title, measures in zip(shown, found.values(), strict=True)
    ]


def _part_names(root: Any) -> dict[str, str]:
    """Return the names of parts by their keys."""
    return {
        part.get("id", ""): " ".join((part.findtext("part-name") or "").split())
        for part in root.iterfind("part-list/score-part")
    }


def _measures_by_part(root: Any) -> dict[str, list[tuple[Any, Any]]]:
    """Return for each part its measures: what has their attributes, and what has their content."""
    found: dict[str, list[tuple[Any, Any]]] = {}
    if root.tag == "score-partwise":
        for number, part in enumerate(root.iterfind("part")):
            key = part.get("id") or f"#{number}"
            found.setdefault(key, []).extend((m, m) for m in part.iterfind("measure"))
    else:
        for measure in root.iterfind("measure"):
            for part in measure.iterfind("part"):
                found.setdefault(part.get("id", ""), []).append((measure, part))
    return found


def _told_apart(names: Iterable[str]) -> Iterator[str]:
    """Yield names, those that come again with a number."""
    seen: dict[str, int] = {}
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        yield name if seen[name] == 1 else f"{name} ({seen[name]})"


class _Reader:
    """Walks through the measures of a part; divisions and transpositions hold until they change."""

    def __init__(self, part: str, file: str) -> None:
        self.part, self.file = part, file
        self.whole = Fraction(1, 4)
        # What has been worked out already: durations by their text, pitches by theirs.
        self.lengths: dict[str | None, Fraction] = {}
        self.pitches: dict[tuple[str | None, ...], float] = {}
        self.transposed: dict[str | None, float] = {}
        self.here = self.onset = Fraction(0)
        self.measure = Measure("", False)

    def read(self, measures: list[tuple[Any, Any]]) -> list[Measure]:
        """Return the measures."""
        return [self._measure(head, content) for head, content in measures]

    def _measure(self, head: Any, content: Any) -> Measure:
        """Read one measure."""
        number = (head.get("text") or head.get("number") or "").strip()
        self.measure = measure = Measure(number, head.get("implicit") == "yes")
        self.here = self.onset = Fraction(0)
        for element in content:
            tag = element.tag
            if tag == "note":
                self._note(element)
            elif tag == "backup":
                self.here = max(Fraction(0), self.here - self._duration(element))
            elif tag == "forward":
                self._move(self.here + self._duration(element))
            elif tag == "attributes":
                self._attributes(element)
            elif tag in ("direction", "sound"):
                at = max(Fraction(0), self.here + self._offset(element))
                measure.directions.append(Placed(at, element))
            elif tag == "barline":
                measure.barlines.append(Placed(self.here, element))
        return measure

    def _move(self, to: Fraction) -> None:
        """Put the cursor somewhere that belongs to the measure."""
        self.here = to
        self.measure.length = max(self.measure.length, to)

    def _attributes(self, attributes: Any) -> None:
        """Read what holds from here on."""
        for element in attributes:
            if element.tag == "divisions":
                divisions = self._number(element.text, "divisions")
                if divisions <= 0:
                    raise self._wrong("divisions", element.text)
                self.whole = 1 / (4 * divisions)
                self.lengths.clear()
            elif element.tag == "time":
                self.measure.times.append(Placed(self.here, element))
            elif element.tag == "transpose":
                octaves = self._number(element.findtext("octave-change") or "0", "octave-change")
                steps = self._number(element.findtext("chromatic") or "0", "chromatic")
                self.transposed[element.get("number")] = float(steps + 12 * octaves)

    def _offset(self, element: Any) -> Fraction:
        """Return how far from the cursor a direction sounds: most offsets are for the eye alone."""
        sound = element if element.tag == "sound" else element.find("sound")
        offset = None if sound is None else sound.find("offset")
        if offset is None:
            offset = element.find("offset")
            if offset is None or offset.get("sound") != "yes":
                return Fraction(0)
        return self._number(offset.text, "offset") * self.whole

    def _note(self, note: Any) -> None:
        """Read one note or rest; grace and cue notes and those without a pitch do not sound."""
        found = {child.tag: child for child in note}
        if "grace" in found:
            return
        length = self._duration(note)
        if "chord" not in found:
            self.onset = self.here
        end = self.onset + length
        if "rest" in found and found["rest"].get("measure") == "yes":
            self.here = end
            self.measure.rests = max(self.measure.rests, end)
        elif "chord" in found:
            self.measure.length = max(self.measure.length, end)
        else:
            self._move(end)
        if "notations" in found and note.find("notations/fermata") is not None:
            self.measure.fermatas.append(Fermata(self.onset, length))
        if "pitch" in found and "cue" not in found and length > 0:
            staff = found["staff"].text if "staff" in found else None
            midi = self._pitch(found["pitch"], staff)
            ties = set()
            if "tie" in found or "notations" in found:
                ties = {tie.get("type") for tie in note.iter(*_TIES)}
            self.measure.notes.append(
                WrittenNote(self.onset, length, midi, "start" in ties, "stop" in ties)
            )

    def _pitch(self, pitch: Any, staff: str | None) -> float:
        """Return the sounding pitch; 69 is A4."""
        written = tuple(pitch.findtext(tag) for tag in ("step", "octave", "alter"))
        if written not in self.pitches:
            step = _STEPS.get((written[0] or "").strip())
            octave = self._number(written[1], "octave")
            if step is None or abs(octave) > 12:
                raise self._wrong("pitch", written[0])
            alter = float(self._number(written[2] or "0", "alter"))
            self.pitches[written] = 12.0 * (int(octave) + 1) + step + alter
        for_all = self.transposed.get(None, 0.0)
        return self.pitches[written] + self.transposed.get(staff, for_all)

    def _duration(self, element: Any) -> Fraction:
        """Return a duration in whole notes."""
        text = element.findtext("duration")
        if text not in self.lengths:
            duration = self._number(text, "duration")
            if duration < 0:
                raise self._wrong("duration", text)
            self.lengths[text] = duration * self.whole
        return self.lengths[text]

    def _number(self, text: str | None, what: str) -> Fraction:
        """Read a number, which is short: long ones are made to keep us busy."""
        found = _DECIMAL.fullmatch(text or "")
        if found is None:
            raise self._wrong(what, text)
        return Fraction(found[1])

    def _wrong(self, what: str, text: str | None) -> ProductionError:
        """Return the error of something that cannot be read."""
        shown = repr((text or "").strip()[:40])
        return ProductionError(
            f"Bar {self.measure.number[:20]} of {self.part[:60]}: {what} {shown} cannot be read.",
            where=self.file,
            fix="Export the score again.",
        )
