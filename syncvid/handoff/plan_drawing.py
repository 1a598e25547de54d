"""Pens and scales of the picture of a plan, in the units of its drawing."""

from __future__ import annotations

from dataclasses import dataclass

from syncvid.handoff.markup import element, escape, number

INK, RED, ASIDE, RULE, PAPER = "#1f1c18", "#a3261d", "#6a645b", "#d8d2c4", "#fffdf7"
"""Colours of the page (WCAG 2.2, 1.4.3: text 4.5 to 1 on what lies behind it)."""

COUNTED = "#efe9da"
"""What is behind the count-in."""

SECTION = "#8a8171"
"""Lines where sections begin (WCAG 2.2, 1.4.11: 3 to 1)."""

WIDTH = 1000.0
LEFT, RIGHT = 66.0, 984.0
TOP, BOTTOM = 98.0, 262.0
NUMBERS_Y = 280.0
AGAIN_Y = 296.0

END, AGAIN_END = 290.0, 320.0
"""Lower edge of the drawing: without repeats, and with them."""

TYPE = 15.0
_LETTER = 0.5
"""Width of a letter in ems, on the safe side; a wide one has twice that."""

# From here on letters are as wide as they are high (Unicode 15: CJK radicals and what follows).
_WIDE_FROM = 0x2E80


@dataclass(frozen=True, slots=True)
class Scale:
    """From bars and tempi to places in the drawing.

    Attributes
    ----------
    bars : int
        How many are played, count-in included.
    low, high : float
        The tempi at the lower and upper edge, per minute.
    """

    bars: int
    low: float
    high: float

    def x(self, bar: float) -> float:
        """Return where a place in the bars lies, counted as they are played."""
        return LEFT + (RIGHT - LEFT) * bar / max(self.bars, 1)

    def y(self, tempo: float) -> float:
        """Return where a tempo lies."""
        return BOTTOM - (BOTTOM - TOP) * (tempo - self.low) / (self.high - self.low)


def wide(text: str) -> float:
    """Return how much room a text takes, on the safe side."""
    ems = (2 * _LETTER if ord(letter) >= _WIDE_FROM else _LETTER for letter in text)
    return sum(ems) * TYPE


def line(path: str, colour: str, width: float, *, dash: str | None = None) -> str:
    """Return a line."""
    return element(
        "path",
        d=path,
        fill="none",
        stroke=colour,
        stroke_width=number(width),
        stroke_linejoin="round",
        stroke_dasharray=dash,
    )


def words(
    text: str,
    x: float,
    y: float,
    *,
    colour: str = INK,
    italic: bool = False,
    anchor: str | None = None,
    turn: str | None = None,
) -> str:
    """Return words; `anchor` is SVG's ``middle`` or ``end``, `turn` a transformation."""
    return element(
        "text",
        escape(text),
        x=number(x),
        y=number(y),
        fill=colour,
        font_style="italic" if italic else None,
        text_anchor=anchor,
        transform=turn,
    )


def box(x: float, y: float, width: float, height: float, *, fill: str, edge: str = "") -> str:
    """Return a rectangle, perhaps with an edge."""
    return element(
        "rect",
        x=number(x),
        y=number(y),
        width=number(width),
        height=number(height),
        fill=fill,
        stroke=edge or None,
    )
