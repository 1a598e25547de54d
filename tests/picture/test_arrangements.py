"""Arrangements: whoever is seen has a tile inside the picture, apart from all others."""

from __future__ import annotations

import itertools
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.picture.arrangements import Ensemble, arrange
from syncvid.picture.pieces import Rect
from syncvid.picture.space import Shape, whole_space
from syncvid.production.layouts import Arrangement, CanvasStyle, Layout, Side

PLAIN = Layout("plain", canvas=CanvasStyle(gap=0.0))
SPACED = Layout("spaced", canvas=CanvasStyle(margin=0.03, gap=0.011))
HD, TALL, SQUARE, FOUR_TO_FIVE = (1920, 1080), (1080, 1920), (1080, 1080), (1080, 1350)
WIDE_CLIP, TALL_CLIP = (1920, 1080), (1080, 1920)
ALL: tuple[Arrangement, ...] = ("grid", "rows", "lead", "facing", "full", "follow")
SIDES: tuple[Side, ...] = ("auto", "right", "left", "top", "bottom")

clips = st.sampled_from([WIDE_CLIP, TALL_CLIP, (640, 480), (480, 480), None])


@st.composite
def ensembles(draw: st.DrawFn) -> Ensemble:
    shapes = draw(st.lists(clips, min_size=1, max_size=64))
    who = st.integers(0, len(shapes) - 1)
    groups = draw(
        st.lists(st.sampled_from("ABCD"), min_size=len(shapes), max_size=len(shapes))
        | st.just([""] * len(shapes))
    )
    side = draw(st.sampled_from(SIDES))
    return Ensemble(tuple(shapes), tuple(groups), draw(who), (draw(who), draw(who)), side)


def area(rect: Rect) -> int:
    return rect.width * rect.height


@settings(deadline=None, max_examples=150)
@given(
    arrangement=st.sampled_from(ALL),
    ensemble=ensembles(),
    size=st.sampled_from([HD, TALL, SQUARE, FOUR_TO_FIVE, (1280, 720)]),
    layout=st.sampled_from([PLAIN, SPACED, Layout("usual")]),
)
def test_tiles_lie_inside_apart_and_on_even_pixels(
    arrangement: Arrangement, ensemble: Ensemble, size: tuple[int, int], layout: Layout
) -> None:
    found = arrange(arrangement, ensemble, whole_space(layout, size))
    seen = {
        "full": {ensemble.lead},
        "facing": set(ensemble.pair),
    }.get(arrangement, set(range(len(ensemble.shapes))))
    assert set(found) == seen
    margin = layout.canvas.margin * min(size) - 1
    for rect in found.values():
        assert not any(n % 2 for n in (rect.x, rect.y, rect.width, rect.height))
        assert min(rect.width, rect.height) >= 16
        assert min(rect.x, rect.y) >= margin
        assert rect.x + rect.width <= size[0] - margin
        assert rect.y + rect.height <= size[1] - margin
    # Two even edges that were rounded each for itself may come nearer by two pixels.
    gap = layout.canvas.gap * min(size) - 2
    for one, other in itertools.combinations(found.values(), 2):
        apart_x = max(other.x - one.x - one.width, one.x - other.x - other.width)
        apart_y = max(other.y - one.y - one.height, one.y - other.y - other.height)
        assert max(apart_x, apart_y) >= max(0, gap)


@settings(deadline=None, max_examples=60)
@given(ensemble=ensembles(), size=st.sampled_from([HD, TALL, SQUARE, FOUR_TO_FIVE]))
def test_who_leads_is_larger_than_anybody_else(ensemble: Ensemble, size: tuple[int, int]) -> None:
    found = arrange("lead", ensemble, whole_space(PLAIN, size))
    lead = area(found[ensemble.lead])
    # Rounded to even pixels a small tile may be one step larger than another.
    assert all(area(rect) < lead / 1.5 for i, rect in found.items() if i != ensemble.lead)
    assert lead > 0.38 * size[0] * size[1]


@settings(deadline=None, max_examples=60)
@given(ensemble=ensembles(), size=st.sampled_from([HD, TALL, SQUARE, FOUR_TO_FIVE]))
def test_rows_have_one_height_and_keep_sections_together(
    ensemble: Ensemble, size: tuple[int, int]
) -> None:
    found = arrange("rows", ensemble, whole_space(PLAIN, size))
    heights = [rect.height for rect in found.values()]
    assert max(heights) - min(heights) <= 2
    in_reading_order = sorted(found, key=lambda i: (found[i].y, found[i].x))
    groups = [group for group, _ in itertools.groupby(ensemble.groups[i] for i in in_reading_order)]
    assert groups == list(dict.fromkeys(ensemble.groups))


