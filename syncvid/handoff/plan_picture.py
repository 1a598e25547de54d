"""The picture of a plan: tempo over bars, as SVG.

Every bar is as wide as the next, in the order in which they are played, its beats by their lengths;
a tempo that is steady in a beat is a level line, one that changes within beats a slope.  Words
always stand beside a sign.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

from syncvid.handoff.markup import clean_text, element, escape, number
from syncvid.handoff.plan_bars import BeatTempo, PlayedBar, again, in_beats, played_bars
from syncvid.handoff.plan_drawing import (
    AGAIN_END,
    ASIDE,
    BOTTOM,
    END,
    INK,
    LEFT,
    NUMBERS_Y,
    PAPER,
    RIGHT,
    RULE,
    TOP,
    TYPE,
    WIDTH,
    Scale,
    box,
    line,
    wide,
    words,
)
from syncvid.handoff.plan_signs import (
    HELD_S,
    again_words,
    count_in,
    holds,
    names,
    names_top,
    repeats,
)
from syncvid.production.beats import GuideMap

_SERIF = "'EB Garamond',Garamond,'Hoefler Text',Georgia,serif"

_MOST_LINES = 120
_MOST_NUMBERS = 16
_MOST_TEMPI = 5
_LISTED = 16
"""So many bars, sections or repeats are named in the description."""

# Phrases have four bars more often than five; of many bars round numbers are looked for.
_BAR_STEPS = (1, 2, 4, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
_PHRASE = 4
_TEMPO_STEPS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)

# At least this share of the tempo is shown, so that a small change does not look large, and this
# much of what is shown is left free above and below (project choices).
_LEAST_SPREAD, _MARGIN = 0.2, 0.12

_FINE = 0.15
"""Points closer than this, in drawing units, are one."""

_SAME = 0.05
"""Tempi closer than this, per minute, are told as one."""


def plan_picture(guide: GuideMap) -> str:
    """Draw the tempo of a guide over its bars.

    Parameters
    ----------
    guide : GuideMap
        The beats with their tempo, and the marks.

    Returns
    -------
    str
        One ``svg`` element that needs nothing from outside and scales with the page.
    """
    bars, units = in_beats(played_bars(guide.beats))
    scale = _scale(bars)
    named, rows = names(guide, bars, scale)
    top = names_top(bars, rows)
    height = (AGAIN_END if any(again(bars)) else END) - top
    return element(
        "svg",
        element("title", escape(f"Tempo of {clean_text(guide.title) or 'the guide'}, bar by bar")),
        element("desc", escape(_description(guide, bars, units))),
        box(0.0, top, WIDTH, height, fill=PAPER),
        *count_in(bars, scale),
        *_grid(bars, scale, units),
        *named,
        *repeats(bars, scale),
        line(_curve(bars, scale), INK, 2.2),
        *_steady(bars, scale),
        *_last(bars, scale),
        *holds(bars, scale),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 {number(top)} {number(WIDTH)} {number(height)}",
        role="img",
        font_family=_SERIF,
        font_size=number(TYPE),
    )


def _scale(bars: Sequence[PlayedBar]) -> Scale:
    """Return a scale that holds all tempi."""
    tempi = [tempo for beat in _beats(bars) for tempo in (beat.from_, beat.to)]
    low, high = min(tempi, default=60.0), max(tempi, default=60.0)
    spread = max(high - low, _LEAST_SPREAD * high, 1.0)
    middle, half = (low + high) / 2, (0.5 + _MARGIN) * spread
    return Scale(len(bars), max(middle - half, 0.0), middle + half)


def _beats(bars: Sequence[PlayedBar]) -> Iterator[BeatTempo]:
    """Yield all beats."""
    return itertools.chain.from_iterable(bar.beats for bar in bars)


def _curve(bars: Sequence[PlayedBar], scale: Scale) -> str:
    """Return the path of the tempo."""
    kept: list[tuple[float, float]] = []
    for bar in bars:
        for beat in bar.beats:
            for at, tempo in ((beat.begin, beat.from_), (beat.end, beat.to)):
                point = scale.x(bar.place + at), scale.y(tempo)
                if len(kept) >= 2 and _is_level(kept[-2], kept[-1], point):
                    kept.pop()
                if not kept or math.dist(kept[-1], point) > _FINE:
                    kept.append(point)
    return "M" + "L".join(f"{number(x, 1)} {number(y, 1)}" for x, y in kept or [(LEFT, BOTTOM)])


def _is_level(*points: tuple[float, float]) -> bool:
    """Return whether points lie at one height."""
    heights = [y for _, y in points]
    return max(heights) - min(heights) < 1e-6


def _steady(bars: Sequence[PlayedBar], scale: Scale) -> Iterator[str]:
    """Yield the tempo of each steady stretch above its beginning, where there is room."""
    flat = [(bar.place + beat.begin, bar.place + beat.end, beat)
            for bar in bars for beat in bar.beats if not bar.is_count_in]  # fmt: skip
    groups = itertools.groupby(flat, key=lambda item: (item[2].from_, item[2].to))
    for (start, end), items in groups:
        stretch = list(items)
        left, right = scale.x(stretch[0][0]), scale.x(stretch[-1][1])
        told = number(start, 1)
        if start == end and right - left > wide(told) + 8.0:
            yield words(told, left + 5.0, scale.y(start) - 6.0)


def _last(bars: Sequence[PlayedBar], scale: Scale) -> Iterator[str]:
    """Yield the tempo at the end where it is not steady: below the line if that falls."""
    last = next((beat for bar in bars[-1:] for beat in bar.beats[-1:]), None)
    if last is not None and last.from_ != last.to:
        y = scale.y(last.to) + (14.0 if last.to < last.from_ else -6.0)
        yield words(number(last.to, 1), RIGHT - 5.0, y, anchor="end")


def _grid(bars: Sequence[PlayedBar], scale: Scale, units: str) -> Iterator[str]:
    """Yield bar lines, lines of tempo, and their numbers."""
    step = _step(len(bars), _MOST_LINES, _BAR_STEPS)
    edges = f"{number(TOP)}V{number(BOTTOM)}"
    lines = [f"M{number(scale.x(bar.place))} {edges}" for bar in bars[::step]]
    tempi = _step(scale.high - scale.low, _MOST_TEMPI, _TEMPO_STEPS)
    shown = range(math.ceil(scale.low / tempi) * tempi, math.floor(scale.high) + 1, tempi)
    lines += [f"M{number(LEFT)} {number(scale.y(tempo))}H{number(RIGHT)}" for tempo in shown]
    yield line("".join(lines), RULE, 0.7)
    yield line(f"M{number(LEFT)} {edges}H{number(RIGHT)}V{number(TOP)}", INK, 1.0)
    for tempo in shown:
        yield words(str(tempo), LEFT - 8.0, scale.y(tempo) + 5.0, anchor="end", colour=ASIDE)
    for bar in _numbered(bars):
        x = min(scale.x(bar.place), WIDTH - wide(str(bar.number)))
        yield words(str(bar.number), x, NUMBERS_Y, colour=ASIDE, italic=True)
    x, y = 14.0, (TOP + BOTTOM) / 2
    yield words(
        f"{units} per minute", x, y, colour=ASIDE, italic=True, anchor="middle",
        turn=f"rotate(-90 {number(x)} {number(y)})",
    )  # fmt: skip


def _numbered(bars: Sequence[PlayedBar]) -> list[PlayedBar]:
    """Return the bars whose numbers are shown: where numbering starts anew, and at even steps."""
    step = _step(len(bars), _MOST_NUMBERS, _BAR_STEPS)
    shift = 1 if step <= _PHRASE else 0
    room = math.ceil(len(bars) / _MOST_NUMBERS)
    music = [bar for bar in bars if bar.number > 0 and not bar.is_count_in]
    before = [None, *(bar.number for bar in music)]
    breaks = [bar for bar, last in zip(music, before, strict=False)
              if last is None or bar.number != last + 1]  # fmt: skip
    even = [bar for bar in music if (bar.number - shift) % step == 0]
    taken: list[PlayedBar] = []
    places: set[int] = set()
    for bar in (*breaks, *even):
        if places.isdisjoint(range(bar.place - room + 1, bar.place + room)):
            taken.append(bar)
            places.add(bar.place)
    return taken


def _description(guide: GuideMap, bars: Sequence[PlayedBar], units: str) -> str:
    """Tell what the picture shows to those who do not see it."""
    music = [bar for bar in bars if not bar.is_count_in]
    if not music:
        return "There are no bars."
    told = [
        f"Bars as played: {len(music)}; bars of count-in before them: {len(bars) - len(music)}.",
        _tempi_told(music, units),
    ]
    held = [bar for bar in music if any(beat.held_s >= HELD_S for beat in bar.beats)]
    told += [f"Held in bars {_listed([str(bar.number) for bar in held])}."] if held else []
    breaths = list(_breaths(bars))
    told += [f"Breaths: {_listed(breaths)}."] if breaths else []
    marks = [f"{mark.name} in bar {mark.bar}" for mark in guide.marks
             if mark.kind == "section" and clean_text(mark.name)]  # fmt: skip
    told += [f"Sections: {_listed(marks)}."] if marks else []
    repeated = [again_words(stretch) for stretch in again(bars)]
    told += [f"Repeats: {_listed(repeated)}."] if repeated else []
    return " ".join(told)


def _breaths(bars: Sequence[PlayedBar]) -> Iterator[str]:
    """Yield where breaths are."""
    for bar, later in itertools.zip_longest(bars, bars[1:]):
        *others, last = bar.beats
        if any(beat.breath_s >= HELD_S for beat in others):
            yield f"in bar {bar.number}"
        if last.breath_s >= HELD_S and later is not None:
            yield f"before bar {later.number}"


def _tempi_told(music: Sequence[PlayedBar], units: str) -> str:
    """Tell the range of the tempo."""
    tempi = [tempo for beat in _beats(music) for tempo in (beat.from_, beat.to)]
    low, high = min(tempi), max(tempi)
    if high - low < _SAME:
        return f"Steady at {number(low, 1)} {units} per minute."
    return (
        f"{number(tempi[0], 1)} {units} per minute at the beginning, "
        f"{number(tempi[-1], 1)} at the end, between {number(low, 1)} and {number(high, 1)}."
    )


def _listed(items: Sequence[str]) -> str:
    """Return a list, the first ones of very many."""
    more = f" and {len(items) - _LISTED} more" if len(items) > _LISTED else ""
    return ", ".join(items[:_LISTED]) + more


def _step(amount: float, most: int, steps: Sequence[int]) -> int:
    """Return the smallest of some steps of which no more than `most` are needed."""
    return next((step for step in steps if amount <= most * step), steps[-1])
