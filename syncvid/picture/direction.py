"""In which order letters stand on a line: from left to right, from right to left, or mixed.

A small part of the Unicode Bidirectional Algorithm (Unicode Standard Annex 9), enough for names,
titles and captions: no embeddings, no isolates, no paired brackets.
"""

from __future__ import annotations

import itertools
import unicodedata
from dataclasses import dataclass

# Classes of Annex 9, table 4.
_LEFT, _RIGHT, _NUMBER, _NEUTRAL = "L", "R", "N", "-"
_CLASSES = {"L": _LEFT, "R": _RIGHT, "AL": _RIGHT, "EN": _NUMBER, "AN": _NUMBER}


@dataclass(frozen=True, slots=True)
class Stretch:
    """Letters that run in one direction: `text[start:stop]`."""

    start: int
    stop: int
    from_right: bool


def reads_from_right(text: str) -> bool:
    """Tell whether a line as a whole runs from right to left: its first strong letter says so.

    References
    ----------
    Unicode Standard Annex 9, rules P2 and P3.

    Examples
    --------
    >>> reads_from_right("Flute"), reads_from_right("ענת"), reads_from_right("12 ענת")
    (False, True, True)
    """
    classes = (_CLASSES.get(unicodedata.bidirectional(letter)) for letter in text)
    return next((kind == _RIGHT for kind in classes if kind in (_LEFT, _RIGHT)), False)


def stretches(text: str, *, from_left: bool = False) -> list[Stretch]:
    """Cut a text into stretches of one direction, listed from left to right as they are seen.

    Parameters
    ----------
    text : str
    from_left : bool
        Whether the line as a whole runs from left to right, whatever its first letter.

    References
    ----------
    Unicode Standard Annex 9, rules W1 to L2, without embeddings.
    """
    base = 1 if reads_from_right(text) and not from_left else 0
    levels = _levels(_resolved(text, base), base)
    found: list[tuple[int, Stretch]] = []
    start = 0
    for level, group in itertools.groupby(levels):
        stop = start + len(list(group))
        found.append((level, Stretch(start, stop, level % 2 == 1)))
        start = stop
    for level in range(max(levels, default=0), 0, -1):
        found = _turned(found, level)
    return [stretch for _, stretch in found]


def _resolved(text: str, base: int) -> list[str]:
    """Return left, right or number for each letter (rules W1 to W7, N1, N2)."""
    kinds: list[str] = []
    for letter in text:
        kind = unicodedata.bidirectional(letter)
        kinds.append(
            kinds[-1] if kind == "NSM" and kinds else _CLASSES.get(kind, _NEUTRAL)  # W1
        )
    strong = _RIGHT if base else _LEFT
    for index, kind in enumerate(kinds):
        between = 0 < index < len(kinds) - 1 and kinds[index - 1] == kinds[index + 1] == _NUMBER
        if kind == _NEUTRAL and between and text[index] in ".,:/-+":
            kinds[index] = _NUMBER  # W4
        elif kind == _NUMBER and strong == _LEFT:
            kinds[index] = _LEFT  # W7
        elif kind in (_LEFT, _RIGHT):
            strong = kind
    edge = _RIGHT if base else _LEFT
    start = 0
    for kind, group in itertools.groupby(list(kinds)):
        stop = start + len(list(group))
        if kind == _NEUTRAL:
            before = kinds[start - 1] if start else edge
            after = kinds[stop] if stop < len(kinds) else edge
            sides = {_RIGHT if side == _NUMBER else side for side in (before, after)}
            kinds[start:stop] = [sides.pop() if len(sides) == 1 else edge] * (stop - start)
        start = stop
    return kinds


def _levels(kinds: list[str], base: int) -> list[int]:
    """Return the embedding level of each letter (rules I1 and I2)."""
    level = {_LEFT: 2, _RIGHT: 1, _NUMBER: 2} if base else {_LEFT: 0, _RIGHT: 1, _NUMBER: 2}
    return [level[kind] for kind in kinds]


def _turned(found: list[tuple[int, Stretch]], level: int) -> list[tuple[int, Stretch]]:
    """Turn round each sequence of stretches of at least this level (rule L2)."""
    turned: list[tuple[int, Stretch]] = []
    for high, group in itertools.groupby(found, key=lambda pair: pair[0] >= level):
        members = list(group)
        turned += reversed(members) if high else members
    return turned
