"""A grid of equal tiles: as many rows and columns as waste the least of the picture."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from syncvid.errors import ProductionError
from syncvid.picture.pieces import Rect
from syncvid.production.layouts import Layout

Shape = tuple[int, int]
"""Width and height; only the ratio matters."""

# What a card without picture counts as: it fills any tile.
_ANY_SHAPE: Shape | None = None

# A tile smaller than this shows nobody.
_SMALLEST_PX = 16


def place_grid(
    shapes: Sequence[Shape | None], layout: Layout, *, size: tuple[int, int]
) -> tuple[Rect, ...]:
    """Place one tile for each clip, in score order row by row.

    Parameters
    ----------
    shapes : sequence of (int, int) or None
        Upright shape of each clip; None for a card, which fits anything.
    layout : Layout
        Margin, gap, and how much of a picture cropping must leave.
    size : (int, int)
        Width and height of the output picture, even.

    Returns
    -------
    tuple of Rect
        One for each clip; equal in size but for 2 pixels, inside the picture, none overlapping.

    Raises
    ------
    ProductionError
        The picture is too small for so many tiles.
    """
    rows, columns = choose_rows_and_columns(shapes, layout, size=size)
    if min(_cell(rows, columns, layout, size)) < _SMALLEST_PX:
        raise ProductionError(
            f"{len(shapes)} tiles do not fit into {size[0]}x{size[1]} pixels.",
            fix="Ask for a larger picture with --size, or leave out some parts.",
        )
    return tuple(
        rect for row in range(rows) for rect in _row(row, rows, columns, len(shapes), layout, size)
    )


def choose_rows_and_columns(
    shapes: Sequence[Shape | None], layout: Layout, *, size: tuple[int, int]
) -> tuple[int, int]:
    """Return the numbers of rows and columns that waste the least; see `waste`.

    Between equals the one with more columns wins.
    """
    count = len(shapes)
    candidates = {(-(-count // columns), columns) for columns in range(1, count + 1)}
    return min(
        candidates,
        key=lambda grid: (
            round(waste(shapes, grid[0], grid[1], layout, size=size), 6),
            -grid[1],
        ),
    )


def waste(
    shapes: Sequence[Shape | None],
    rows: int,
    columns: int,
    layout: Layout,
    *,
    size: tuple[int, int],
) -> float:
    """Return the share of the output that is wasted: empty, or lost to cropping.

    A tile is worth the area that its picture covers times the share of the picture that is left.

    Examples
    --------
    >>> from syncvid.production.layouts import CanvasStyle, Layout
    >>> plain = Layout("plain", canvas=CanvasStyle(gap=0.0))
    >>> waste([(16, 9)] * 4, 2, 2, plain, size=(1920, 1080))
    0.0
    >>> waste([(16, 9)] * 3, 2, 2, plain, size=(1920, 1080))
    0.25
    """
    width, height = _cell(rows, columns, layout, size)
    if min(width, height) <= 0:
        return 1.0
    worth = 0.0
    for shape in shapes:
        if shape is None:
            worth += width * height
        else:
            wide, high = shown_size(shape, width, height, layout.tile.least_shown)
            worth += wide * high * shown_share(shape, wide, high)
    return 1.0 - worth / (size[0] * size[1])


def shown_size(
    shape: Shape, width: float, height: float, least_shown: float
) -> tuple[float, float]:
    """Return the size at which a picture fills a tile without being cropped too far.

    Examples
    --------
    >>> shown_size((16, 9), 640, 360, 0.5)
    (640, 360)
    >>> shown_size((9, 16), 640, 360, 0.5)
    (405.0, 360)
    """
    ratio, wanted = shape[0] / shape[1], width / height
    if wanted > ratio / max(least_shown, 1e-9):
        return height * ratio / least_shown, height
    if wanted < ratio * least_shown:
        return width, width / (ratio * least_shown)
    return width, height


def shown_share(shape: Shape, width: float, height: float) -> float:
    """Return which share of a picture is left when it is cropped to a size.

    Examples
    --------
    >>> shown_share((16, 9), 90, 90)
    0.5625
    """
    ratio, wanted = shape[0] / shape[1], width / height
    return min(ratio / wanted, wanted / ratio)


def picture_rect(shape: Shape, tile: Rect, least_shown: float) -> Rect:
    """Return the part of a tile that a picture covers, in the middle of the tile."""
    wide, high = shown_size(shape, tile.width, tile.height, least_shown)
    width, height = min(tile.width, _even(wide)), min(tile.height, _even(high))
    return Rect(
        tile.x + 2 * ((tile.width - width) // 4),
        tile.y + 2 * ((tile.height - height) // 4),
        width,
        height,
    )


def _cell(rows: int, columns: int, layout: Layout, size: tuple[int, int]) -> tuple[float, float]:
    """Return width and height of one tile before rounding; may be negative."""
    margin, gap = _spacing(layout, size)
    return (
        (size[0] - 2 * margin - (columns - 1) * gap) / columns,
        (size[1] - 2 * margin - (rows - 1) * gap) / rows,
    )


def _spacing(layout: Layout, size: tuple[int, int]) -> tuple[int, int]:
    """Return margin and gap in whole, even pixels."""
    shorter = min(size)
    return _even(layout.canvas.margin * shorter), _even(layout.canvas.gap * shorter)


def _row(
    row: int, rows: int, columns: int, count: int, layout: Layout, size: tuple[int, int]
) -> list[Rect]:
    """Return the tiles of one row; an incomplete last one is centred."""
    margin, gap = _spacing(layout, size)
    tops = _edges(rows, margin, gap, size[1])
    lefts = _edges(columns, margin, gap, size[0])
    here = min(columns, count - row * columns)
    empty = lefts[-1][1] - lefts[here - 1][1]
    shift = _even(empty / 2) if here < columns else 0
    top, bottom = tops[row]
    return [Rect(left + shift, top, right - left, bottom - top) for left, right in lefts[:here]]


def _edges(count: int, margin: int, gap: int, length: int) -> list[tuple[int, int]]:
    """Divide a length into tiles with gaps between; every edge is even."""
    step = (length - 2 * margin + gap) / count
    edges = [margin + _even(index * step) for index in range(count)]
    return [(begin, after - gap) for begin, after in pairwise([*edges, length - margin + gap])]


def _even(value: float) -> int:
    """Round to the nearest even number."""
    return 2 * round(value / 2)
