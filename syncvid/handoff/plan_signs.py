"""What stands round the tempo of a plan: section names, holds, repeats, the count-in."""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterator, Sequence

from syncvid.handoff.markup import clean_text, element, number
from syncvid.handoff.plan_bars import PlayedBar, Stretch, again
from syncvid.handoff.plan_drawing import (
    AGAIN_Y,
    ASIDE,
    BOTTOM,
    COUNTED,
    INK,
    LEFT,
    NUMBERS_Y,
    PAPER,
    RED,
    RIGHT,
    SECTION,
    TOP,
    Scale,
    box,
    line,
    wide,
    words,
)
from syncvid.handoff.players import shortened
from syncvid.production.beats import GuideMap

HELD_S = 0.01
"""A hold below this is rounding."""

NAME_ROWS = 2
NAME_HIGH = 22.0

_NAMES_Y = {True: 46.0, False: 82.0}
"""Where the lower row of names stands: with holds below it, and without."""

_LONGEST_NAME = 22
_MOST_SECTION_LINES = 40
_SIGN_ROOM = 18.0
_SAME_S = 1e-6


def count_in(bars: Sequence[PlayedBar], scale: Scale) -> Iterator[str]:
    """Yield the ground behind the count-in, and its name."""
    counted = sum(1 for bar in bars if bar.is_count_in)
    if not counted:
        return
    right = scale.x(counted)
    yield box(LEFT, TOP, right - LEFT, BOTTOM - TOP, fill=COUNTED)
    yield line(f"M{number(right)} {number(TOP)}V{number(BOTTOM)}", ASIDE, 1.0, dash="3 3")
    yield words("count-in", right - 6.0, NUMBERS_Y, colour=ASIDE, italic=True, anchor="end")


def repeats(bars: Sequence[PlayedBar], scale: Scale) -> Iterator[str]:
    """Yield a rule under the bars that are played again, with words where there is room."""
    taken = -math.inf
    for stretch in again(bars):
        left, right = scale.x(stretch.place), scale.x(stretch.place + stretch.bars)
        ends = f"V{number(AGAIN_Y)}H{number(right - 1)}V{number(AGAIN_Y - 4)}"
        yield line(f"M{number(left + 1)} {number(AGAIN_Y - 4)}{ends}", RED, 1.2)
        told = again_words(stretch)
        left = min(left, RIGHT - wide(told))
        if left > taken:
            yield words(told, left, AGAIN_Y + 16.0, colour=RED, italic=True)
            taken = left + wide(told) + 10.0


def again_words(stretch: Stretch) -> str:
    """Say which bars are played again."""
    if stretch.first == stretch.last:
        return f"bar {stretch.first} again"
    return f"bars {stretch.first} to {stretch.last} again"


def has_holds(bars: Sequence[PlayedBar]) -> bool:
    """Return whether any beat of the music is held."""
    return any(beat.held_s >= HELD_S for bar in bars for beat in bar.beats)


def holds(bars: Sequence[PlayedBar], scale: Scale) -> Iterator[str]:
    """Yield a sign above each beat that is held, and for how long where there is room."""
    taken = signed = -math.inf
    for x, held_s in _held(bars, scale):
        if x - signed >= _SIGN_ROOM:
            signed = x
            yield _arch(x, TOP - 6.0)
        told = f"held {number(held_s)} s"
        half = wide(told) / 2
        middle = min(max(x, LEFT + half), RIGHT - half)
        if middle - half > taken:
            taken = middle + half + 6.0
            yield words(told, middle, TOP - 21.0, colour=RED, italic=True, anchor="middle")


def names(guide: GuideMap, bars: Sequence[PlayedBar], scale: Scale) -> tuple[list[str], int]:
    """Return the names of sections above their first bars, and how many rows they take."""
    marks = [mark for mark in guide.marks if mark.kind == "section" and clean_text(mark.name)]
    starts = [bar.guide_s for bar in bars]
    taken = [-math.inf] * NAME_ROWS
    # Of very many sections only the beginning of the line is drawn: the tempo stays in sight.
    end = BOTTOM if len(marks) <= _MOST_SECTION_LINES else TOP + 6.0
    drawn = []
    for mark in marks:
        x = scale.x(max(bisect.bisect_right(starts, mark.guide_s + _SAME_S) - 1, 0))
        drawn.append(line(f"M{number(x)} {number(TOP)}V{number(end)}", SECTION, 1.0))
        name = shortened(clean_text(mark.name), _LONGEST_NAME)
        width = wide(name) + 12.0
        left = min(x, RIGHT - width)
        row = next((row for row, until in enumerate(taken) if left > until), None)
        if row is not None:
            taken[row] = left + width + 4.0
            drawn += _boxed(name, left, _NAMES_Y[has_holds(bars)] - NAME_HIGH * row, width)
    return drawn, sum(until > -math.inf for until in taken)


def names_top(bars: Sequence[PlayedBar], rows: int) -> float:
    """Return where the drawing begins, with so many rows of names."""
    return _NAMES_Y[has_holds(bars)] - NAME_HIGH * max(rows, 0) - 2.0


def _held(bars: Sequence[PlayedBar], scale: Scale) -> Iterator[tuple[float, float]]:
    """Yield where beats are held, and for how long."""
    for bar in bars:
        for beat in bar.beats:
            if beat.held_s >= HELD_S:
                yield scale.x(bar.place + (beat.begin + beat.end) / 2), beat.held_s


def _arch(x: float, y: float) -> str:
    """Return an arch over a dot, the sign of a held note."""
    arch = f"M{number(x - 8)} {number(y)}A8 8 0 0 1 {number(x + 8)} {number(y)}"
    dot = element("circle", cx=number(x), cy=number(y - 1.8), r="1.8", fill=RED)
    return line(arch, RED, 1.6) + dot


def _boxed(name: str, left: float, y: float, width: float) -> tuple[str, str]:
    """Return a name in a box."""
    return (
        box(left, y - 15.0, width, 20.0, fill=PAPER, edge=INK),
        words(name, left + width / 2, y, anchor="middle"),
    )
