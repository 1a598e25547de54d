"""Metres as musicians write them: 3/4, 6/8 in 6, 7/8 (2+2+3), cut."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator
from fractions import Fraction

from syncvid.errors import ProductionError
from syncvid.production.guide_plan import Metre

_METRE = re.compile(
    r"(?P<name>(?P<over>\d{1,4}) ?/ ?(?P<under>\d{1,4}))"
    r"(?: in (?P<count>\d{1,4}))?"
    r"(?: ?\((?P<groups>[\d +]+)\))?"
)
_BEAT = re.compile(r"(>?) ?(\d{1,4}) ?/ ?(\d{1,4})")
_SIGNS = {"c": "4/4", "cut": "2/2"}

# The notes that may be counted, and what so many of them are called.
_NOTES = {
    1: "whole notes",
    2: "halves",
    4: "quarters",
    8: "eighths",
    16: "sixteenths",
    32: "thirty-seconds",
    64: "sixty-fourths",
}

# More beats in a bar are a slip of the pen (project choice).
_MOST_BEATS = 64

_HOW = (
    'Write "3/4", "6/8" (two beats), "6/8 in 6", "7/8 (2+2+3)" (three beats), "cut" or "C"; '
    'or each beat: "5/8 as 3/8 + 2/8"'
)


def parse_metre(written: str) -> Metre:
    """Read a metre.

    Parameters
    ----------
    written : str
        ``3/4``; ``6/8`` and other eighths in threes have dotted beats.  ``6/8 in 6``: so many
        beats.  ``7/8 (2+2+3)``: each group is a beat.  ``7/8 in 7 (2+2+3)``: seven beats, in
        groups.  ``C`` and ``cut``.  ``5/8 as >3/8 + >2/8``: each beat, those marked strong.

    Returns
    -------
    Metre

    Raises
    ------
    ProductionError
        It is no metre, or its numbers do not add up.

    Examples
    --------
    >>> [str(beat) for beat in parse_metre("7/8 (2+2+3)").beats]
    ['1/4', '1/4', '3/8']
    >>> parse_metre("7/8 in 7 (2+2+3)").strong
    (0, 2, 4)
    """
    text = " ".join(written.split())
    text = _SIGNS.get(text.lower(), text)
    name, spelled, beats = text.partition(" as ")
    if spelled:
        return _spelled(name, beats)
    found = _METRE.fullmatch(text)
    if found is None:
        raise ProductionError(f"{written!r} is no metre.", fix=_HOW)
    name = found["name"].replace(" ", "")
    over, under = int(found["over"]), int(found["under"])
    if under not in _NOTES or not 1 <= over <= _MOST_BEATS:
        raise ProductionError(
            f"{name} is no metre: below stands 1, 2, 4, 8, 16, 32 or 64, above 1 to {_MOST_BEATS}."
        )
    groups = _groups(found["groups"], name)
    if found["count"]:
        return _counted(name, Fraction(over, under), int(found["count"]), groups)
    if groups:
        _add_up(groups, over, _NOTES[under], name)
        return Metre(name, tuple(Fraction(group, under) for group in groups))
    if under >= 8 and over > 3 and over % 3 == 0:
        return Metre(name, (Fraction(3, under),) * (over // 3))
    return Metre(name, (Fraction(1, under),) * over)


def metre_text(metre: Metre) -> str:
    """Write a metre as `parse_metre` reads it, as short as can be.

    Examples
    --------
    >>> metre_text(Metre("6/8", (Fraction(1, 8),) * 6, (0, 3)))
    '6/8 in 6'
    """
    for text in _short_forms(metre):
        try:
            if parse_metre(text) == metre:
                return text
        except ProductionError:
            continue
    beats = [
        f"{'>' if number in metre.strong else ''}{length.numerator}/{length.denominator}"
        for number, length in enumerate(metre.beats)
    ]
    return f"{metre.name} as {' + '.join(beats)}"


def _short_forms(metre: Metre) -> Iterator[str]:
    """Yield the ways in which a metre may be written if it is an ordinary one."""
    yield metre.name
    found = _METRE.fullmatch(metre.name)
    if found is None:
        return
    counted = f"{metre.name} in {len(metre.beats)}"
    yield counted
    yield f"{metre.name} ({_sum(beat * int(found['under']) for beat in metre.beats)})"
    edges = [*metre.strong, len(metre.beats)]
    yield f"{counted} ({_sum(b - a for a, b in itertools.pairwise(edges))})"


def _sum(groups: Iterable[object]) -> str:
    """Write groups: 2+2+3."""
    return "+".join(map(str, groups))


def _groups(written: str | None, name: str) -> list[int]:
    """Read groups; none where none are written."""
    words = [word.strip() for word in (written or "").split("+")] if written else []
    if not all(re.fullmatch(r"\d{1,4}", word) and int(word) > 0 for word in words):
        raise ProductionError(f"{name} ({written}): groups are written like (2+2+3).")
    return [int(word) for word in words]


def _add_up(groups: list[int], wanted: int, what: str, name: str) -> None:
    """Refuse groups that make more or less than the metre."""
    if sum(groups) != wanted:
        raise ProductionError(
            f"{name} ({_sum(groups)}): the groups make {sum(groups)} {what}, "
            f"the metre has {wanted}."
        )


def _counted(name: str, length: Fraction, count: int, groups: list[int]) -> Metre:
    """Return a metre of so many even beats."""
    beat = length / count if count else Fraction(0)
    if not 1 <= count <= _MOST_BEATS or beat.denominator & (beat.denominator - 1):
        raise ProductionError(f"{name} cannot be counted in {count} even beats.")
    if groups:
        _add_up(groups, count, "beats", f"{name} in {count}")
        strong = tuple(itertools.accumulate(groups[:-1], initial=0))
    else:
        # Eighths in threes keep their threes when each is counted.
        in_threes = beat <= Fraction(1, 8) and count > 3 and count % 3 == 0
        strong = tuple(range(0, count, 3)) if in_threes else (0,)
    return Metre(name, (beat,) * count, strong)


def _spelled(name: str, written: str) -> Metre:
    """Read a metre whose beats are written one by one."""
    found = [_BEAT.fullmatch(word.strip()) for word in written.split("+")]
    if not name or len(found) > _MOST_BEATS:
        raise ProductionError(f"{name or written!r} is no metre.", fix=_HOW)
    beats, strong = [], {0}
    for number, beat in enumerate(found):
        if beat is None or not int(beat[2]) or not int(beat[3]):
            raise ProductionError(
                f"{name} as {written}: beats are written like 3/8 + 2/8, strong ones like >3/8."
            )
        beats.append(Fraction(int(beat[2]), int(beat[3])))
        if beat[1]:
            strong.add(number)
    metre = Metre(name, tuple(beats), tuple(sorted(strong)))
    printed = _METRE.fullmatch(name)
    if printed and int(printed["under"]):
        length = Fraction(int(printed["over"]), int(printed["under"]))
        if length != metre.length:
            raise ProductionError(f"The beats of {name} make {metre.length}, not {name}.")
    return metre
