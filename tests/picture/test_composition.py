"""What is shown when: by the clock of the reference, card before, picture held and card after."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from syncvid.errors import ProductionError
from syncvid.picture import Composition, Piece, Shown, Voice, compose, describe
from syncvid.picture import report as report_of
from syncvid.picture.composing import Around
from syncvid.picture.composition import CARD
from syncvid.picture.scenes import Scene
from syncvid.production.layouts import Layout
from syncvid.timeline import Placement

RATE = Fraction(30)
GRID = Layout("grid")


def piece(**changes: Any) -> Piece:
    values: dict[str, Any] = {
        "file": "clips/flute.mp4",
        "path": Path("/somewhere/flute.mp4"),
        "placement": Placement(2.0, 100.0),
        "from_s": 2.0,
        "to_s": 5.0,
        "shape": (1920, 1080),
        "identity": "flute",
    }
    return Piece(**(values | changes))


def made(*pieces: Piece, duration_s: float = 10.0) -> Composition:
    voices = [Voice("Flute · Ines", "Flute", pieces), Voice("Oboe", "Oboe")]
    return compose(voices, GRID, size=(640, 360), frame_rate=RATE, duration_s=duration_s)


def tile(composition: Composition, picture: int, number: int = 0) -> Shown:
    (stage,) = composition.stages(picture)
    return stage.tiles[number]


def test_a_clip_shows_the_moment_in_the_middle_of_each_picture() -> None:
    (layer,) = tile(made(piece()), 90).layers
    assert layer.piece is not None
    # Picture 90 is on screen from 3 s to 3 s + 1/30; `timeline` states the relation.
    reference_s = 3 + 1 / 60
    assert 2.0 + layer.clip_s * (1 + 100e-6) == pytest.approx(reference_s, abs=1e-9)


def test_before_a_clip_there_is_its_card_which_has_gone_when_it_begins() -> None:
    composition = made(piece())
    assert tile(composition, 50).layers == (CARD,)
    shares = []
    for k in range(51, 60):
        clip, card = tile(composition, k).layers
        assert (clip.clip_s, card.piece) == (0.0, None)
        shares.append(card.share)
    # The middles of nine pictures within the 0.3 s that a card takes to go.
    assert shares == pytest.approx([1 - n / 18 for n in range(1, 18, 2)])
    assert len(tile(composition, 60).layers) == 1


def test_the_way_from_card_to_clip_is_described_where_it_is_seen() -> None:
    early, late = made(piece(from_s=1.99)), made(piece(from_s=2.0))
    assert describe(early, 50, 58) != describe(late, 50, 58)
    assert describe(early, 60, 90) == describe(late, 60, 90)


def test_a_clip_after_a_gap_comes_out_of_the_card_even_if_it_was_to_dissolve() -> None:
    later = piece(from_s=8.0, to_s=9.0, dissolve_s=0.4)
    composition = made(piece(), later)
    assert tile(composition, 230).layers == (CARD,)
    clip, card = tile(composition, 236).layers
    assert (clip.piece is None, card.piece) == (False, None)
    assert len(tile(composition, 241).layers) == 1


def test_words_that_are_too_long_are_named() -> None:
    long = "and so on " * 20
    around = Around(captions=((1.0, 2.0, long), (3.0, 4.0, "Kyrie")))
    voices = [Voice("Flute", "Flute", (piece(),))]
    composition = compose(
        voices, GRID, size=(640, 360), frame_rate=RATE, duration_s=10.0, around=around
    )
    assert [long in warning for warning in composition.warnings] == [True]


def test_credits_that_go_too_fast_are_told() -> None:
    voices = [Voice("Flute", "Flute", (piece(),))]
    lines = tuple(f"Instrument {n}: Some Body" for n in range(12))
    said = [
        compose(
            voices,
            GRID,
            size=(640, 360),
            frame_rate=RATE,
            duration_s=10.0,
            around=Around(credits=lines, credits_s=credits_s),
        ).warnings
        for credits_s in (3.0, 15.0)
    ]
    assert [len(warnings) for warnings in said] == [1, 0]
    assert said[0][0].startswith("The credits stand for 3 s")


def test_a_tile_that_has_not_entered_counts_in_the_description() -> None:
    """The size of all names depends on every tile, also on those that are still to enter."""
    one = made(piece())
    (grid,) = one.scenes
    late = replace(grid.places[1], enters_s=6.0)
    wide, small = (
        replace(
            one,
            scenes=(replace(grid, places=(grid.places[0], replace(late, rect=rect))),),
        )
        for rect in (late.rect, replace(late.rect, width=64, height=36))
    )
    assert describe(wide, 60, 120) != describe(small, 60, 120)


def test_after_a_clip_its_last_picture_is_held_then_dissolves_into_the_card() -> None:
    composition = made(piece())
    end_s, look = 5.0, GRID.tile
    (held,) = tile(composition, round((end_s + 0.3) * 30)).layers
    assert held.piece is not None
    assert 2.9 < held.clip_s < 3.0
    halfway = tile(composition, round((end_s + look.hold_s + look.dissolve_s / 2) * 30)).layers
    assert halfway[0].clip_s == held.clip_s
    assert halfway[1].piece is None
    assert 0.3 < halfway[1].share < 0.7
    assert tile(composition, round((end_s + 1.0) * 30)).layers == (CARD,)


def test_a_part_without_clips_is_a_card_throughout() -> None:
    composition = made(piece())
    assert all(tile(composition, k, 1).layers == (CARD,) for k in range(composition.last))


def test_a_change_of_take_cuts_at_once() -> None:
    second = piece(file="b.mp4", path=Path("/b.mp4"), from_s=4.0, to_s=8.0, identity="b")
    composition = made(second, piece())  # given in the wrong order, overlapping
    before, after = (tile(composition, k).layers[0].piece for k in (119, 120))
    assert before is not None
    assert after is not None
    assert (before.identity, after.identity) == ("flute", "b")


def test_a_change_of_take_may_dissolve_centred_on_the_change() -> None:
    second = piece(file="b.mp4", path=Path("/b.mp4"), from_s=4.0, to_s=8.0, dissolve_s=0.2)
    composition = made(piece(), second)
    shares = {k: tile(composition, k).layers[-1].share for k in range(115, 126)}
    assert [len(tile(composition, k).layers) for k in (116, 117, 122, 123)] == [1, 2, 2, 1]
    # Six pictures at 30/s lie in 0.2 s; their middles divide it into twelfths.
    assert [shares[k] for k in range(117, 123)] == pytest.approx([n / 12 for n in range(1, 12, 2)])


def two_scenes(dissolve_s: float) -> Composition:
    one = made(piece(to_s=9.0))
    (grid,) = one.scenes
    alone = Scene(5.0, math.inf, (grid.places[0],), dissolve_s)
    return replace(one, scenes=(replace(grid, to_s=5.0), alone))


def test_scenes_cut_at_their_moment() -> None:
    composition = two_scenes(0.0)
    assert [len(composition.stages(k)[0].tiles) for k in (149, 150)] == [2, 1]
    assert all(len(composition.stages(k)) == 1 for k in range(140, 160))


def test_scenes_dissolve_centred_on_their_moment() -> None:
    composition = two_scenes(0.2)
    counts = [len(composition.stages(k)) for k in range(145, 155)]
    assert counts == [1, 1, 2, 2, 2, 2, 2, 2, 1, 1]
    shares = [composition.stages(k)[1].share for k in range(147, 153)]
    assert shares == pytest.approx([n / 12 for n in range(1, 12, 2)])


def test_a_scene_changes_the_description_of_its_own_pictures_only() -> None:
    cut, soft = two_scenes(0.0), two_scenes(0.4)
    bare = tuple(replace(place, named=False) for place in cut.scenes[1].places)
    renamed = replace(cut, scenes=(cut.scenes[0], replace(cut.scenes[1], places=bare)))
    assert describe(cut, 60, 120) == describe(renamed, 60, 120)
    assert describe(cut, 150, 180) != describe(renamed, 150, 180)
    assert describe(cut, 120, 150) != describe(soft, 120, 150)
    assert describe(cut, 180, 240) == describe(soft, 180, 240)


def test_a_still_waits_until_scenes_and_words_have_come_in() -> None:
    composition = two_scenes(0.4)
    # The change lies between 4.8 and 5.2 s.
    assert [composition.settled(k) for k in (100, 144, 150, 156)] == [100, 156, 156, 156]
    around = Around(captions=((2.0, 4.0, "Kyrie"),))
    voices = [Voice("Flute", "Flute", (piece(),))]
    spoken = compose(voices, GRID, size=(640, 360), frame_rate=RATE, duration_s=10.0, around=around)
    # Words come in within a quarter of a second.
    assert [spoken.settled(k) for k in (60, 70, 90)] == [67, 70, 90]


def test_a_tile_enters_when_its_part_does() -> None:
    one = made(piece())
    (grid,) = one.scenes
    late = replace(grid, places=(grid.places[0], replace(grid.places[1], enters_s=3.0)))
    composition = replace(one, scenes=(late,))
    assert [len(composition.stages(k)[0].tiles) for k in (89, 90)] == [1, 2]
    # 0.15 s of the 0.3 s that a tile takes to come in.
    assert tile(composition, 94, 1).presence == pytest.approx(0.5, abs=0.001)
    assert tile(composition, 100, 1).presence == 1.0


def test_an_excerpt_shows_what_the_whole_shows_there() -> None:
    voices = [Voice("Flute · Ines", "Flute", (piece(),)), Voice("Oboe", "Oboe")]
    size = (640, 360)
    part = compose(voices, GRID, size=size, frame_rate=RATE, duration_s=10.0, window_s=(3.0, 4.0))
    assert (part.first, part.last, part.picture_count) == (90, 120, 30)
    assert part.stages(95) == made(piece()).stages(95)
    assert report_of(part)["reference_at_s"] == -3.0
    # Between two pictures: the note at the beginning is whole, the one after the end is not heard.
    part = compose(voices, GRID, size=size, frame_rate=RATE, duration_s=10.0, window_s=(3.02, 3.99))
    assert (part.first, part.last) == (90, 119)
    part = compose(voices, GRID, size=size, frame_rate=RATE, duration_s=9.99, window_s=(3.0, 99.0))
    assert (part.first, part.last) == (90, 300)
    with pytest.raises(ProductionError, match="no music from 11 to 12 s"):
        compose(voices, GRID, size=size, frame_rate=RATE, duration_s=10.0, window_s=(11.0, 12.0))


def test_the_picture_covers_the_sound() -> None:
    assert made(piece(), duration_s=10.0).picture_count == 300
    assert made(piece(), duration_s=10.001).picture_count == 301


def test_what_a_segment_shows_is_described_alike_wherever_else_changes() -> None:
    one = made(piece())
    longer = made(piece(to_s=9.0))
    assert describe(one, 60, 120) == describe(longer, 60, 120)
    assert describe(one, 120, 180) != describe(longer, 120, 180)
    # The held picture depends on where the clip ends, the card after it does not.
    assert describe(one, 150, 170) != describe(made(piece(to_s=5.1)), 150, 170)
    assert describe(one, 240, 300) == describe(made(piece(to_s=5.1)), 240, 300)


@pytest.mark.parametrize(
    "change",
    [
        {"identity": "another"},
        {"placement": Placement(2.0, 101.0)},
        {"placement": Placement(2.001, 100.0)},
        {"focus": (0.5, 0.2)},
        {"shape": (1920, 1440)},
        {"from_s": 2.1},
        {"to_s": 3.5},
    ],
    ids=str,
)
def test_whatever_shows_changes_the_description(change: dict[str, Any]) -> None:
    assert describe(made(piece()), 60, 120) != describe(made(piece(**change)), 60, 120)


def test_names_and_looks_change_the_description() -> None:
    one = made(piece())
    renamed = (replace(one.voices[0], label="Flute · Ana"), one.voices[1])
    again = compose(renamed, GRID, size=(640, 360), frame_rate=RATE, duration_s=10.0)
    assert describe(one, 60, 120) != describe(again, 60, 120)
    darker = replace(GRID, tile=replace(GRID.tile, background="#000000"))
    assert describe(one, 60, 120) != describe(replace(one, layout=darker), 60, 120)
    moved = Layout("other name", GRID.arrangement, GRID.canvas, GRID.tile)
    assert describe(one, 60, 120) == describe(replace(one, layout=moved), 60, 120)


def test_the_report_tells_where_and_when_each_clip_is_to_be_seen() -> None:
    report = report_of(made(piece(from_s=-1.0, to_s=20.0)))
    rect = tile(made(piece()), 0).rect
    assert report["format"] == "syncvid.render/1"
    assert (report["size"], report["fps"], report["reference_at_s"]) == ([640, 360], "30/1", 0.0)
    (row,) = report["tiles"]
    assert (row["x"], row["y"], row["w"], row["h"]) == (rect.x, rect.y, rect.width, rect.height)
    assert (row["file"], row["part"]) == ("clips/flute.mp4", "Flute")
    assert (row["from_s"], row["to_s"]) == (0.0, 10.0)
    assert [card["part"] for card in report["cards"]] == ["Oboe"]


def test_leaving_a_clip_out_keeps_its_tile() -> None:
    one = made(piece())
    rest = one.without(lambda clip: clip.identity == "flute")
    assert tile(rest, 90).rect == tile(one, 90).rect
    assert tile(rest, 90).layers == (CARD,)


@pytest.mark.parametrize(
    ("size", "duration_s", "voices", "message"),
    [
        ((641, 360), 1.0, 1, "641x360"),
        ((640, 20), 1.0, 1, "640x20"),
        ((640, 360), 0.0, 1, "no length"),
        ((640, 360), 1.0, 0, "nothing to show"),
    ],
)
def test_what_cannot_be_made_is_refused(
    size: tuple[int, int], duration_s: float, voices: int, message: str
) -> None:
    with pytest.raises(ProductionError, match=message):
        compose([Voice("A", "A")] * voices, GRID, size=size, frame_rate=RATE, duration_s=duration_s)


def test_words_stand_above_those_of_the_same_time_only() -> None:
    around = Around(captions=((1.0, 3.0, "Kyrie"), (2.5, 5.0, "Trio"), (6.0, 8.0, "Gloria")))
    voices = [Voice("Flute", "Flute", (piece(),))]
    composition = compose(
        voices, GRID, size=(640, 360), frame_rate=RATE, duration_s=10.0, around=around
    )
    first, second, third = composition.words
    assert [composition.words_below(w) for w in (first, second, third)] == [(), (first,), ()]
    # Where the second stands depends on the first, also in pictures that the first is not in.
    alone = replace(composition, words=(second, third))
    assert describe(composition, 120, 140) != describe(alone, 120, 140)
    assert describe(composition, 190, 230) == describe(alone, 190, 230)


@pytest.mark.parametrize("from_s", [-1.0, 0.0, 0.01, 0.2])
def test_a_clip_that_begins_with_the_music_comes_out_of_no_card(from_s: float) -> None:
    composition = made(piece(from_s=from_s))
    layers = [tile(composition, k).layers for k in range(7, 20)]
    assert all(len(row) == 1 and row[0].piece is not None for row in layers)
