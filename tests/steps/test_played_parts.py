"""Recordings under a guide: whether the clips were recorded to this one."""

from __future__ import annotations

from syncvid.guide.timing import time_plan
from syncvid.production.beats import read_map, write_map
from syncvid.production.guide_file import parse_plan
from syncvid.steps.played_parts import _same_beats

# Beats of 60 / 66 s, which no decimal number writes exactly.
PLAN = 'metre = "6/8"\ntempo = 66\nbars = 4\ncount_in = 2\n'


def test_a_written_beat_map_is_that_of_its_plan() -> None:
    made = time_plan(parse_plan(PLAN, where="")).map
    written = read_map(write_map(made)).beat_map
    assert [beat.guide_s for beat in written.beats] != [beat.guide_s for beat in made.beats]
    assert _same_beats(written, made.beat_map)


def test_other_bars_or_another_tempo_are_not_the_same() -> None:
    made = time_plan(parse_plan(PLAN, where="")).map.beat_map
    for old, new in (("bars = 4", "bars = 5"), ("tempo = 66", "tempo = 67")):
        other = time_plan(parse_plan(PLAN.replace(old, new), where="")).map.beat_map
        assert not _same_beats(made, other)
