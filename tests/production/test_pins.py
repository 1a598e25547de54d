"""Pins: read strictly, written gently, laid over findings by plain arithmetic."""

from __future__ import annotations

from pathlib import Path

import pytest

from syncvid.errors import ProductionError
from syncvid.production.edit import PlanEditor
from syncvid.production.pick import TakeName, pick_take, take_label
from syncvid.production.pins import Pin, pin_of, pinned
from syncvid.production.plan import Plan, Take
from syncvid.production.results import (
    ClipSync,
    Finding,
    Rival,
    Stretch,
    SyncResult,
    Vote,
    read_sync_json,
    write_sync_json,
)
from syncvid.production.toml import read_toml
from syncvid.timeline import Span

PLAN = """\
# mine
[[parts]]
name = "Viola"   # the one by the window
player = "Anna"
[[parts.takes]]
take = 1
file = "../a.mov"

# her second try
[[parts.takes]]
take = 2
file = "../b.mov"  # better light
{extra}
# now the cello
[[parts]]
name = "Cello"
takes = [{{ take = 1, file = "../c.mov" }}]
"""

FOUND = Finding(
    "check",
    0.4,
    "A repeat fits as well.",
    offset_s=3.2,
    drift_ppm=21.0,
    against="mix",
    spans=(Span(1.0, 60.0, 3.2),),
    votes=(Vote(10.0, 3.2 + 210e-6, 9.0, True), Vote(20.0, 65.0 + 420e-6, 8.0, False)),
    rivals=(Rival(65.0, 0.9),),
)


def write_plan(folder: Path, extra: str = "") -> Path:
    path = folder / "production.toml"
    path.write_text(PLAN.format(extra=extra), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("lines", "line", "words"),
    [
        ("offset_s = 'soon'", 13, "'offset_s' is wrong"),
        ("offset_s = inf", 13, "finite"),
        ("drift_ppm = 12", 13, "needs an offset_s"),
        ("offset_s = 1\nnot_in_piece = true", 14, "contradicts offset_s"),
        ("offset_s = 1\ndrift_ppm = 4e6", 14, "'drift_ppm' is wrong"),
        ("from_s = 9\nto_s = 8.5", 14, "end before it begins"),
        ("from_s = -1", 13, "'from_s' is wrong"),
        ("picture_shift_ms = 90000", 13, "'picture_shift_ms' is wrong"),
    ],
)
def test_what_cannot_be_meant_is_told_with_line_and_key(
    tmp_path: Path, lines: str, line: int, words: str
) -> None:
    with pytest.raises(ProductionError) as caught:
        read_toml(write_plan(tmp_path, lines), Plan)
    assert f"line {line}: 'parts' 1 'takes' 2" in str(caught.value)
    assert words in str(caught.value)


def test_a_pin_is_written_below_its_take_and_comments_survive(tmp_path: Path) -> None:
    path = write_plan(tmp_path)
    before = path.read_text()
    editor = PlanEditor(path)
    editor.pin(1, Pin(12.4, -3.5))
    editor.pin(2, Pin(0.0))
    editor.save()
    after = path.read_text()
    expected = before.replace(
        "# better light\n", "# better light\noffset_s = 12.4\ndrift_ppm = -3.5\n"
    ).replace('"../c.mov" }', '"../c.mov", offset_s = 0.0}')
    assert after.replace(" }", "}") == expected.replace(" }", "}")
    assert [pin_of(t) for p in editor.plan.parts for t in p.takes] == [
        None,
        Pin(12.4, -3.5),
        Pin(0.0),
    ]
    editor = PlanEditor(path)
    editor.pin(1, Pin())
    editor.pin(2, None)
    editor.save()
    assert "not_in_piece = true\n\n# now the cello" in path.read_text()
    editor = PlanEditor(path)
    editor.pin(1, None)
    editor.save()
    assert path.read_text().split() == before.split()


def test_a_pin_that_would_spoil_the_plan_is_not_written(tmp_path: Path) -> None:
    path = write_plan(tmp_path)
    before = path.read_text()
    editor = PlanEditor(path)
    editor.pin(0, Pin(float("nan")))
    with pytest.raises(ProductionError, match="'offset_s'"):
        editor.save()
    assert path.read_text() == before


def test_another_file_takes_nothing_over_from_the_old_one(tmp_path: Path) -> None:
    editor = PlanEditor(write_plan(tmp_path, "offset_s = 1.0\nuse = true\nfrom_s = 3.0"))
    assert editor.replace("b.mov", "../d.mov") == ("offset_s", "from_s")
    editor.save()
    take = editor.plan.parts[0].takes[1]
    assert (take.file, take.use, take.offset_s, take.from_s) == ("../d.mov", True, None, None)


def test_a_pin_wins_over_what_was_found() -> None:
    told = pinned(FOUND, Pin(12.4, 5.0))
    assert (told.verdict, told.confidence, told.pinned) == ("sure", 1.0, True)
    assert (told.offset_s, told.drift_ppm) == (12.4, 5.0)
    assert told.reason.startswith("Pinned by you at 12.400 s in production.toml")
    assert "3.200 s" in told.reason, "what the sound says is told too"
    assert told.spans == ()
    assert not any(vote.agrees for vote in told.votes)
    assert pinned(FOUND, None) is FOUND


