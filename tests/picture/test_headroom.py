"""Equal heads and head room: judged by the geometry of the cut, written here a second time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.picture.framing import UNKNOWN, Framing, Head
from syncvid.picture.headroom import HEAD_ROOM, MOST_ZOOM, Seat, frame_tiles
from syncvid.picture.movement import Region

FULL_HD = (1920, 1080)


def person(x: float, y: float, height: float, *, sure: float = 1.0, wide: float = 0.0) -> Framing:
    return Framing((Head(x, y, wide or height * 0.5, height),), sure)


def view(seat: Seat, focus: tuple[float, float], zoom: float) -> Region:
    """Return the part of the picture that the tile shows, by the definition of the cut."""
    scale = zoom * max(seat.size[0] / seat.shape[0], seat.size[1] / seat.shape[1])
    edges = []
    for side, length, at in zip(seat.size, seat.shape, focus, strict=True):
        over = length * scale - side
        begin = at * length * scale - side / 2 if zoom > 1 else over * at
        begin = min(max(begin, 0.0), max(over, 0.0)) / (length * scale)
        edges.append((begin, begin + min(1.0, side / (length * scale))))
    (left, right), (top, bottom) = edges
    return Region(left, top, right, bottom)


def shown_height(seat: Seat, focus: tuple[float, float], zoom: float) -> float:
    shown = view(seat, focus, zoom)
    return seat.framing.heads[0].height / (shown.bottom - shown.top)


def test_heads_come_out_of_equal_height_with_equal_room() -> None:
    seats = [
        Seat(FULL_HD, (640, 360), person(0.5, 0.40, 0.18)),
        Seat(FULL_HD, (640, 360), person(0.3, 0.45, 0.24)),
        Seat(FULL_HD, (640, 360), person(0.6, 0.50, 0.15)),
        Seat((1080, 1920), (640, 480), person(0.5, 0.40, 0.08)),
    ]
    framed = frame_tiles(seats)
    heights = [shown_height(seat, *got) for seat, got in zip(seats, framed, strict=True)]
    assert heights == pytest.approx([heights[0]] * 4, rel=1e-6)
    for seat, (focus, zoom) in zip(seats, framed, strict=True):
        shown = view(seat, focus, zoom)
        room = (seat.framing.heads[0].top - shown.top) / (shown.bottom - shown.top)
        if zoom > 1.2:
            assert room == pytest.approx(HEAD_ROOM, abs=0.01)


def test_heads_that_cannot_be_equal_come_as_near_as_they_may() -> None:
    near, middle, far = (person(0.5, 0.5, height) for height in (0.6, 0.25, 0.1))
    seats = [Seat(FULL_HD, (640, 360), framing) for framing in (near, middle, far)]
    zooms = [zoom for _, zoom in frame_tiles(seats)]
    assert zooms[0] == 1.0
    assert zooms[2] == MOST_ZOOM
    assert 0.25 * zooms[1] <= 1 / 3


def test_strength_nothing_is_the_picture_as_it_was_filmed() -> None:
    seats = [Seat(FULL_HD, (360, 360), person(x, 0.4, h)) for x, h in ((0.2, 0.1), (0.7, 0.3))]
    assert frame_tiles(seats, 0.0) == [((0.5, 0.5), 1.0)] * 2


def test_strength_lies_between() -> None:
    seats = [Seat(FULL_HD, (640, 360), person(0.5, 0.4, h)) for h in (0.15, 0.2)]
    (_, half), (_, whole) = frame_tiles(seats, 0.5)[0], frame_tiles(seats, 1.0)[0]
    assert 1.0 < half < whole


def test_what_the_user_pins_wins() -> None:
    far = person(0.5, 0.4, 0.1)
    seats = [
        Seat(FULL_HD, (640, 360), person(0.5, 0.4, 0.2)),
        Seat(FULL_HD, (640, 360), far, focus=(0.1, 0.9)),
        Seat(FULL_HD, (640, 360), far, zoom=1.3),
        Seat(FULL_HD, (640, 360), far, focus=(0.2, 0.2), zoom=2.5),
    ]
    for strength in (0.0, 1.0):
        framed = frame_tiles(seats, strength)
        assert framed[1] == ((0.1, 0.9), 1.0)
        assert framed[2][1] == 1.3
        assert framed[3] == ((0.2, 0.2), 2.5)


def test_no_pixel_is_invented() -> None:
    small = Seat((640, 360), (640, 360), person(0.5, 0.4, 0.1))
    tight = Seat((800, 450), (640, 360), person(0.5, 0.4, 0.1))
    large = Seat(FULL_HD, (640, 360), person(0.5, 0.4, 0.2))
    zooms = [zoom for _, zoom in frame_tiles([small, tight, large])]
    assert zooms[0] == 1.0
    assert zooms[1] <= 1.25


def test_a_doubtful_head_enlarges_nothing() -> None:
    doubtful = Seat(FULL_HD, (640, 360), person(0.5, 0.4, 0.1, sure=0.5))
    certain = Seat(FULL_HD, (640, 360), person(0.5, 0.4, 0.2))
    assert frame_tiles([doubtful, certain])[0][1] == 1.0


def test_movement_alone_never_enlarges_but_says_what_to_keep() -> None:
    moving = Framing(moving=Region(0.7, 0.3, 0.9, 0.9))
    uncropped, cropped = Seat(FULL_HD, (640, 360), moving), Seat(FULL_HD, (360, 360), moving)
    others = [Seat(FULL_HD, (640, 360), person(0.5, 0.4, 0.3))]
    (focus, zoom), (kept, same), _ = frame_tiles([uncropped, cropped, *others])
    assert (zoom, same) == (1.0, 1.0)
    assert focus == (0.5, 0.5)
    shown = view(cropped, kept, 1.0)
    assert shown.left < 0.7
    assert shown.right > 0.9


def test_a_tall_picture_in_a_wide_tile_shows_the_head_and_not_the_ceiling() -> None:
    seat = Seat((1080, 1920), (640, 360), person(0.5, 0.3, 0.1, wide=0.12))
    ((focus, zoom),) = frame_tiles([seat])
    shown, head = view(seat, focus, zoom), seat.framing.heads[0]
    assert zoom == 1.0
    assert shown.top < head.top
    assert (head.top - shown.top) / (shown.bottom - shown.top) == pytest.approx(HEAD_ROOM)


def test_close_up_the_hands_are_worth_more_than_head_room() -> None:
    close = person(0.5, 0.3, 0.15, wide=0.2)
    hands = Framing(close.heads, 1.0, Region(0.3, 0.3, 0.7, 0.5))
    ((focus, zoom),) = frame_tiles([Seat((1080, 1920), (640, 360), hands)])
    shown = view(Seat((1080, 1920), (640, 360)), focus, zoom)
    assert shown.bottom == pytest.approx(0.5, abs=1e-6)
    assert shown.top < close.heads[0].top


def test_hands_that_reach_far_are_not_cut_off() -> None:
    wide = Framing(person(0.5, 0.4, 0.1).heads, 1.0, Region(0.1, 0.3, 0.9, 0.8))
    seats = [
        Seat(FULL_HD, (640, 360), wide),
        Seat(FULL_HD, (640, 360), person(0.5, 0.4, 0.3)),
    ]
    (focus, zoom), _ = frame_tiles(seats)
    shown = view(seats[0], focus, zoom)
    assert zoom > 1.0
    assert shown.left <= 0.1 + 1e-9
    assert shown.right >= 0.9 - 1e-9


def test_what_moves_far_off_does_not_push_the_head_out() -> None:
    aside = Framing(person(0.2, 0.4, 0.2, wide=0.1).heads, 1.0, Region(0.7, 0.3, 0.98, 0.9))
    seat = Seat(FULL_HD, (360, 360), aside)
    ((focus, zoom),) = frame_tiles([seat])
    shown = view(seat, focus, zoom)
    assert shown.left <= 0.2 - 0.05 - 0.04
    assert shown.right > 0.2 + 0.3


def test_nobody_known_is_left_alone() -> None:
    assert (
        frame_tiles([Seat(FULL_HD, (360, 640)), Seat((10, 10), (64, 64), UNKNOWN)])
        == [((0.5, 0.5), 1.0)] * 2
    )
    assert frame_tiles([]) == []


SHARES = st.floats(0.05, 0.95)
HEIGHTS = st.floats(0.05, 0.4)
SIDES = st.integers(100, 4000)
TILES = st.integers(32, 1000).map(lambda half: 2 * half)


@given(
    st.lists(
        st.tuples(
            SIDES, SIDES, TILES, TILES, SHARES, SHARES, st.floats(0.05, 0.4), st.floats(0, 1)
        ),
        min_size=1,
        max_size=6,
    ),
    st.floats(0.0, 1.0),
)
def test_a_head_that_fits_is_never_cut(
    rows: list[tuple[int, int, int, int, float, float, float, float]], strength: float
) -> None:
    seats = [
        Seat((w, h), (across, down), person(x, y, high, sure=sure, wide=high / 2))
        for w, h, across, down, x, y, high, sure in rows
    ]
    for seat, (focus, zoom) in zip(seats, frame_tiles(seats, strength), strict=True):
        assert 1.0 <= zoom <= MOST_ZOOM
        shown, head = view(seat, focus, zoom), seat.framing.heads[0]
        assert 0.0 <= focus[0] <= 1.0
        assert 0.0 <= focus[1] <= 1.0
        if strength < 1.0:
            continue
        region = head.region
        slack = 1e-6
        if head.height * (1 + HEAD_ROOM) < shown.bottom - shown.top:
            assert shown.top <= max(region.top, 0.0) + slack
            assert shown.bottom >= min(region.bottom, 1.0) - slack
        if head.width < shown.right - shown.left:
            assert shown.left <= max(region.left, 0.0) + slack
            assert shown.right >= min(region.right, 1.0) - slack


def test_the_common_height_is_where_the_sum_of_differences_is_least(
    rng: np.random.Generator,
) -> None:
    from syncvid.picture.headroom import _common_height, _reach

    for _ in range(20):
        heads = rng.uniform(0.05, 0.5, 5)
        seats = [Seat(FULL_HD, (640, 360), person(0.5, 0.5, float(high))) for high in heads]
        lows, highs = np.log([_reach(seat) or (1, 1) for seat in seats]).T
        heights = np.linspace(np.log(0.02), np.log(0.9), 4001)[:, None]
        missed = (np.maximum(lows - heights, 0) + np.maximum(heights - highs, 0)).sum(axis=1)
        found = _common_height(seats)
        assert found is not None
        at = np.log(found)
        own = (np.maximum(lows - at, 0) + np.maximum(at - highs, 0)).sum()
        assert own <= missed.min() + 1e-6
