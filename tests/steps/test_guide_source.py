"""What is told of a score, and what of one that a plan names."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from syncvid.production.guide_file import Changes, write_plan
from syncvid.steps.guide_source import read_source
from tests.guide.scores import note, numbered, partwise

FERMATA = "<notations><fermata/></notations>"


def test_what_a_plan_settles_is_not_told_again(tmp_path: Path) -> None:
    path = tmp_path / "lied.musicxml"
    bars = numbered("", "", "")
    bars[1] = bars[1].replace(note("C4", 4), note("C4", 4, FERMATA))
    path.write_text(partwise(bars, numbered("", ""), names=("Oboe", "Horn")), encoding="utf-8")
    score = read_source(path, Changes(), ask_tempo=False)
    told = " ".join(score.remarks)
    assert "fermatas in bar 2" in told
    assert "names no tempo" in told
    assert "Horn has 2 of the 3 bars" in told
    plan = tmp_path / "lied.plan.toml"
    plan.write_text(write_plan(score.plan), encoding="utf-8")
    again = read_source(plan, Changes())
    assert again.plan.holds == score.plan.holds
    assert again.remarks == ("Horn has 2 of the 3 bars: it is silent in the last ones.",)
    # Bars of the plan that the score lacks are about notes too.
    longer = replace(score.plan, bars=(*score.plan.bars, replace(score.plan.bars[0], number=4)))
    plan.write_text(write_plan(longer), encoding="utf-8")
    assert "no bars 4" in read_source(plan, Changes()).remarks[-1]
