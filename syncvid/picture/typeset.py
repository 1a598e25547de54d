"""Words with the fonts that they are set in, as plain data: chosen once, sent to every worker.

Which font has which letter is found out by `syncvid.picture.fonts`; a `Typeset` then says it for
each run of letters, can be cut, shortened and wrapped without looking at a font's tables again,
and describes itself for a fingerprint.
"""

from __future__ import annotations

import functools
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

ELLIPSIS = "…"

# Joiners and variation selectors; they belong to the letter before them and have no glyph.
INVISIBLE = frozenset({0x200B, 0x200C, 0x200D, 0x200E, 0x200F, 0x2060, *range(0xFE00, 0xFE10)})
_JOINER = "\u200d"

# Not at the end of a shortened text, before the ellipsis.
_LOOSE = " ·,;:-–—(["

# Not at the start of a line (closing punctuation of East Asian text).
_NO_START = frozenset("、。，．・：；！？）」』】〉》ーゝゞぁぃぅぇぉっゃゅょァィゥェォッャュョ")


@dataclass(frozen=True, slots=True)
class Face:
    """One face of a font file.

    Attributes
    ----------
    path : str
        The file.
    index : int
        Which face of a collection.
    axes : tuple of float
        Where on the axes of a variable font; empty for an ordinary one.
    scale : float
        Its letters are drawn this much larger than the em asked for, so that they look as large as
        those of the face beside them.
    identity : str
        What the file is known by, wherever it lies: its name and size.
    """

    path: str
    index: int = 0
    axes: tuple[float, ...] = ()
    scale: float = 1.0
    identity: str = ""


@dataclass(frozen=True, slots=True)
class Run:
    """Letters that are set in one face."""

    text: str
    face: Face


@dataclass(frozen=True, slots=True)
class Typeset:
    """Words ready to be set.

    Attributes
    ----------
    runs : tuple of Run
        In the order in which they are spoken.
    plain : Face
        A face that has the ellipsis and the hyphen.
    from_left : bool
        Whether its lines run from left to right as a whole, also where the first letter, being that
        of a name, does not.
    """

    runs: tuple[Run, ...]
    plain: Face
    from_left: bool = False

    @property
    def text(self) -> str:
        """The words."""
        return "".join(run.text for run in self.runs)

    def __bool__(self) -> bool:
        """Tell whether there is anything to be seen."""
        return bool(self.text.strip())

    def cut(self, start: int, stop: int) -> Typeset:
        """Return ``text[start:stop]`` in the same faces, without space at the ends."""
        text = self.text[start:stop]
        start += len(text) - len(text.lstrip())
        stop = start + len(text.strip())
        runs: list[Run] = []
        at = 0
        for run in self.runs:
            part = run.text[max(0, start - at) : max(0, stop - at)]
            if part:
                runs.append(Run(part, run.face))
            at += len(run.text)
        return replace(self, runs=tuple(runs))

    def plus(self, text: str) -> Typeset:
        """Return the words with others after them, in the plain face."""
        return replace(self, runs=(*self.runs, Run(text, self.plain)))

    def describe(self) -> list[Any]:
        """Describe the words for a fingerprint; where the font files lie does not matter."""
        runs: list[Any] = [
            [run.text, run.face.identity, run.face.index, list(run.face.axes), run.face.scale]
            for run in self.runs
        ]
        return [*runs, "from left"] if self.from_left else runs


Measure = Callable[[Typeset], float]
"""How long words are; see `syncvid.picture.setting.length_px`."""


def clusters(text: str) -> list[str]:
    r"""Cut a text into what a reader takes for one letter: marks and joined signs stay with theirs.

    References
    ----------
    Unicode Standard Annex 29, extended grapheme clusters (in the main: marks, joiners, flags).

    Examples
    --------
    >>> clusters("e\u0301a")
    ['e\u0301', 'a']
    """
    found: list[str] = []
    for letter in text:
        joined = found and (
            unicodedata.category(letter) in ("Mn", "Mc", "Me")
            or ord(letter) in INVISIBLE
            or 0x1F3FB <= ord(letter) <= 0x1F3FF  # skin tones
            or found[-1].endswith(_JOINER)
            or (_is_flag(letter) and _is_flag(found[-1]))
        )
        if joined:
            found[-1] += letter
        else:
            found.append(letter)
    return found


