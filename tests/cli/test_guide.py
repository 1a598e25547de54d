"""The command `guide`: what it is asked, what it says, and what it refuses."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.test_cli import run

PLAN = """\
title = "Orchard Round"
metre = "3/4"
tempo = 120
bars = 4
count_in = 1
"""

# MusicXML 4.0: three bars of 2/4, the first two repeated; no tempo.
SCORE = """\
<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>Cello</part-name>
</score-part></part-list><part id="P1">
<measure number="1"><attributes><divisions>1</divisions>
<time><beats>2</beats><beat-type>4</beat-type></time></attributes>
<note><pitch><step>D</step><octave>3</octave></pitch><duration>2</duration></note></measure>
<measure number="2">
<note><pitch><step>A</step><octave>2</octave></pitch><duration>2</duration></note>
<barline location="right"><repeat direction="backward"/></barline></measure>
<measure number="3">
<note><pitch><step>D</step><octave>3</octave></pitch><duration>2</duration></note></measure>
</part></score-partwise>
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "-round (1).toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


@pytest.fixture
def score(tmp_path: Path) -> Path:
    path = tmp_path / "Ländler №5.musicxml"
    path.write_text(SCORE, encoding="utf-8")
    return path


def test_a_plan_becomes_a_guide_and_its_summary(
    plan: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("guide", plan, "--only", "clicks", "--speed", "80") == 0
    said = capsys.readouterr().out
    assert said.startswith("Orchard Round, guide version 1\n")
    for path in plan.parent.iterdir():
        assert path == plan or str(path) in said
    assert "Turn your headphones down" in said
    assert run("guide", plan, "--tempo", "60") == 0
    assert "This is version 2" in capsys.readouterr().out


def test_a_score_without_a_tempo_asks_for_one(
    score: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("guide", score) == 2
    assert '--tempo "quarter = 96"' in capsys.readouterr().err
    assert list(score.parent.iterdir()) == [score]


def test_a_score_becomes_a_plan_and_a_guide(
    score: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("--tempo", "72", "--drone", "lowest part", "--play", "own", "-o", "guide.wav")
    assert run("guide", score, *words[:-1], score.parent / "guide.wav") == 0
    said = capsys.readouterr().out
    # The order in which bars are played, for a person to confirm.
    assert "1-2, 1-3" in said
    assert (score.parent / "guide Cello alone.wav").is_file()
    plan = score.parent / "guide.plan.toml"
    assert 'score = "Ländler №5.musicxml"' in plan.read_text("utf-8")
    # From the plan comes the same guide: the same version.
    assert run("guide", plan, "-o", score.parent / "guide.wav") == 0
    assert "guide version 1\n" in capsys.readouterr().out
    plan.write_text(plan.read_text("utf-8").replace("72", "80"), encoding="utf-8")
    assert run("guide", score, "--tempo", "72", "-o", score.parent / "guide.wav") == 2
    assert "perhaps edited" in capsys.readouterr().err


def test_a_new_production_takes_parts_and_plan_from_a_score(
    score: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = score.parent / "round"
    assert run("new", folder, "--score", score) == 0
    assert "syncvid guide" in capsys.readouterr().out
    assert 'name = "Cello"' in (folder / "production.toml").read_text("utf-8")
    assert run("guide", folder) == 0
    assert (folder / "guide.wav").is_file()
    assert run("status", folder) == 0
    assert "Guide: guide.wav" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--speed", "fast"), "--speed 'fast' is no number"),
        (("--speed", "5"), "5 percent"),
        (("--play", "others"), "Nobody is there who could play along"),
        (("--only", "drums"), "'drums' is no version"),
        (("--click", "cowbell"), "cowbell"),
        (("--drone", "H9"), "H9"),
        (("--a4", "44"), "44"),
        (("--count-in", "-3"), "-3"),
        (("--count-in", "900"), "900"),
        (("--tempo", "1000"), "1000"),
        (("--also", "ogg"), "'.ogg'"),
        (("--melody", "Kazoo"), "Kazoo"),
    ],
)
def test_words_that_make_no_sense_are_refused(
    plan: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, str], message: str
) -> None:
    assert run("guide", plan, *words) == 2
    assert message in capsys.readouterr().err
    assert list(plan.parent.iterdir()) == [plan]


def test_nothing_and_a_sound_are_no_plan(tmp_path: Path) -> None:
    assert run("guide", tmp_path / "gone.toml") == 3
    assert run("guide", tmp_path) == 2
