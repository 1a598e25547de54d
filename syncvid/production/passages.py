"""Passages as people write them: which take of a part is heard from where to where."""

from __future__ import annotations

import re
from dataclasses import dataclass

from syncvid.errors import ProductionError
from syncvid.production.moments import Moment, parse_moment

_TAKE = re.compile(r"take\s+(\d+)\s*[,:]\s*(.+)", re.IGNORECASE)
_BARS = re.compile(r"bars?\s+(-?\d+)(?:\s*(?:-|–|to)\s*(-?\d+))?", re.IGNORECASE)
_FROM_TO = re.compile(r"(?:from\s+)?(.+?)\s+(?:to|-|–)\s+(.+)", re.IGNORECASE)

_HOW = (
    'Write "take 2, bars 9-16", "take 2, bar 9 beat 3 to bar 12", or seconds: '
    '"take 2, 31.5 to 1:05".'
)


@dataclass(frozen=True, slots=True)
class Passage:
    """A stretch of the piece in which a part is heard from one of its takes.

    Attributes
    ----------
    take : int
        Number of the take.
    begins, ends : Moment
        The stretch.
    """

    take: int
    begins: Moment
    ends: Moment

    def __str__(self) -> str:
        """Write it as a person would."""
        return f"take {self.take}, {self.begins} to {self.ends}"


def parse_passage(written: object) -> Passage:
    """Read a passage.

    Parameters
    ----------
    written : object
        ``"take 2, bars 9-16"`` (both bars whole), ``"take 2, bar 9 beat 3 to bar 12"``,
        ``"take 2, 31.5 to 1:05"``.

    Returns
    -------
    Passage

    Raises
    ------
    ProductionError
        It is none of these, or ends before it begins.

    Examples
    --------
    >>> str(parse_passage("Take 2, bars 9-16"))
    'take 2, bar 9 to end of bar 16'
    >>> str(parse_passage("take 1, bar 9 beat 3 to 1:05"))
    'take 1, bar 9 beat 3 to 65 s'
    """
    match = _TAKE.fullmatch(written.strip()) if isinstance(written, str) else None
    if match is None:
        raise ProductionError(f"{written!r} is no passage.", fix=_HOW)
    begins, ends = _ends_of(match[2].strip(), written)
    if ends.surely_not_after(begins):
        raise ProductionError(f"{written!r} ends before it begins.", fix=_HOW)
    return Passage(int(match[1]), begins, ends)


def _ends_of(text: str, written: object) -> tuple[Moment, Moment]:
    """Return where a stretch begins and ends."""
    if bars := _BARS.fullmatch(text):
        first, last = int(bars[1]), int(bars[2] or bars[1])
        return Moment(None, first), Moment(None, last, is_end=True)
    ends = _FROM_TO.fullmatch(text)
    if ends is None:
        raise ProductionError(f"{written!r} is no passage.", fix=_HOW)
    try:
        return parse_moment(ends[1]), parse_moment(ends[2])
    except ProductionError as exc:
        raise ProductionError(f"{written!r} is no passage: {exc.what}", fix=_HOW) from exc
