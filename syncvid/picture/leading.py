"""One tile large, the others in rows and columns along one side of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Literal

from syncvid.picture.cropping import middle_ratio, worth
from syncvid.picture.grid import place_cells, sensible_grids
from syncvid.picture.pieces import Rect
from syncvid.picture.space import SMALLEST_PX, Shape, Space, no_room
from syncvid.production.layouts import Side

_Edge = Literal["right", "left", "top", "bottom"]

# The strip of small tiles takes at least and at most these shares of the picture; more only where
# the large picture leaves it room without being cropped below `_LEAST_LEAD`.
_THINNEST, _THICKEST = 0.14, 0.42
_LEAST_LEAD = 0.75
_THICKEST_OF_ALL = 0.6

# Steps in which the thickness of the strip is tried.
_STEPS = 8

# So many times a small tile's area the large one has at least: less does not lead the eye.
_LEADS_BY = 1.6

# Twice as much for the large picture is worth four times as much for each small one: found by
# looking at drawings of 1 to 64 tiles.
_LEAD_COUNTS = 2.0

# Small tiles whose shorter side is under this share of the picture's shorter side are hard to read
# (130 of 1080 pixels), and avoided where that can be.
_READABLE = 0.12


def place_lead(
    shapes: Sequence[Shape | None], lead: int, side: Side, space: Space
) -> tuple[Rect, ...]:
    """Place one tile large and the others along a side.

    Parameters
    ----------
    shapes : sequence of (int, int) or None
        Upright shape of each clip; None for a card, which fits anything.
    lead : int
        Index of the large one.
    side : {"auto", "right", "left", "top", "bottom"}
        Where the others stand; by itself to the right or below, whichever is worth more for the
        ensemble, whoever is large.  In a tall picture right means below and left above, for
        beside each other both would be thin.
    space : Space
        Where.

    Returns
    -------
    tuple of Rect
        One for each clip, in the order given.

    Raises
    ------
    ProductionError
        The space is too small for so many tiles.
    """
    others = [shape for index, shape in enumerate(shapes) if index != lead]
    if not others:
        return (space.box,)
    edge = _edge(side, shapes, space)
    _, part, rows, columns = _choose(Counter(others), shapes[lead], edge, space)
    large, strip = _divide(space, edge, part)
    if min(large.box.width, large.box.height) < SMALLEST_PX:
        raise no_room(len(shapes), space.box)
    rects = list(place_cells(len(others), rows, columns, strip))
    rects.insert(lead, large.box)
    return tuple(rects)


def _edge(side: Side, shapes: Sequence[Shape | None], space: Space) -> _Edge:
    """Return the side at which the small tiles really stand."""
    if side == "auto":
        # With a large one like most: where who leads changes, the side stays.
        usual = sorted(filter(None, shapes), key=lambda shape: shape[0] / shape[1])
        lead = usual[len(usual) // 2] if usual else None
        kinds = Counter(shapes)
        kinds[lead] -= 1
        edges: tuple[_Edge, _Edge] = ("right", "bottom")
        return max(edges, key=lambda edge: _choose(+kinds, lead, edge, space))
    if space.box.height > space.box.width:
        if side == "right":
            return "bottom"
        if side == "left":
            return "top"
    return side


def _divide(space: Space, edge: _Edge, part: float) -> tuple[Space, Space]:
    """Return the space of the large tile, and that of the strip, which takes a part of it."""
    opposite: dict[_Edge, _Edge] = {
        "right": "left",
        "left": "right",
        "top": "bottom",
        "bottom": "top",
    }
    return space.beside(opposite[edge], 1.0 - part), space.beside(edge, part)


def _choose(
    kinds: Counter[Shape | None], lead: Shape | None, edge: _Edge, space: Space
) -> tuple[float, float, int, int]:
    """Return what the best strip is worth, its share of the space, its rows and columns."""
    count, ratio = kinds.total(), middle_ratio(kinds.elements())
    best = (-1.0, _THICKEST, *sensible_grids(count)[-1])
    for rows, columns in sensible_grids(count):
        for part in _thicknesses(ratio, lead, edge, rows, columns, space):
            large, strip = _divide(space, edge, part)
            width = (strip.box.width - (columns - 1) * space.gap_px) / columns
            height = (strip.box.height - (rows - 1) * space.gap_px) / rows
            area = large.box.width * large.box.height
            if min(width, height) <= 0 or area < _LEADS_BY * width * height:
                continue
            small = sum(worth(s, width, height, space.look) * n for s, n in kinds.items())
            readable = min(width, height) / (_READABLE * min(space.box.width, space.box.height))
            value = worth(lead, large.box.width, large.box.height, space.look) ** _LEAD_COUNTS
            value *= small / (rows * columns) * min(1.0, readable) ** 2
            best = max(best, (value, part, rows, columns))
    return best


def _thicknesses(
    ratio: float,
    lead: Shape | None,
    edge: _Edge,
    rows: int,
    columns: int,
    space: Space,
) -> Iterator[float]:
    """Yield shares that the strip may take, first the one that crops the small tiles least."""
    box = space.box
    if edge in ("top", "bottom"):
        natural = rows * (box.width / columns) / ratio / box.height
        lead_needs = box.width / middle_ratio([lead]) / box.height
    else:
        natural = columns * (box.height / rows) * ratio / box.width
        lead_needs = box.height * middle_ratio([lead]) / box.width
    thickest = min(_THICKEST_OF_ALL, max(_THICKEST, 1.0 - lead_needs / _LEAST_LEAD))
    yield min(max(natural, _THINNEST), thickest)
    for step in range(_STEPS + 1):
        yield _THINNEST + step * (thickest - _THINNEST) / _STEPS
