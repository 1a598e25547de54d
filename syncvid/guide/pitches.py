"""Notes by name and number, and how high they are.

Numbers as in MIDI: 69 is A4, 60 is C4.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from syncvid.errors import ProductionError
from syncvid.production.note_values import parse_note

A4 = 69

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}

# The five-limit scale over a lowest note: the ratios with the smallest numbers that are made of the
# primes 2, 3 and 5.  A. J. Ellis's table of intervals in H. Helmholtz, On the Sensations of Tone
# (1885), appendix XX, has all of them (from memory); the tritone is two whole tones and a third
# (9/8 times 5/4), the minor seventh two fifths and a minor third less an octave.
JUST = (
    Fraction(1),
    Fraction(16, 15),
    Fraction(9, 8),
    Fraction(6, 5),
    Fraction(5, 4),
    Fraction(4, 3),
    Fraction(45, 32),
    Fraction(3, 2),
    Fraction(8, 5),
    Fraction(5, 3),
    Fraction(9, 5),
    Fraction(15, 8),
)


def note_number(name: str) -> int:
    """Return the number of a note by its name.

    Raises
    ------
    ProductionError
        It is no name, or lies beyond a piano.

    Examples
    --------
    >>> note_number("A4"), note_number("C4"), note_number("Bb2"), note_number("F#3")
    (69, 60, 46, 54)
    """
    note = parse_note(name.strip())
    letter, signs, octave = note[0], note[1:-1], note[-1]
    return 12 * (int(octave) + 1) + _STEPS[letter] + signs.count("#") - signs.count("b")


def frequency(number: float, a4_hz: float) -> float:
    """Return the pitch of a note in equal temperament, in Hz (ISO 16 has 440 for A4)."""
    return float(a4_hz * 2.0 ** ((number - A4) / 12))


def frequencies(numbers: Sequence[float], *, a4_hz: float, tuning: str) -> tuple[float, ...]:
    """Return the pitches of notes that sound together, the lowest first.

    Parameters
    ----------
    numbers : sequence of float
        Notes; equal ones count once.
    a4_hz : float
        Reference pitch.
    tuning : {"equal", "just"}
        Just: the lowest note as in equal temperament, the others by ratios over it.

    Returns
    -------
    tuple of float
        In Hz.

    Examples
    --------
    >>> [round(hz, 3) for hz in frequencies([69, 73, 76], a4_hz=440, tuning="just")]
    [440.0, 550.0, 660.0]
    """
    notes = sorted(set(numbers))
    if tuning == "equal" or not notes:
        return tuple(frequency(number, a4_hz) for number in notes)
    if tuning != "just":
        raise ProductionError(f"The tuning {tuning!r} is not known.", fix="Write equal or just.")
    root_hz = frequency(notes[0], a4_hz)
    return tuple(root_hz * _ratio(number - notes[0]) for number in notes)


def _ratio(semitones: float) -> float:
    """Return the just ratio of an interval; what lies between the notes keeps its distance."""
    whole = round(semitones)
    octaves, step = divmod(whole, 12)
    return float(JUST[step]) * float(2.0 ** (octaves + (semitones - whole) / 12))
