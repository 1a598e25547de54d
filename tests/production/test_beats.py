"""A guide's beat map survives its file."""

from __future__ import annotations

from fractions import Fraction

import pytest

from syncvid.errors import ProductionError
from syncvid.guide.timing import time_plan
from syncvid.production.beats import (
    GuideBeat,
    GuideClick,
    GuideMap,
    Mark,
    Signature,
    clapped_beats,
    read_map,
    write_map,
)
from syncvid.production.guide_plan import Bar, CountIn, GuidePlan, PlanSection, Tempo
from syncvid.production.metres import parse_metre

MAP = GuideMap(
    title='Ländler "for five"',
    version=3,
    fingerprint="ab12",
    duration_s=9.5,
    music_from_s=3.5,
    music_to_s=8.0,
    beats=(
        GuideBeat(0, 1, 2.5, 1.0, 60.0, -1, 2),
        GuideBeat(0, 2, 3.5, 1.25, 60.0, 0, 2, 0.25),
        GuideBeat(1, 1, 4.75, 1 / 3, 180.0, 0, 2),
    ),
    clicks=(GuideClick(2.5, 0), GuideClick(3.5, 2)),
    marks=(Mark("A", 1, 4.75), Mark("Cello", 9, 4.0, "cue")),
    signature=Signature(0.5, 4711, 3),
    practice=0.8,
)


def test_a_map_survives_its_file() -> None:
    found = read_map(write_map(MAP))
    assert found.beats[2].length_s == pytest.approx(1 / 3, abs=1e-9)
    assert write_map(found) == write_map(MAP)
    assert found.marks == MAP.marks
    assert found.signature == MAP.signature


def test_beats_alone_are_a_map() -> None:
    rows = '[{"bar": 1, "beat": 1, "guide_s": 0.5}, {"bar": 1, "beat": 2, "guide_s": 1.25}]'
    found = read_map(f'{{"format": "syncvid.beats/1", "beats": {rows}}}')
    assert [(b.bar, b.beat, b.guide_s) for b in found.beat_map.beats] == [(1, 1, 0.5), (1, 2, 1.25)]
    assert found.beats[0].length_s == 0.75
    assert found.signature is None


@pytest.mark.parametrize("text", ["", "{}", '{"format": "x"}', '{"format": "syncvid.beats/1"}'])
def test_what_is_no_beat_map_is_refused(text: str) -> None:
    with pytest.raises(ProductionError, match=r"g\.beats\.json"):
        read_map(text, where="g.beats.json")


@pytest.mark.parametrize(
    ("metre", "upbeat", "counted", "clapped"),
    [
        ("4/4", "0", 2, [(0, 1), (0, 2), (0, 3), (0, 4)]),
        ("4/4", "0", 0, []),
        # The upbeat completes bar 0: the bar before it is the last whole one, if there is one.
        ("4/4", "1/4", 2, [(-1, 1), (-1, 2), (-1, 3), (-1, 4)]),
        ("4/4", "1/4", 1, []),
        # It begins within the last counted beat: all beats of bar 0 are counted, and none is free.
        ("6/8", "1/8", 2, [(-1, 1), (-1, 2)]),
        ("6/8", "1/8", 1, []),
    ],
)
def test_the_last_whole_bar_of_the_count_in_is_clapped(
    metre: str, upbeat: str, counted: int, clapped: list[tuple[int, int]]
) -> None:
    counts, length = parse_metre(metre), Fraction(upbeat)
    before = [Bar(0, counts, length, begin=counts.length - length)] if length else []
    bars = (*before, Bar(1, counts, counts.length))
    plan = GuidePlan("", bars, (PlanSection(),), Tempo(66.0), count_in=CountIn(counted))
    found = clapped_beats(time_plan(plan).map)
    assert [(beat.bar, beat.beat) for beat in found] == clapped
    assert all(beat.is_count_in for beat in found)