def test_each_of_four_full_sections_has_a_row() -> None:
    groups = tuple(group for group in "SATB" for _ in range(4))
    found = arrange("rows", Ensemble((WIDE_CLIP,) * 16, groups), whole_space(PLAIN, HD))
    # Arithmetic: four by four tiles of 480 x 270.
    assert found == {i: Rect(480 * (i % 4), 270 * (i // 4), 480, 270) for i in range(16)}


def test_wide_and_tall_clips_stand_in_one_row_without_plain_edges() -> None:
    shapes: tuple[Shape, ...] = (WIDE_CLIP, TALL_CLIP)
    found = arrange("rows", Ensemble(shapes, ("", "")), whole_space(PLAIN, HD))
    # Both lose the same share of their width: 16/9 and 9/16 of 1080 make 2527.5 of 1920.
    assert found[0].width == pytest.approx(1920 * 1920 / 2527.5, abs=2)
    assert found[0].width + found[1].width == 1920


@pytest.mark.parametrize(
    ("side", "size", "edge"),
    [
        ("auto", HD, "right"),
        ("auto", TALL, "bottom"),
        ("auto", SQUARE, "bottom"),
        ("auto", FOUR_TO_FIVE, "bottom"),
        ("left", HD, "left"),
        ("top", HD, "top"),
        ("bottom", HD, "bottom"),
        ("right", SQUARE, "right"),
        # Beside each other both would be thin.
        ("right", TALL, "bottom"),
        ("left", TALL, "top"),
    ],
)
def test_the_small_tiles_of_wide_clips_stand_where_there_is_room(
    side: Side, size: tuple[int, int], edge: str
) -> None:
    ensemble = Ensemble((WIDE_CLIP,) * 6, ("",) * 6, lead=2, side=side)
    found = arrange("lead", ensemble, whole_space(PLAIN, size))
    lead = found[2]
    free = {
        "left": lead.x,
        "right": size[0] - lead.x - lead.width,
        "top": lead.y,
        "bottom": size[1] - lead.y - lead.height,
    }
    assert [name for name, length in free.items() if length > 0] == [edge]
    others = [found[i] for i in (0, 1, 3, 4, 5)]
    assert [(r.y, r.x) for r in others] == sorted((r.y, r.x) for r in others)


@pytest.mark.parametrize(
    ("clip", "size", "second"),
    [
        (WIDE_CLIP, HD, Rect(960, 0, 960, 1080)),
        (WIDE_CLIP, TALL, Rect(0, 960, 1080, 960)),
        (WIDE_CLIP, SQUARE, Rect(0, 540, 1080, 540)),
        (TALL_CLIP, SQUARE, Rect(540, 0, 540, 1080)),
    ],
)
def test_two_face_each_other_in_halves(clip: Shape, size: tuple[int, int], second: Rect) -> None:
    found = arrange(
        "facing", Ensemble((clip,) * 5, ("",) * 5, pair=(1, 3)), whole_space(PLAIN, size)
    )
    assert set(found) == {1, 3}
    assert found[3] == second
    assert area(found[1]) == area(second)


def test_one_alone_has_everything() -> None:
    for arrangement in ALL:
        found = arrange(arrangement, Ensemble((WIDE_CLIP,), ("",)), whole_space(PLAIN, HD))
        assert found == {0: Rect(0, 0, 1920, 1080)}


@pytest.mark.parametrize("arrangement", ["grid", "rows", "lead"])
@pytest.mark.parametrize("sections", [1, 20, 100])
def test_four_hundred_are_placed_at_once(arrangement: Arrangement, sections: int) -> None:
    shapes = (WIDE_CLIP, TALL_CLIP, None, WIDE_CLIP) * 100
    groups = tuple(str(i * sections // 400) for i in range(400))
    ensemble, space = Ensemble(shapes, groups), whole_space(Layout("usual"), HD)
    taken_s = []
    for _ in range(3):
        begin_s = time.process_time()
        found = arrange(arrangement, ensemble, space)
        taken_s.append(time.process_time() - begin_s)
    assert len(found) == 400
    # The aim is 50 ms; a busy machine takes several times as long as a quiet one.
    assert min(taken_s) < 0.2


@pytest.mark.parametrize("arrangement", ["grid", "rows", "lead"])
def test_too_many_tiles_are_refused(arrangement: Arrangement) -> None:
    ensemble = Ensemble((WIDE_CLIP,) * 400, ("",) * 400)
    with pytest.raises(ProductionError, match="do not fit"):
        arrange(arrangement, ensemble, whole_space(PLAIN, (160, 90)))
