"""Places in the music as people write them: bar 9 beat 3 second time, end of bar 16."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import NamedTuple

from syncvid.errors import ProductionError
from syncvid.production.guide_plan import Place
from syncvid.production.played import PlayedBars, beat_at

_TIMES = ("every", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
_NUMBER = r"(-?\d{1,6})"
_BEAT = r"\d{1,4}(?:\.\d{1,6}| \d{1,4}/\d{1,4}|/\d{1,4})?"
_TIME = rf"(?:,? (?:the )?({'|'.join(_TIMES)}|\d{{1,5}}(?:st|nd|rd|th)) time)?"
_BAR = re.compile(rf"bar {_NUMBER}(?:,? beat ({_BEAT}))?{_TIME}", re.IGNORECASE)
_END = re.compile(rf"end of bar {_NUMBER}{_TIME}", re.IGNORECASE)

_HOW = 'Write "bar 9", "bar 9 beat 3", "bar 9 second time" or "end of bar 16"'


class PlaceWords(NamedTuple):
    """A place as it is written; `beat` None is the end of the bar."""

    bar: int
    beat: Fraction | None
    time: int

    def place(self, played: PlayedBars) -> Place:
        """Return the place among bars as they are played."""
        beat = _end_beat(self.bar, self.time, played) if self.beat is None else self.beat
        return Place(self.bar, beat, self.time)


def parse_place(written: object) -> PlaceWords:
    """Read a place.

    Raises
    ------
    ProductionError
        It is none.

    Examples
    --------
    >>> parse_place("bar 9, beat 2 1/3, second time")
    PlaceWords(bar=9, beat=Fraction(7, 3), time=2)
    """
    text = " ".join(written.split()) if isinstance(written, str) else ""
    if end := _END.fullmatch(text):
        return PlaceWords(int(end[1]), None, _time(end[2]))
    if bar := _BAR.fullmatch(text):
        beat = _beat(bar[2] or "1")
        if beat is not None and beat >= 1:
            return PlaceWords(int(bar[1]), beat, _time(bar[3]))
    shown = repr(written) if isinstance(written, str | int | float) else str(written)
    raise ProductionError(f"{shown} is no place.", fix=_HOW)


def place_text(place: Place, played: PlayedBars) -> str:
    """Write a place as `parse_place` reads it."""
    if place.beat == 1:
        text = f"bar {place.bar}"
    elif played.times(place.bar) and place.beat == _end_beat(place.bar, place.time, played):
        text = f"end of bar {place.bar}"
    else:
        text = f"bar {place.bar} beat {_beat_text(place.beat)}"
    return text + (f" {_time_text(place.time)} time" if place.time else "")


def _end_beat(bar: int, time: int, played: PlayedBars) -> Fraction:
    """Return the beat at which a bar ends; of one that is played several times, the first time."""
    times = played.times(bar)
    if not times:
        return Fraction(1)
    last = played.bars[times[min(max(time, 1), len(times)) - 1][-1]]
    return beat_at(last.metre, last.begin + last.length)


def _beat(written: str) -> Fraction | None:
    """Read a beat: 2, 2.5, 2 1/3, 7/3; None where it divides by nothing."""
    try:
        return sum((Fraction(word) for word in written.split()), Fraction(0))
    except ZeroDivisionError:
        return None


def _beat_text(beat: Fraction) -> str:
    """Write a beat: 2, 2.5, or 2 1/3."""
    short = f"{float(beat):.3f}".rstrip("0").rstrip(".")
    if Fraction(short) == beat:
        return short
    whole, rest = divmod(beat, 1)
    return f"{whole} {rest}"


def _time(written: str | None) -> int:
    """Read which time."""
    if written is None:
        return 0
    word = written.lower()
    return _TIMES.index(word) if word in _TIMES else int(word[:-2])


def _time_text(time: int) -> str:
    """Write which time."""
    if time < len(_TIMES):
        return _TIMES[time]
    ending = {1: "st", 2: "nd", 3: "rd"}.get(time % 10, "th") if time // 10 % 10 != 1 else "th"
    return f"{time}{ending}"
