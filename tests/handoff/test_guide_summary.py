"""The summary of a guide: what the plan says, in the plan's own units, on one screen."""

from __future__ import annotations

import dataclasses
from fractions import Fraction

import pytest

from syncvid.handoff.guide_summary import guide_summary
from syncvid.production.beats import GuideMap, Mark
from syncvid.production.guide_plan import (
    Bar,
    GuidePlan,
    Hold,
    Law,
    Metre,
    Place,
    PlanSection,
    Tempo,
    TempoChange,
)

from .guides import make_guide, ramp, steady

QUARTER = Fraction(1, 4)
FOUR = Metre("4/4", (QUARTER,) * 4)
SEVEN = Metre("7/8", (QUARTER, QUARTER, Fraction(3, 8)), (0, 1, 2))

SCREEN = 24
"""Lines of a terminal (VT100, from memory)."""


def make_plan(bars: int = 8) -> GuidePlan:
    return GuidePlan(
        "Round",
        tuple(Bar(n, FOUR if n < 7 else SEVEN, FOUR.length) for n in [*range(1, bars + 1), 1, 2]),
        (PlanSection("A"),),
        Tempo(96.0),
        (
            TempoChange(Place(5), Tempo(36.0, Fraction(1, 2)), Place(7)),
            TempoChange(Place(7, Fraction(5, 2), 1), Tempo(50.5, Fraction(3, 8))),
            TempoChange(Place(8), Tempo(60.0), Place(9), Law.BY_TIME),
        ),
        (
            Hold(Place(4, Fraction(4)), seconds=2.0),
            Hold(Place(7), length=Fraction(1, 8), before=True),
            Hold(Place(8), seconds=0.5, length=Fraction(1, 16)),
        ),
    )


def make_map() -> GuideMap:
    beats = steady((-1, 0), 96.0, -1) + steady(range(1, 5), 96.0) + ramp((5, 6), 96.0, 72.0)
    return make_guide(beats + steady((7, 8, 1, 2), 72.0, 1), ["A", "Trio"])


def test_everything_is_told() -> None:
    text = guide_summary(
        make_map(), make_plan(), order="1-8, 1-2", remarks=("No tempo was written.",),
        practice=("slow, 80 %", "clicks only"),
    )  # fmt: skip
    rows = [line.strip() for line in text.splitlines()]
    assert rows[0] == "Round, guide version 1"
    for row in (
        # Two bars of four beats at 96: 8 x 0.625 s.
        "count-in    2 bars, 5 s, from 0:01.0",
        "bars        10 as played, numbered 1 to 8, 2 of them a repeat",
        "metre       4/4",
        "7/8 in beats of 1/4, 1/4, 3/8 from bar 7",
        "tempo       quarter = 96",
        "to half = 36 from bar 5 to bar 7, even by beats",
        "dotted quarter = 50.5 from bar 7 beat 2.5 first time",
        "to quarter = 60 from bar 8 to bar 9, even in time",
        "from 60 to 96 quarters per minute in all",
        "holds       bar 4 beat 4: 2 s longer",
        "before bar 7: a breath of an eighth",
        "bar 8: 0.5 s and a sixteenth longer",
        "sections    A      0:06.0  bar 1",
        "bar order   1-8, 1-2: please compare with the score",
        "practice    slow, 80 %",
        "clicks only",
        "note        No tempo was written.",
    ):
        assert row in rows, (row, rows)
    assert len(rows) <= SCREEN


def test_long_lists_are_cut_and_say_so() -> None:
    marks = tuple(Mark(f"Scene {n}", n, float(n)) for n in range(50))
    cues = tuple(Mark("Flute", n, float(n), "cue") for n in range(30))
    plan = dataclasses.replace(make_plan(), holds=make_plan().holds * 20)
    guide = dataclasses.replace(make_map(), marks=marks + cues)
    order = ", ".join(f"{n}-{n + 7}" for n in range(1, 4000, 8))
    text = guide_summary(guide, plan, order=order, remarks=["x"] * 44)
    for row in ("and 38 more", "and 24 more", "and 54 more"):
        assert row in text
    words = text.split("bar order")[1]
    listed = words.split(" and ")[0].count(",") + 1
    assert f"and {500 - listed} more: please compare" in " ".join(words.split())
    assert all(len(line) <= 100 for line in text.splitlines())
    assert len(text.splitlines()) <= 3 * SCREEN


@pytest.mark.parametrize("count", range(5, 10))
def test_a_list_is_never_cut_to_spare_one_line(count: int) -> None:
    rows = guide_summary(make_map(), make_plan(), remarks=["x"] * count).split("note ")[1]
    assert ("more" in rows) == (count > 7)


def test_a_practice_version_says_its_share() -> None:
    guide = dataclasses.replace(make_map(), practice=0.8)
    assert "guide version 1, at 80 % of the tempo" in guide_summary(guide, make_plan())


def test_what_is_not_there_is_not_told() -> None:
    plan = GuidePlan("", (Bar(1, FOUR, FOUR.length),), (PlanSection(),), Tempo(96.0))
    text = guide_summary(make_guide(steady((1,), 96.0), title=""), plan)
    assert text.startswith("Untitled, guide version 1\n")
    assert "count-in    none" in text
    for word in ("holds", "sections", "cues", "order", "practice", "note", "in all", "repeat"):
        assert word not in text


def test_an_upbeat_is_told() -> None:
    upbeat = Bar(0, FOUR, QUARTER, Fraction(3, 4))
    plan = dataclasses.replace(make_plan(), bars=(upbeat, *make_plan().bars))
    assert "numbered 0 to 8, 2 of them a repeat, upbeat of a quarter" in guide_summary(
        make_map(), plan
    )


def test_names_cannot_move_the_terminal() -> None:
    guide = dataclasses.replace(make_map(), title="a\x1b[2Jb\nc", marks=(Mark("x\ny\x1b", 1, 1.0),))
    text = guide_summary(guide, make_plan(), remarks=("x\x1b]0;y\x07",), order="1\x1b[A")
    assert "\x1b" not in text
    assert "\x07" not in text
    assert text.startswith("a�[2Jb c, guide")