def test_a_pin_at_a_place_that_was_found_keeps_its_drift_and_its_votes() -> None:
    """Lag = offset + clip time times drift: 65 s + 20 s * 21 millionths is the second vote's."""
    rival = pinned(FOUND, Pin(65.0))
    assert rival.drift_ppm == 21.0
    assert [vote.agrees for vote in rival.votes] == [False, True]
    same = pinned(FOUND, Pin(3.2))
    assert same.spans == FOUND.spans
    assert pinned(FOUND, Pin(7.0)).drift_ppm == 0.0


def test_not_in_piece_leaves_no_place() -> None:
    told = pinned(FOUND, Pin())
    assert (told.verdict, told.offset_s, told.placement, told.spans) == ("none", None, None, ())
    assert "You have settled" in told.reason
    assert told.pinned


def test_the_json_says_what_was_pinned() -> None:
    clips = (
        ClipSync("a.mov", "Viola", 1, pinned(FOUND, Pin(12.4)), stretch=Stretch(2.0, 70.0)),
        ClipSync("a.mov", "Viola", 2, FOUND, listed=False),
        ClipSync("zoom.wav", "Viola", 1, FOUND, sound_of="a.mov"),
    )
    text = write_sync_json(SyncResult("mix", clips))
    assert '"pinned": true' in text
    assert read_sync_json(text).clips == clips
    plain = write_sync_json(SyncResult("mix", (ClipSync("a.mov", "Viola", 2, FOUND),)))
    special = ("pinned", "from_s", "to_s", "listed", "sound_of")
    assert not any(f'"{word}"' in plain for word in special)


def test_findings_are_looked_up_by_file_and_stretch() -> None:
    first = ClipSync("a.mov", "Viola", 1, FOUND, stretch=Stretch(0.0, 70.0))
    second = ClipSync("a.mov", "Viola", 2, FOUND, stretch=Stretch(70.0, None))
    recorder = ClipSync("a.mov", "Cello", 1, FOUND, sound_of="c.mov")
    result = SyncResult("mix", (recorder, first, second))
    assert result.of("a.mov") == first, "the whole file's finding is the first of its takes"
    assert result.of("a.mov", Stretch(70.0, None)) == second
    assert result.of("a.mov", Stretch(1.0, None)) is None
    assert result.sound_of("a.mov", "c.mov") == recorder


def test_a_stretch_stays_within_its_file() -> None:
    assert Stretch().within(80.0) == (0.0, 80.0)
    assert Stretch(10.0, 90.0).within(80.0) == (10.0, 80.0)
    assert Stretch(95.0, None).within(80.0) == (80.0, 80.0)


TAKES = [
    TakeName("Viola", "Anna", 1, "../clips/a.mov"),
    TakeName("Viola", "Anna", 2, "../clips/b.mov"),
    TakeName("Cello", "", 1, "../clips/viola solo.mov"),
    TakeName("Flute 2", "Ben", 1, "../clips/a2.mov"),
]


@pytest.mark.parametrize(
    ("wanted", "at"),
    [
        ("../clips/b.mov", 1),
        ("b.mov", 1),
        ("Viola/2", 1),
        ("viola (anna), take 2", 1),
        ("Anna viola 1", 0),
        ("CELLO", 2),
        ("ben", 3),
        ("flute 2", 3),
        ("Flute 2/1", 3),
    ],
)
def test_a_take_is_named_in_many_ways(wanted: str, at: int) -> None:
    assert pick_take(wanted, TAKES) == at


def test_what_syncvid_writes_for_a_take_can_be_typed() -> None:
    takes = [
        *TAKES,
        TakeName("Oboe", "Kim", 1, "k.mov"),
        TakeName("Oboe", "Lee", 1, "l.mov"),
        TakeName("Horn", "", 1, "one.mov"),
        TakeName("Horn", "", 1, "two.mov"),
    ]
    labels = [take_label(take, takes) for take in takes]
    assert labels[1] == "Viola/2"
    assert labels[4:] == ["Oboe Kim/1", "Oboe Lee/1", "one.mov", "two.mov"]
    assert [pick_take(label, takes) for label in labels] == list(range(8))


def test_a_name_that_fits_no_single_take_says_what_there_is() -> None:
    with pytest.raises(ProductionError, match=r"2 takes: 'Viola/1' .*, 'Viola/2' "):
        pick_take("viola", TAKES)
    with pytest.raises(ProductionError, match="names no take here"):
        pick_take("oboe", TAKES)


def test_takes_of_the_plan_hold_their_numbers() -> None:
    take = Take(take=1, file="a.mov", offset_s=2, drift_ppm=None)
    assert pin_of(take) == Pin(2.0, None)
    assert pin_of(Take(file="a.mov", not_in_piece=True)) == Pin()
