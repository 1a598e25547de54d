"""Metres as MusicXML writes them: `<time>`, also in groups, of several metres, and cut.

MusicXML 4.0 (w3.org/2021/06/musicxml40/musicxml-reference/elements/time): "A composite such as
3+2/8 requires only one <beats>/<beat-type> pair"; several pairs make 2/4 + 3/8.
"""

from __future__ import annotations

import itertools
import re
from fractions import Fraction
from typing import Any

from syncvid.errors import ProductionError
from syncvid.production.guide_plan import Metre
from syncvid.production.metres import parse_metre

COMMON = parse_metre("4/4")

_NUMBER = re.compile(r"\d{1,4}")


def read_metre(time: Any) -> Metre | None:
    """Read a `<time>`.

    Parameters
    ----------
    time : lxml element

    Returns
    -------
    Metre or None
        None: without metre (senza misura).

    Raises
    ------
    ProductionError
        It is no metre.
    """
    if time.find("senza-misura") is not None:
        return None
    overs = [_words(element) for element in time.iterfind("beats")]
    unders = [_words(element) for element in time.iterfind("beat-type")]
    symbol = time.get("symbol")
    if symbol == "cut" and (overs, unders) in (([], []), (["4"], ["4"])):
        return parse_metre("cut")
    if symbol == "common" and not overs:
        return COMMON
    if not overs or len(overs) != len(unders):
        raise ProductionError("the metre has no beats.")
    return _joined([_metre(over, under) for over, under in zip(overs, unders, strict=True)])


def free_metre(length: Fraction) -> Metre:
    """Return the metre of a bar that has none: its quarters are counted, or what it consists of."""
    under = max(4, length.denominator)
    return parse_metre(f"{length * under} / {under}".replace(" ", ""))


def _words(element: Any) -> str:
    """Return the text of an element without blanks."""
    return "".join((element.text or "").split())


def _metre(over: str, under: str) -> Metre:
    """Return one metre: 3 and 4, or 3+2 and 8."""
    groups = over.split("+")
    if not all(_NUMBER.fullmatch(word) for word in (*groups, under)):
        raise ProductionError(f"{over[:20]}/{under[:20]} is no metre.")
    name = f"{sum(map(int, groups))}/{int(under)}"
    if len(groups) == 1:
        return parse_metre(name)
    # Groups of eighths are beaten as one; quarters and halves are beats themselves.
    counted = "" if int(under) >= 8 else f" in {sum(map(int, groups))}"
    return parse_metre(f"{name}{counted} ({'+'.join(groups)})")


def _joined(metres: list[Metre]) -> Metre:
    """Return several metres as one."""
    if len(metres) == 1:
        return metres[0]
    beats = tuple(beat for metre in metres for beat in metre.beats)
    length = sum(beats, Fraction(0))
    under = max(int(metre.name.split("/")[1]) for metre in metres)
    starts = itertools.accumulate((len(metre.beats) for metre in metres[:-1]), initial=0)
    return Metre(f"{int(length * under)}/{under}", beats, tuple(starts))
