"""Tiles: inside the picture, apart, even, in order, and wasting as little as can be."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.picture.cropping import picture_rect, shown_share, shown_size
from syncvid.picture.grid import (
    choose_rows_and_columns,
    place_grid,
    row_lengths,
    waste,
)
from syncvid.picture.pieces import Rect
from syncvid.picture.space import Shape, whole_space
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
    rects = place_grid(shapes, whole_space(layout, size))
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
    rects = place_grid(shapes, whole_space(SPACED, size))
    assert max(r.width for r in rects) - min(r.width for r in rects) <= 2
    assert max(r.height for r in rects) - min(r.height for r in rects) <= 2
    assert [(r.y, r.x) for r in rects] == sorted((r.y, r.x) for r in rects)


@settings(deadline=None, max_examples=60)
@given(
    shapes=st.lists(shapes_of_clips, min_size=1, max_size=24),
    size=sizes,
    least=st.sampled_from([0.0, 0.5, 1.0]),
)
def test_no_other_grid_wastes_less(
    shapes: list[Shape | None], size: tuple[int, int], least: float
) -> None:
    """Every grid without a row or column to spare is tried, and its waste is measured anew.

    What is kept: the area of the picture in its tile, times the share of the picture that is seen;
    a share of the height counts twice.
    """
    look = TileStyle(least_width=least, least_height=least)
    space = whole_space(Layout("plain", canvas=CanvasStyle(gap=0.0), tile=look), size)

    def measured(rows: int, columns: int) -> float:
        cell = size[0] / columns, size[1] / rows
        kept = 0.0
        for shape in shapes:
            if shape is None:
                kept += cell[0] * cell[1]
                continue
            wide, high = shown_size(shape, *cell, look)
            # Scaled to fill, the picture is as wide or as high as what is seen of it.
            scale = max(wide / shape[0], high / shape[1])
            seen_width, seen_height = wide / (shape[0] * scale), high / (shape[1] * scale)
            kept += wide * high * seen_width * seen_height**2
        return 1 - kept / (size[0] * size[1])

    found = choose_rows_and_columns(shapes, space)
    best = min(
        measured(r, c)
        for r in range(1, len(shapes) + 1)
        for c in range(1, len(shapes) + 1)
        if r * c >= len(shapes) > max((r - 1) * c, r * (c - 1))
    )
    assert measured(*found) == pytest.approx(best, abs=2e-6)
    assert waste(shapes, *found, space) == pytest.approx(best, abs=2e-6)


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
        # Three strips across a square would cut heads off; two and one do not.
        (3, WIDE_CLIP, SQUARE, (2, 2)),
    ],
)
def test_familiar_ensembles(
    count: int, clip: tuple[int, int], size: tuple[int, int], grid: tuple[int, int]
) -> None:
    assert choose_rows_and_columns([clip] * count, whole_space(PLAIN, size)) == grid


def test_nine_tiles_of_full_hd() -> None:
    # Arithmetic: 1920 / 3 = 640, 1080 / 3 = 360.
    assert place_grid([WIDE_CLIP] * 9, whole_space(PLAIN, HD))[4] == Rect(640, 360, 640, 360)


def test_an_incomplete_last_row_is_centred() -> None:
    rects = place_grid([WIDE_CLIP] * 8, whole_space(PLAIN, HD))
    last = [rect for rect in rects if rect.y == rects[-1].y]
    assert len(last) == 2
    assert last[0].x == HD[0] - (last[-1].x + last[-1].width)


def test_four_hundred_tiles_still_fit() -> None:
    assert len(place_grid([WIDE_CLIP] * 400, whole_space(Layout("grid"), HD))) == 400


def test_too_many_tiles_are_refused() -> None:
    with pytest.raises(ProductionError, match="do not fit"):
        place_grid([WIDE_CLIP] * 400, whole_space(Layout("grid"), (160, 90)))


@given(rows=st.integers(1, 20), columns=st.integers(1, 20), missing=st.integers(0, 19))
def test_rows_that_are_not_full_share_what_is_missing(
    rows: int, columns: int, missing: int
) -> None:
    count = rows * columns - missing % columns
    lengths = row_lengths(count, rows, columns)
    assert sum(lengths) == count
    assert len(lengths) == rows
    assert max(lengths) <= columns
    # Nobody stands alone: no row is shorter than another by two.
    assert max(lengths) - min(lengths) <= 1


def test_seven_stand_as_two_three_two() -> None:
    rects = place_grid([WIDE_CLIP] * 7, whole_space(PLAIN, HD))
    assert [sum(rect.y == y for rect in rects) for y in (0, 360, 720)] == [2, 3, 2]
    # Arithmetic: a row of two tiles of 640 in 1920 begins at 320.
    assert rects[0] == Rect(320, 0, 640, 360)


def test_a_tall_picture_in_a_wide_tile_keeps_half_of_its_height() -> None:
    tile = Rect(100, 200, 640, 360)
    rect = picture_rect(TALL_CLIP, tile, TileStyle(least_height=0.5))
    # Half of 1080 x 1920 is 1080 x 960; at a height of 360 that is 405 wide.
    assert (rect.width, rect.height) == (404, 360)
    assert abs((rect.x - tile.x) - (tile.x + tile.width - rect.x - rect.width)) <= 2
    assert picture_rect(TALL_CLIP, tile, TileStyle(least_height=0.0)) == tile


def test_width_and_height_are_limited_apart() -> None:
    # 16:9 filling 9:16 keeps 81 / 256 = 0.316 of its width: allowed, where 0.316 of the height of a
    # tall clip in a wide tile is not.
    look = TileStyle(least_width=0.3, least_height=0.4)
    assert shown_size(WIDE_CLIP, 1080, 1920, look) == (1080, 1920)
    assert shown_size(TALL_CLIP, 1920, 1080, look) == (pytest.approx(1080 * 0.5625 / 0.4), 1080)


def test_no_thin_plain_edge_is_left() -> None:
    # At a width of 100 a square may become 200 high; in a tile of 215 it fills that too.  Above and
    # below are heads and hands: at a height of 100 it becomes 200 wide, and no farther.
    look = TileStyle(least_width=0.5, least_height=0.5)
    assert shown_size((1, 1), 100, 215, look) == (100, 215)
    assert shown_size((1, 1), 100, 225, look) == (100, 200)
    assert shown_size((1, 1), 215, 100, look) == (200, 100)


@given(
    shape=st.sampled_from([WIDE_CLIP, TALL_CLIP, (640, 480)]),
    width=st.integers(20, 2000),
    height=st.integers(20, 2000),
)
def test_a_picture_fills_its_tile_in_one_direction_at_least(
    shape: Shape, width: int, height: int
) -> None:
    wide, high = shown_size(shape, width, height, TileStyle())
    assert wide <= width
    assert high <= height
    assert wide == width or high == height
    assert 0.27 < shown_share(shape, wide, high) <= 1.0
