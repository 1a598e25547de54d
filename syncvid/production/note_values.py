"""Lengths of notes, tempi and pitches as musicians write them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from fractions import Fraction
from typing import NamedTuple

from syncvid.errors import ProductionError
from syncvid.production.guide_plan import Metre, Tempo

_WHOLE = Fraction(1)
_NAMES = {
    "whole": _WHOLE,
    "half": _WHOLE / 2,
    "quarter": _WHOLE / 4,
    "eighth": _WHOLE / 8,
    "sixteenth": _WHOLE / 16,
    "thirty-second": _WHOLE / 32,
    "sixty-fourth": _WHOLE / 64,
}
_OTHER_NAMES = {
    "semibreve": _WHOLE,
    "minim": _WHOLE / 2,
    "crotchet": _WHOLE / 4,
    "quaver": _WHOLE / 8,
    "semiquaver": _WHOLE / 16,
}
_DOTS = {"": Fraction(1), "dotted ": Fraction(3, 2), "double dotted ": Fraction(7, 4)}
_UNITS = {
    dots + name: length * factor
    for dots, factor in _DOTS.items()
    for name, length in (_NAMES | _OTHER_NAMES).items()
}
_FRACTION = re.compile(r"(\d{1,6}) ?/ ?(\d{1,6})")

# Of its note, per minute (project choice): slower nobody counts, faster nobody plays.
SLOWEST, FASTEST = 10.0, 500.0

_TEMPO = re.compile(r"(?:(.+?) ?= ?)?(\d{1,6}(?:\.\d*)?)")

# German H is B, and some letters are names of parts rather than of notes (S, T).
_NOTE = re.compile(r"([A-Ga-g])(##|bb|[#b♯♭]?)(\d)")
_LIKE_A_NOTE = re.compile(r"[A-Ha-h][#b♯♭]{0,2}(?:-?\d{1,2})?")
_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
# From the lowest note of a piano to its highest (A0 and C8, in numbers where A4 is 69).
_LOWEST_NOTE, _HIGHEST_NOTE = 21, 108


class Speed(NamedTuple):
    """A tempo as it is written: of a note, or of the beats of the metre (`unit` None)."""

    per_minute: float
    unit: Fraction | None = None

    def tempo(self, metre: Metre) -> Tempo:
        """Return the tempo that it is in a metre; of uneven beats the short ones count."""
        return Tempo(self.per_minute, min(metre.beats) if self.unit is None else self.unit)


def parse_length(written: str) -> Fraction:
    """Read the length of a note, in whole notes.

    Raises
    ------
    ProductionError
        It is no length above 0.

    Examples
    --------
    >>> str(parse_length("1/16")), str(parse_length("dotted quarter"))
    ('1/16', '3/8')
    """
    text = " ".join(written.lower().split())
    if text in _UNITS:
        return _UNITS[text]
    found = _FRACTION.fullmatch(text)
    if found and int(found[1]) and int(found[2]):
        return Fraction(int(found[1]), int(found[2]))
    raise ProductionError(
        f"{written!r} is no length of a note.", fix='Write "1/16", "eighth" or "dotted quarter"'
    )


def length_text(length: Fraction, per: int = 1) -> str:
    """Write a length as a fraction; a half ``2/4`` where quarters are counted.

    Examples
    --------
    >>> length_text(Fraction(1, 2)), length_text(Fraction(1, 2), per=4)
    ('1/2', '2/4')
    """
    count = length * per
    if per > 1 and count.denominator == 1:
        return f"{count}/{per}"
    return f"{length.numerator}/{length.denominator}"


def unit_text(unit: Fraction) -> str:
    """Write the note that a tempo counts.

    Examples
    --------
    >>> unit_text(Fraction(3, 8)), unit_text(Fraction(5, 16))
    ('dotted quarter', '5/16')
    """
    for dots, factor in _DOTS.items():
        for name, length in _NAMES.items():
            if length * factor == unit:
                return dots + name
    return length_text(unit)


def parse_speed(written: object) -> Speed:
    """Read a tempo: a number of beats per minute, or text like ``dotted quarter = 60``.

    Raises
    ------
    ProductionError
        It is none, or out of reach.
    """
    unit = None
    if isinstance(written, str):
        found = _TEMPO.fullmatch(" ".join(written.split()))
        if found is None:
            raise _no_speed(repr(written))
        unit = parse_length(found[1]) if found[1] else None
        per_minute: float = float(found[2])
    elif isinstance(written, int | float) and not isinstance(written, bool):
        per_minute = written
    else:
        raise _no_speed(str(written).lower())
    if not SLOWEST <= per_minute <= FASTEST:
        raise ProductionError(
            f"nobody can play at a tempo of {_short(written)}: "
            f"it lies between {SLOWEST:g} and {FASTEST:g} a minute."
        )
    return Speed(float(per_minute), unit)


def _short(written: object) -> str:
    """Show what was written; of a very long number its beginning."""
    text = str(written)
    return text if len(text) <= 40 else f"{text[:12]}..."


def speed_text(tempo: Tempo, metre: Metre) -> str:
    """Write a tempo as it stands in TOML: a number of the metre's beats, or text with its note."""
    number = number_text(tempo.per_minute)
    return number if tempo.unit == min(metre.beats) else f'"{unit_text(tempo.unit)} = {number}"'


def number_text(value: float) -> str:
    """Write a number without needless noughts; it reads back as the same one."""
    return str(int(value)) if value == int(value) else repr(value)


def _no_speed(shown: str) -> ProductionError:
    """Return the error of what is no tempo."""
    return ProductionError(
        f"{shown} is no tempo.", fix='Write beats per minute (96), or "dotted quarter = 60"'
    )


def are_notes(words: Iterable[str]) -> bool:
    """Tell whether all words look like notes, whether right or wrong: D3, bb2, H3, A."""
    return all(_LIKE_A_NOTE.fullmatch(word) for word in words)


def parse_note(written: str) -> str:
    """Read the name of a note with its octave, A4 being the one of the tuning fork.

    Raises
    ------
    ProductionError
        It is none, has no octave, or lies beyond a piano.

    Examples
    --------
    >>> parse_note("bb2"), parse_note("F♯3")
    ('Bb2', 'F#3')
    """
    found = _NOTE.fullmatch(written)
    if found is None:
        raise ProductionError(f"{written!r} is no note.", fix=_note_help(written))
    letter = found[1].upper()
    sign = found[2].replace("♯", "#").replace("♭", "b")
    octave = int(found[3])
    number = 12 * (octave + 1) + _SEMITONES[letter] + sign.count("#") - sign.count("b")
    if not _LOWEST_NOTE <= number <= _HIGHEST_NOTE:
        raise ProductionError(f"{written} lies beyond a piano (A0 to C8).")
    return f"{letter}{sign}{octave}"


def _note_help(written: str) -> str:
    """Return what to write instead of what is no note."""
    if written[:1] in ("H", "h"):
        return "German H is B here, German B is Bb"
    if written and not written[-1].isdigit():
        return f"Its octave is missing: {written}3 lies below middle C, which is C4"
    return "Notes are written like D3, F#3 or Bb2"
