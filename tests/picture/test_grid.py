"""Tiles: inside the picture, apart, even, in order, and wasting as little as can be."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.picture.grid import (
    Shape,
    choose_rows_and_columns,
    picture_rect,
    place_grid,
    shown_share,
    waste,
)
from syncvid.picture.pieces import Rect
from syncvid.production.layouts import CanvasStyle, Layout, TileStyle

PLAIN = Layout("plain", canvas=CanvasStyle(margin=0.0, gap=0.0))
SPACED = Layout("spaced", canvas=CanvasStyle(margin=0.03, gap=0.011))
HD, TALL, SQUARE = (1920, 1080), (1080, 1920), (1080, 1080)
WIDE_CLIP, TALL_CLIP = (1920, 1080), (1080, 1920)

shapes_of_clips = st.sampled_from([(1920, 1080), (1080, 1920), (640, 480), (480, 480), None])
sizes = st.sampled_from([HD, TALL, SQUARE, (1280, 720), (854, 480)])


@settings(deadline=None)
@given(
    shapes=st.lists(shapes_of_clips, min_size=1, max_size=64),
    size=sizes,
    layout=st.sampled_from([PLAIN, SPACED, Layout("grid")]),
)
def test_tiles_lie_inside_apart_and_on_even_pixels(
    shapes: list[Shape | None], size: tuple[int, int], layout: Layout
) -> None:
    rects = place_grid(shapes, layout, size=size)
    assert len(rects) == len(shapes)
    for rect in rects:
        assert not any(n % 2 for n in (rect.x, rect.y, rect.width, rect.height))
        assert rect.x >= 0
        assert rect.y >= 0
        assert rect.x + rect.width <= size[0]
        assert rect.y + rect.height <= size[1]
        assert rect.width > 0
        assert rect.height > 0
    for one, other in itertools.combinations(rects, 2):
        assert (
            one.x + one.width <= other.x
            or other.x + other.width <= one.x
            or one.y + one.height <= other.y
            or other.y + other.height <= one.y
        )


@settings(deadline=None)
@given(shapes=st.lists(shapes_of_clips, min_size=1, max_size=64), size=sizes)
def test_tiles_are_equal_and_in_reading_order(
    shapes: list[Shape | None], size: tuple[int, int]
) -> None:
    rects = place_grid(shapes, SPACED, size=size)
    assert max(r.width for r in rects) - min(r.width for r in rects) <= 2
    assert max(r.height for r in rects) - min(r.height for r in rects) <= 2
    assert [(r.y, r.x) for r in rects] == sorted((r.y, r.x) for r in rects)


@settings(deadline=None, max_examples=60)
@given(
    shapes=st.lists(shapes_of_clips, min_size=1, max_size=24),
    size=sizes,
    least_shown=st.sampled_from([0.0, 0.5, 1.0]),
)
def test_no_other_grid_wastes_less(
    shapes: list[Shape | None], size: tuple[int, int], least_shown: float
) -> None:
    """Every grid that has room is tried, and its waste is measured on finished rectangles."""
    layout = Layout("plain", canvas=CanvasStyle(gap=0.0), tile=TileStyle(least_shown=least_shown))
    rows, columns = choose_rows_and_columns(shapes, layout, size=size)

    def measured(rows: int, columns: int) -> float:
        cell_width, cell_height = size[0] / columns, size[1] / rows
        kept = 0.0
        for shape in shapes:
            if shape is None:
                kept += cell_width * cell_height
                continue
            # Try all widths and heights of the picture inside the cell, whole pixels apart, along
            # the two edges of the cell: the largest that leaves enough of the picture is shown.
            full = shown_share(shape, cell_width, cell_height)
            if full >= least_shown:
                kept += cell_width * cell_height * full
                continue
            # Too much would go: one side shrinks until exactly `least_shown` is left.
            ratio = shape[0] / shape[1]
            if cell_width / cell_height > ratio:
                kept += cell_height * cell_height * ratio / least_shown * least_shown
            else:
                kept += cell_width * cell_width / ratio / least_shown * least_shown
        return 1 - kept / (size[0] * size[1])

    best = min(
        measured(r, c)
        for r in range(1, len(shapes) + 1)
        for c in range(1, len(shapes) + 1)
        if r * c >= len(shapes)
    )
    assert measured(rows, columns) == pytest.approx(best, abs=2e-6)
    assert waste(shapes, rows, columns, layout, size=size) == pytest.approx(best, abs=2e-6)


@pytest.mark.parametrize(
    ("count", "clip", "size", "grid"),
    [
        # Equal shapes: as many rows as columns.
        (1, WIDE_CLIP, HD, (1, 1)),
        (4, WIDE_CLIP, HD, (2, 2)),
        (9, WIDE_CLIP, HD, (3, 3)),
        (16, WIDE_CLIP, HD, (4, 4)),
        # 16:9 in a row of two loses half, in a column of two as well: side by side it is.
        (2, WIDE_CLIP, HD, (1, 2)),
        # Phones held upright stand side by side in a wide picture; the other way round likewise.
        (3, TALL_CLIP, HD, (1, 3)),
        (3, WIDE_CLIP, TALL, (3, 1)),
    ],
)
def test_familiar_ensembles(
    count: int, clip: tuple[int, int], size: tuple[int, int], grid: tuple[int, int]
) -> None:
    assert choose_rows_and_columns([clip] * count, PLAIN, size=size) == grid


def test_nine_tiles_of_full_hd() -> None:
    # Arithmetic: 1920 / 3 = 640, 1080 / 3 = 360.
    assert place_grid([WIDE_CLIP] * 9, PLAIN, size=HD)[4] == Rect(640, 360, 640, 360)


def test_an_incomplete_last_row_is_centred() -> None:
    rects = place_grid([WIDE_CLIP] * 8, PLAIN, size=HD)
    last = [rect for rect in rects if rect.y == rects[-1].y]
    assert len(last) == 2
    assert last[0].x == HD[0] - (last[-1].x + last[-1].width)


def test_four_hundred_tiles_still_fit() -> None:
    assert len(place_grid([WIDE_CLIP] * 400, Layout("grid"), size=HD)) == 400


def test_too_many_tiles_are_refused() -> None:
    with pytest.raises(ProductionError, match="do not fit"):
        place_grid([WIDE_CLIP] * 400, Layout("grid"), size=(160, 90))


def test_a_tall_picture_in_a_wide_tile_keeps_half_of_itself() -> None:
    tile = Rect(100, 200, 640, 360)
    rect = picture_rect(TALL_CLIP, tile, 0.5)
    # Half of 1080 x 1920 is 1080 x 960; at a height of 360 that is 405 wide.
    assert (rect.width, rect.height) == (404, 360)
    assert abs((rect.x - tile.x) - (tile.x + tile.width - rect.x - rect.width)) <= 2
    assert picture_rect(TALL_CLIP, tile, 0.0) == tile
