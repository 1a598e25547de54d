"""A grid of equal tiles: as many rows and columns as waste the least of the space."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from syncvid.picture.cropping import worth
from syncvid.picture.pieces import Rect
from syncvid.picture.space import SMALLEST_PX, Shape, Space, edges, even, no_room


def place_grid(shapes: Sequence[Shape | None], space: Space) -> tuple[Rect, ...]:
    """Place one tile for each clip, in score order row by row.

    Parameters
    ----------
    shapes : sequence of (int, int) or None
        Upright shape of each clip; None for a card, which fits anything.
    space : Space
        Where.

    Returns
    -------
    tuple of Rect
        One for each clip; equal in size but for 2 pixels, inside the space, none overlapping.

    Raises
    ------
    ProductionError
        The space is too small for so many tiles.
    """
    if not shapes:
        return ()
    return place_cells(len(shapes), *choose_rows_and_columns(shapes, space), space)


def place_cells(count: int, rows: int, columns: int, space: Space) -> tuple[Rect, ...]:
    """Place tiles in given rows and columns; a row that is not full is centred.

    Raises
    ------
    ProductionError
        The space is too small for so many tiles.
    """
    if min(_cell(rows, columns, space)) < SMALLEST_PX:
        raise no_room(count, space.box)
    box = space.box
    tops = edges(rows, box.y, box.height, space.gap_px)
    lefts = edges(columns, box.x, box.width, space.gap_px)
    rects = []
    for (top, bottom), here in zip(tops, row_lengths(count, rows, columns), strict=True):
        empty = lefts[-1][1] - lefts[here - 1][1]
        shift = even(empty / 2)
        rects += [Rect(low + shift, top, high - low, bottom - top) for low, high in lefts[:here]]
    return tuple(rects)


def row_lengths(count: int, rows: int, columns: int) -> list[int]:
    """Return how many tiles each row has.

    Full rows come first; but where the last one would be short by two or more, all rows share
    what is missing, if that can be done evenly to both sides, with the longer ones in the middle.

    Examples
    --------
    >>> row_lengths(8, 3, 3), row_lengths(7, 3, 3), row_lengths(13, 4, 4)
    ([3, 3, 2], [2, 3, 2], [4, 3, 3, 3])
    """
    last = count - (rows - 1) * columns
    if last >= columns - 1:
        return [columns] * (rows - 1) + [last]
    base, longer = divmod(count, rows)
    if rows % 2 or longer % 2 == 0:
        return _mirrored(base, longer, rows)
    return [base + (row < longer) for row in range(rows)]


def choose_rows_and_columns(shapes: Sequence[Shape | None], space: Space) -> tuple[int, int]:
    """Return the numbers of rows and columns that waste the least; see `waste`.

    Between equals the one with more columns wins.
    """
    kinds = Counter(shapes)
    return min(
        sensible_grids(len(shapes)),
        key=lambda grid: (round(_waste(kinds, grid[0], grid[1], space), 6), -grid[1]),
    )


def sensible_grids(count: int) -> list[tuple[int, int]]:
    """Return the numbers of rows and columns of which no row and no column can be spared.

    Examples
    --------
    >>> sensible_grids(5)
    [(1, 5), (2, 3), (3, 2), (5, 1)]
    """
    rows = {-(-count // columns) for columns in range(1, count + 1)}
    return [(row, -(-count // row)) for row in sorted(rows)]


def waste(shapes: Sequence[Shape | None], rows: int, columns: int, space: Space) -> float:
    """Return the share of the space that is wasted: empty, or lost to cropping.

    Examples
    --------
    >>> from syncvid.production.layouts import TileStyle
    >>> space = Space(Rect(0, 0, 1920, 1080), 0, TileStyle())
    >>> waste([(16, 9)] * 4, 2, 2, space), waste([(16, 9)] * 3, 2, 2, space)
    (0.0, 0.25)
    """
    return _waste(Counter(shapes), rows, columns, space)


def _waste(kinds: Counter[Shape | None], rows: int, columns: int, space: Space) -> float:
    """Return the wasted share for clips that are counted by their shape."""
    width, height = _cell(rows, columns, space)
    kept = sum(worth(shape, width, height, space.look) * n for shape, n in kinds.items())
    return 1.0 - kept / (space.box.width * space.box.height)


def _cell(rows: int, columns: int, space: Space) -> tuple[float, float]:
    """Return width and height of one tile before rounding; may be negative."""
    return (
        (space.box.width - (columns - 1) * space.gap_px) / columns,
        (space.box.height - (rows - 1) * space.gap_px) / rows,
    )


def _mirrored(base: int, longer: int, rows: int) -> list[int]:
    """Return row lengths that read the same from above and below."""
    lengths = [base] * rows
    middle = rows // 2
    if longer % 2:
        lengths[middle] += 1
    # From the middle outwards, or from both ends where the middle row of an odd number is short.
    pairs = [(i, rows - 1 - i) for i in range(rows // 2)]
    if longer % 2 or rows % 2 == 0:
        pairs.reverse()
    for one, other in pairs[: longer // 2]:
        lengths[one] += 1
        lengths[other] += 1
    return lengths
