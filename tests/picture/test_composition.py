"""What is shown when: by the clock of the reference, card before, picture held and card after."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from syncvid.errors import ProductionError
from syncvid.picture import Composition, Piece, Voice, compose
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


def test_a_clip_shows_the_moment_in_the_middle_of_each_picture() -> None:
    shown = made(piece()).shown(90)[0]
    assert shown.piece is not None
    # Picture 90 is on screen from 3 s to 3 s + 1/30; `timeline` states the relation.
    reference_s = 3 + 1 / 60
    assert 2.0 + shown.clip_s * (1 + 100e-6) == pytest.approx(reference_s, abs=1e-9)
    assert shown.card == 0


def test_before_a_clip_there_is_its_card() -> None:
    composition = made(piece())
    assert composition.shown(59)[0].piece is None
    assert composition.shown(60)[0].piece is not None


def test_after_a_clip_its_last_picture_is_held_then_dissolves_into_the_card() -> None:
    composition = made(piece())
    end_s, tile = 5.0, GRID.tile
    held = composition.shown(round((end_s + 0.3) * 30))[0]
    assert held.piece is not None
    assert held.card == 0
    assert 2.9 < held.clip_s < 3.0
    halfway = composition.shown(round((end_s + tile.hold_s + tile.dissolve_s / 2) * 30))[0]
    assert 0.3 < halfway.card < 0.7
    assert composition.shown(round((end_s + 1.0) * 30))[0].piece is None


def test_a_part_without_clips_is_a_card_throughout() -> None:
    composition = made(piece())
    assert all(composition.shown(k)[1].piece is None for k in range(composition.picture_count))


def test_a_change_of_take_cuts_at_once() -> None:
    second = piece(file="b.mp4", path=Path("/b.mp4"), from_s=4.0, to_s=8.0, identity="b")
    composition = made(second, piece())  # given in the wrong order, overlapping
    before, after = composition.shown(119)[0].piece, composition.shown(120)[0].piece
    assert before is not None
    assert after is not None
    assert (before.identity, after.identity) == ("flute", "b")


def test_the_picture_covers_the_sound() -> None:
    assert made(piece(), duration_s=10.0).picture_count == 300
    assert made(piece(), duration_s=10.001).picture_count == 301


def test_what_a_segment_shows_is_described_alike_wherever_else_changes() -> None:
    one = made(piece())
    longer = made(piece(to_s=9.0))
    assert one.describe(60, 120) == longer.describe(60, 120)
    assert one.describe(120, 180) != longer.describe(120, 180)
    # The held picture depends on where the clip ends, the card after it does not.
    assert one.describe(150, 170) != made(piece(to_s=5.1)).describe(150, 170)
    assert one.describe(240, 300) == made(piece(to_s=5.1)).describe(240, 300)


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
    assert made(piece()).describe(60, 120) != made(piece(**change)).describe(60, 120)


def test_names_and_looks_change_the_description() -> None:
    one = made(piece())
    renamed = (replace(one.voices[0], label="Flute · Ana"), one.voices[1])
    assert one.describe(60, 120) != replace(one, voices=renamed).describe(60, 120)
    darker = replace(GRID, tile=replace(GRID.tile, background="#000000"))
    assert one.describe(60, 120) != replace(one, layout=darker).describe(60, 120)
    moved = Layout("other name", GRID.arrangement, GRID.canvas, GRID.tile)
    assert one.describe(60, 120) == replace(one, layout=moved).describe(60, 120)


def test_the_report_tells_where_and_when_each_clip_is_to_be_seen() -> None:
    report = made(piece(from_s=-1.0, to_s=20.0)).report()
    rect = made(piece()).rects[0]
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
    assert rest.rects == one.rects
    assert rest.shown(90)[0].piece is None


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
