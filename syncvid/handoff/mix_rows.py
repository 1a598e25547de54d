"""The lines of the statement about a mix: rows with a name, paragraphs, figures."""

from __future__ import annotations

import math
import textwrap
import unicodedata
from collections.abc import Iterator, Sequence

WIDTH = 80
"""Columns of the page."""

INDENT = "  "
"""What stands before everything but headings."""

_NAMES = 20
"""Columns for the names of rows."""


def row(name: str, text: str) -> Iterator[str]:
    """Yield a row with its name on the left; nothing if there is nothing to tell.

    Examples
    --------
    >>> list(row("length", "3:42.6"))
    ['  length              3:42.6']
    """
    if not text:
        return
    head = f"{INDENT}{padded(name, _NAMES)}"
    yield from wrapped(text, first=head, then=" " * (len(INDENT) + _NAMES))


def paragraph(text: str, *, first: str = "", then: str = "") -> Iterator[str]:
    """Yield the lines of a paragraph, indented."""
    yield from wrapped(text, first=INDENT + first, then=INDENT + then)


def wrapped(text: str, *, first: str = "", then: str = INDENT) -> list[str]:
    """Return a text in lines that fit the page; names and paths stay whole."""
    lines = textwrap.wrap(
        text.replace("\xa0", " "),
        WIDTH,
        initial_indent=first,
        subsequent_indent=then,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.rstrip() for line in lines]


def level(value: float | None, unit: str = "", none: str = "none") -> str:
    """Write a level with a tenth and its unit.

    Examples
    --------
    >>> level(-14.04, "LUFS"), level(None, "LUFS"), level(-0.04, "dBTP")
    ('-14.0 LUFS', 'none', '0.0 dBTP')
    """
    if value is None or not math.isfinite(value):
        return none
    return f"{round(value, 1) + 0.0:.1f} {unit}".rstrip()


def change(value: float) -> str:
    """Write by how many decibels something changes.

    Examples
    --------
    >>> change(1.5), change(-0.04), change(-3)
    ('+1.5', '0.0', '-3.0')
    """
    rounded = round(value, 1) + 0.0
    return f"{rounded:+.1f}" if rounded else "0.0"


def listed(texts: Sequence[str]) -> str:
    """Join texts as in a sentence.

    Examples
    --------
    >>> listed(["one", "two", "three"]), listed(["one"])
    ('one, two and three', 'one')
    """
    return " and ".join(filter(None, (", ".join(texts[:-1]), *texts[-1:])))


def padded(text: str, columns: int) -> str:
    """Fill a text up with blanks on the right."""
    return text + " " * (columns - columns_of(text))


def columns_of(text: str) -> int:
    """Return how many columns a text takes in letters of one width.

    Examples
    --------
    >>> columns_of("Flöte"), columns_of("笛")
    (5, 2)
    """
    # Unicode Standard Annex 11; marks that sit on a letter take no column.
    return sum(
        0 if unicodedata.combining(char) else 1 + (unicodedata.east_asian_width(char) in "WF")
        for char in text
    )
