"""Repeats, endings and jumps as MusicXML writes them, gathered from all parts.

A `<sound>` says what a sign means, and wins; it stands alone or within a direction.  Where no
sound in the whole score speaks of a kind of jump, its words ("D.C. al Fine", "To Coda") and the
symbols of segno and coda are read.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, NamedTuple

from syncvid.guide.bar_signs import Jump, Signs
from syncvid.guide.xml_parts import Placed, WrittenPart

_NUMBERS = re.compile(r"\d{1,4}")
_TIMES = re.compile(r"\s*\d{1,6}\s*")

_DA_CAPO = re.compile(r"\bd\. ?c\b|\bdc\b|\bda capo\b")
_DAL_SEGNO = re.compile(r"\bd\. ?s\b|\bds\b|\bdal segno\b")
_TO_CODA = re.compile(r"(to|al|alla) (the )?(coda( ?[𝄌⊕Ø])?|[𝄌⊕Ø]( ?coda)?)")
_TO = re.compile(r"(to|al|alla)( the)?")
_SEGNO = re.compile(r"segno( ?𝄋)?|𝄋( ?segno)?")
_CODA = re.compile(r"coda( ?[𝄌⊕])?|[𝄌⊕]( ?coda)?")

# Where words of a jump say that it leads to, what is wanted then, and what is said where it lacks.
_ENDS = (
    (re.compile(r"\bfine\b"), "fine", "al Fine, but there is no Fine: all is played"),
    (re.compile(r"\bcoda\b"), "to_coda", "al Coda, but no bar says To Coda: nothing is left out"),
)


class _Found(NamedTuple):
    """A sign of a kind at a measure.

    Attributes
    ----------
    kind : str
        ``segno``, ``coda``, ``dacapo``, ``dalsegno``, ``tocoda`` or ``fine``.
    measure : int
        Number, from 0, of the one at whose end it acts; segno and coda act at its beginning.
    name : str
    times : tuple of int
    within : int
        Number of the measure that a symbol of segno or coda stands in.
    """

    kind: str
    measure: int
    name: str = ""
    times: tuple[int, ...] = ()
    within: int = 0


@dataclass(slots=True)
class _Gathered:
    """What is found in all parts; of two signs at one place the first part's counts."""

    repeats: list[dict[str, Any]]
    sounds: dict[_Found, None] = field(default_factory=dict)
    words: dict[_Found, None] = field(default_factory=dict)
    remarks: dict[str, None] = field(default_factory=dict)
    # Ends that the words of jumps name: the key of the sign, and what is said where it lacks.
    ends: dict[tuple[str, str], None] = field(default_factory=dict)


def read_signs(parts: Sequence[WrittenPart]) -> tuple[list[Signs], list[str]]:
    """Gather the signs of a score.

    Parameters
    ----------
    parts : sequence of WrittenPart

    Returns
    -------
    (list of Signs, list of str)
        Of each measure, and remarks.
    """
    count = max(len(part.measures) for part in parts)
    gathered = _Gathered([{} for _ in range(count)])
    for part in parts:
        for index, measure in enumerate(part.measures):
            for placed in measure.barlines:
                _read_barline(gathered, index, placed, measure.length, measure.number)
            for placed in measure.directions:
                _read_direction(gathered, index, placed, measure.length)
                _read_ends(gathered, placed.element, measure.number)
    _lay_jumps(gathered)
    laid = {key for signs in gathered.repeats for key in signs}
    gathered.remarks.update(dict.fromkeys(told for key, told in gathered.ends if key not in laid))
    return [Signs(**signs) for signs in gathered.repeats], list(gathered.remarks)


def _read_barline(
    gathered: _Gathered, index: int, placed: Placed, length: Fraction, number: str
) -> None:
    """Read a bar line with a repeat, an ending, or a sign."""
    barline = placed.element
    location = barline.get("location", "right")
    before, here = (index - 1, index) if location == "left" else (index, index + 1)
    repeat, ending = barline.find("repeat"), barline.find("ending")
    if location == "middle":
        before, here = index, index
        if repeat is not None and 0 < placed.at < length:
            remark = f"Bar {number[:20]}: a repeat within the bar is taken at its end."
            gathered.remarks[remark] = None
    if repeat is not None:
        _read_repeat(gathered, repeat, before, here)
    if ending is not None:
        if ending.get("type") == "start":
            # One that does not say where it lies is the left one if nothing comes before it.
            numbers = tuple(int(n) for n in _NUMBERS.findall(ending.get("number", "")))
            _set(gathered, index if placed.at == 0 else here, "ending", numbers)
        else:
            _set(gathered, max(0, before), "ending_stops", True)
    for kind in ("segno", "coda"):
        if barline.get(kind) is not None:
            _add(gathered.sounds, _Found(kind, here, barline.get(kind)))
        elif barline.find(kind) is not None:
            _add(gathered.words, _Found(kind, here, within=index))


