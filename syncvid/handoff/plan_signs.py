"""What stands round the tempo of a plan: section names, holds, breaths, repeats, the count-in."""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterator, Sequence

from syncvid.handoff.markup import clean_text, element, number
from syncvid.handoff.plan_bars import BeatTempo, PlayedBar, Stretch, again
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
"""A hold or breath below this is rounding."""

NAME_ROWS = 2
NAME_HIGH = 22.0

_NAMES_Y = {True: 46.0, False: 82.0}
"""Where the lower row of names stands: with holds or breaths below it, and without."""

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
    """Return whether any beat is held, or followed by a breath."""
    return any(max(beat.held_s, beat.breath_s) >= HELD_S for bar in bars for beat in bar.beats)


def holds(bars: Sequence[PlayedBar], scale: Scale) -> Iterator[str]:
    """Yield a sign above what is held and at breaths, and for how long where there is room."""
    taken = signed = -math.inf
    for x, beat in _put_in(bars, scale):
        held, breath = beat.held_s >= HELD_S, beat.breath_s >= HELD_S
        comma_x = x + _SIGN_ROOM if held else x
        if x - signed >= _SIGN_ROOM:
            signed = comma_x if breath else x
            yield (_arch(x, TOP - 6.0) if held else "") + (
                _comma(comma_x, TOP - 7.0) if breath else ""
            )
        said = [f"held {number(beat.held_s)} s"] if held else []
        said += [f"breath {number(beat.breath_s)} s"] if breath else []
        told = ", ".join(said)
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


def _put_in(bars: Sequence[PlayedBar], scale: Scale) -> Iterator[tuple[float, BeatTempo]]:
    """Yield the beats with time put in, and where: holds in their middle, breaths at their end."""
    for bar in bars:
        for beat in bar.beats:
            if max(beat.held_s, beat.breath_s) >= HELD_S:
                held = beat.held_s >= HELD_S
                at = (beat.begin + beat.end) / 2 if held else beat.end
                yield scale.x(bar.place + at), beat


def _arch(x: float, y: float) -> str:
    """Return an arch over a dot, the sign of a held note."""
    arch = f"M{number(x - 8)} {number(y)}A8 8 0 0 1 {number(x + 8)} {number(y)}"
    dot = element("circle", cx=number(x), cy=number(y - 1.8), r="1.8", fill=RED)
    return line(arch, RED, 1.6) + dot


def _comma(x: float, y: float) -> str:
    """Return a comma, the sign of a breath: a round head that runs out into a tip."""
    tip = f"Q{number(x + 1.5)} {number(y - 2)} {number(x - 3)} {number(y + 1)}"
    back = f"Q{number(x + 4.5)} {number(y - 1.5)} {number(x + 4)} {number(y - 8)}Z"
    head = f"M{number(x + 4)} {number(y - 8)}A4 4 0 1 0 {number(x)} {number(y - 4)}"
    return element("path", d=head + tip + back, fill=RED)


def _boxed(name: str, left: float, y: float, width: float) -> tuple[str, str]:
    """Return a name in a box."""
    return (
        box(left, y - 15.0, width, 20.0, fill=PAPER, edge=INK),
        words(name, left + width / 2, y, anchor="middle"),
    )