def shortened(words: Typeset, room: float, measure: Measure) -> Typeset:
    """Return words that fit, with an ellipsis in place of what had to go.

    The cut is between two words if that costs no more than a third of what would fit.

    Parameters
    ----------
    words : Typeset
        What is to be written.
    room : float
        How long it may be.
    measure : callable
        Returns how long words are, in the same unit.
    """
    if measure(words) <= room:
        return words
    ends = _ends(words.text)

    def fits(count: int) -> bool:
        return measure(_ended(words, ends[count])) <= room

    # The length grows with the number of letters: halve the interval instead of trying them all.
    low, high = 0, len(ends) - 1
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if fits(middle) else (low, middle - 1)
    if low == 0:
        return replace(words, runs=()).plus(ELLIPSIS)
    end = ends[low]
    at_space = words.text.rfind(" ", 0, end + 1)
    return _ended(words, at_space if at_space >= 2 * end / 3 else end)


def wrapped(words: Typeset, room: float, measure: Measure, most: int = 1000) -> list[Typeset]:
    """Break words into lines that fit, all about equally long.

    Parameters
    ----------
    words : Typeset
        What is to be written; lines break between words, in East Asian text between letters.
    room : float
        How long a line may be.
    measure : callable
        Returns how long words are, in the same unit.
    most : int
        At most so many lines; the last is shortened if that is too few.
    """
    if not words or measure(words) <= room:
        return [words] if words else []
    lines = _filled(words, room, measure)
    if len(lines) > most:
        start = lines[most - 1][0]
        last = shortened(words.cut(start, len(words.text)), room, measure)
        return [*(words.cut(*line) for line in lines[: most - 1]), last]
    narrow, wide = room / 2, room
    for _ in range(6):  # to 1 % of the room
        middle = (narrow + wide) / 2
        trial = _filled(words, middle, measure)
        if len(trial) == len(lines) and all(measure(words.cut(*t)) <= middle for t in trial):
            wide, lines = middle, trial
        else:
            narrow = middle
    return [words.cut(*line) for line in lines]


def line_count(words: Typeset, room: float, measure: Measure) -> int:
    """Return how many lines `wrapped` would need."""
    if not words or measure(words) <= room:
        return int(bool(words))
    return len(_filled(words, room, measure))


def _filled(words: Typeset, room: float, measure: Measure) -> list[tuple[int, int]]:
    """Fill line after line; a word longer than a line is broken between letters."""
    text = words.text
    lines: list[tuple[int, int]] = []
    start = 0
    breaks, letters = _breaks(text), _ends(text)[1:]
    while start < len(text):
        stop = _furthest(words, start, [b for b in breaks if b > start], room, measure)
        if stop is None:
            ends = [end for end in letters if end > start]
            stop = _furthest(words, start, ends, room, measure) or ends[0]
        lines.append((start, stop))
        start = stop
    return lines


def _furthest(
    words: Typeset, start: int, stops: list[int], room: float, measure: Measure
) -> int | None:
    """Return the last of some places up to which a line fits; None if none does."""
    low, high = 0, len(stops)
    while low < high:
        middle = (low + high) // 2
        if measure(words.cut(start, stops[middle])) <= room:
            low = middle + 1
        else:
            high = middle
    return stops[low - 1] if low else None


@functools.lru_cache(maxsize=256)
def _ends(text: str) -> list[int]:
    """Return where letters end, 0 first."""
    ends = [0]
    for cluster in clusters(text):
        ends.append(ends[-1] + len(cluster))
    return ends


@functools.lru_cache(maxsize=256)
def _breaks(text: str) -> list[int]:
    """Return where a line may end (a small part of Unicode Standard Annex 14)."""
    ends = _ends(text)
    return [
        end
        for end in ends[1:]
        if end == len(text)
        or (text[end - 1] in " -–—/" and text[end] != " ")
        or (
            (is_wide(text[end - 1]) or is_wide(text[end]))
            and text[end] not in _NO_START
            and text[end] != " "
        )
    ]


def _ended(words: Typeset, stop: int) -> Typeset:
    """Return the words up to a place, with an ellipsis."""
    kept = words.text[:stop].rstrip(_LOOSE)
    return words.cut(0, len(kept)).plus(ELLIPSIS)


def is_wide(letter: str) -> bool:
    """Tell whether a letter is as wide as high, as East Asian ones are."""
    return unicodedata.east_asian_width(letter) in ("W", "F")


def _is_flag(text: str) -> bool:
    """Tell whether a text is one half of a flag."""
    return len(text) == 1 and 0x1F1E6 <= ord(text) <= 0x1F1FF


def letter_count(text: str) -> int:
    """Return how many letters a reader counts; East Asian ones, being wide, count as two."""
    return sum(1 + is_wide(cluster[0]) for cluster in clusters(text))
