"""The notes of a part in the order of playing: repeats written out, ties merged."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from syncvid.errors import ProductionError
from syncvid.guide.xml_parts import Measure, WrittenPart
from syncvid.production.guide_plan import Note

# Of all parts, repeats written out (project choice): twenty of the longest symphonies.
_MOST_NOTES = 2_000_000

# In whole notes: tuplets in divisions that do not hold them end so near to the next note.
_ROUNDING = Fraction(1, 128)


def check_amount(parts: Sequence[WrittenPart], order: Sequence[int], *, name: str) -> None:
    """Refuse a score whose repeats would make more notes than any music has.

    Raises
    ------
    ProductionError
        They would.
    """
    counts = [0] * max(len(part.measures) for part in parts)
    for part in parts:
        for index, measure in enumerate(part.measures):
            counts[index] += len(measure.notes)
    if sum(counts[index] for index in order) > _MOST_NOTES:
        raise ProductionError(
            f"With its repeats the score has more than {_MOST_NOTES} notes.",
            where=name,
            fix="Look at the repeats, or export a movement at a time.",
        )


def played_notes(
    part: WrittenPart, order: Sequence[int], starts: Sequence[Fraction]
) -> tuple[Note, ...]:
    """Return the notes of a part as they are played.

    A tie goes on into the measure that is played next, also into a second ending; where the music
    jumps back it is cut.

    Parameters
    ----------
    part : WrittenPart
    order : sequence of int
        Which measure is played when.
    starts : sequence of Fraction
        Position at which each of them begins.

    Returns
    -------
    tuple of Note
        In the order of time, of notes that begin together the lowest first.
    """
    notes: list[Note] = []
    tied: dict[float, list[int]] = {}
    before = -1
    for index, start in zip(order, starts, strict=False):
        if index <= before:
            tied.clear()
        if index < len(part.measures):
            _play(part.measures[index], start, notes, tied)
        before = index
    return tuple(sorted(notes, key=lambda note: (note.at, note.midi)))


def _play(
    measure: Measure, start: Fraction, notes: list[Note], tied: dict[float, list[int]]
) -> None:
    """Add the notes of a measure; `tied` has those that wait for another one, by pitch."""
    for written in measure.notes:
        at, length, midi, goes_on, comes = written
        at += start
        place = _waiting(notes, tied.get(midi, []), at) if comes else None
        if place is None:
            place = len(notes)
            notes.append(Note(at, length, midi))
        else:
            notes[place] = notes[place]._replace(length=at + length - notes[place].at)
        if goes_on:
            tied.setdefault(midi, []).append(place)


def _waiting(notes: list[Note], tied: list[int], at: Fraction) -> int | None:
    """Take out which note, of those that wait, ends where another begins."""
    for place in tied:
        if abs(notes[place].at + notes[place].length - at) < _ROUNDING:
            tied.remove(place)
            return place
    return None