def _read_repeat(gathered: _Gathered, repeat: Any, before: int, here: int) -> None:
    """Read a repeat sign between two measures."""
    if repeat.get("direction") == "forward":
        _set(gathered, here, "forward", True)
    elif before >= 0:
        times = repeat.get("times") or ""
        _set(gathered, before, "passes", max(1, int(times)) if _TIMES.fullmatch(times) else 2)
        if repeat.get("after-jump") == "yes":
            _set(gathered, before, "after_jump", True)


def _read_direction(gathered: _Gathered, index: int, placed: Placed, length: Fraction) -> None:
    """Read a direction or a sound that stands alone."""
    element = placed.element
    # What stands at the end of a measure marks the next one's beginning.
    begin = index + 1 if 0 < length <= placed.at else index
    sound = element if element.tag == "sound" else element.find("sound")
    if sound is not None:
        if sound.get("forward-repeat") == "yes":
            _set(gathered, begin, "forward", True)
        for found in _sounds(sound, index, begin):
            _add(gathered.sounds, found)
    if element.tag == "direction":
        for kind in said_jumps(element):
            where = begin if kind in ("segno", "coda") else index
            _add(gathered.words, _Found(kind, where, within=index))


def _sounds(sound: Any, index: int, begin: int) -> Iterator[_Found]:
    """Yield what a sound says of jumps."""
    times = tuple(int(n) for n in _NUMBERS.findall(sound.get("time-only") or ""))
    for kind in ("segno", "coda"):
        if sound.get(kind) is not None:
            yield _Found(kind, begin, sound.get(kind))
    for kind in ("dalsegno", "tocoda"):
        if sound.get(kind) is not None:
            yield _Found(kind, index, sound.get(kind), times)
    for kind in ("dacapo", "fine"):
        if sound.get(kind) not in (None, "no"):
            yield _Found(kind, index, "", times)


def _read_ends(gathered: _Gathered, direction: Any, number: str) -> None:
    """Note which ends the words of a jump name."""
    text = _text(direction)
    if _DA_CAPO.search(text) or _DAL_SEGNO.search(text):
        for words, key, lack in _ENDS:
            if words.search(text):
                gathered.ends.setdefault((key, f"Bar {number[:20]} says {lack}."))


def _text(direction: Any) -> str:
    """Return the words of a direction, in small letters."""
    words = (element.text or "" for element in direction.iterfind("direction-type/words"))
    return " ".join(" ".join(words).lower().split())


def said_jumps(direction: Any) -> list[str]:
    """Return which jumps the words and symbols of a direction mean."""
    text = _text(direction)
    if _DA_CAPO.search(text):
        return ["dacapo"]
    if _DAL_SEGNO.search(text):
        return ["dalsegno"]
    bare = text.strip(" .()\"'")
    has_coda = direction.find("direction-type/coda") is not None
    if _TO_CODA.fullmatch(bare) or (has_coda and _TO.fullmatch(bare)):
        return ["tocoda"]
    if bare == "fine":
        return ["fine"]
    kinds = []
    if direction.find("direction-type/segno") is not None or _SEGNO.fullmatch(bare):
        kinds.append("segno")
    if has_coda or _CODA.fullmatch(bare):
        kinds.append("coda")
    return kinds


def _lay_jumps(gathered: _Gathered) -> None:
    """Put jumps to their measures: those of sounds, and of words where no sound speaks of them."""
    spoken = {found.kind for found in gathered.sounds}
    found = [*gathered.sounds, *(word for word in gathered.words if word.kind not in spoken)]
    kinds = {sign.kind for sign in found}
    codas = sorted({sign.measure for sign in found if sign.kind == "coda"})
    if kinds & {"dacapo", "dalsegno"} and "tocoda" not in kinds and len(codas) == 2:
        # Of two signs without words the first says where to leave, the second where to go to.
        found = [
            _Found("tocoda", sign.within)
            if (sign.kind, sign.measure) == ("coda", codas[0])
            else sign
            for sign in found
        ]
    for sign in found:
        jump = Jump(sign.name, sign.times)
        if sign.kind in ("dacapo", "dalsegno"):
            jump = jump if sign.kind == "dalsegno" else Jump(None, sign.times)
            if sign.measure < len(gathered.repeats):
                signs = gathered.repeats[sign.measure]
                signs["back"] = tuple(dict.fromkeys((*signs.get("back", ()), jump)))
        elif sign.kind == "tocoda":
            _set(gathered, sign.measure, "to_coda", jump)
        elif sign.kind == "fine":
            _set(gathered, sign.measure, "fine", sign.times)
        else:
            _set(gathered, sign.measure, sign.kind, sign.name)


def _set(gathered: _Gathered, index: int, key: str, value: object) -> None:
    """Note a sign at a measure, if there is such a one and nothing is noted yet."""
    if 0 <= index < len(gathered.repeats):
        gathered.repeats[index].setdefault(key, value)


def _add(found: dict[_Found, None], sign: _Found) -> None:
    """Note a sign once."""
    found.setdefault(sign)
