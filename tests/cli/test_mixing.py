"""`syncvid mix` on the command line: options, messages, exit codes.  The mixing itself is faked."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from syncvid.errors import Cancelled, MediaError, ProductionError
from syncvid.production.mix_made import (
    MadeMaster,
    MadeMix,
    MadePassage,
    MadeRoom,
    MadeSplice,
    MadeStem,
    Programme,
)
from syncvid.production.store import Store
from syncvid.steps import MixExcerpt, MixOutcome, MixWishes
from tests.cli.test_cli import run


@pytest.fixture
def folder(tmp_path: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str]) -> Path:
    """Return a production with one clip."""
    clip = tmp_path / "oboe Kim 1.wav"
    soundfile.write(clip, rng.normal(0, 0.1, 48_000), 48_000)
    assert run("new", tmp_path / "round", clip) == 0
    capsys.readouterr()
    return tmp_path / "round"


def stem(name: str, *takes: int, **more: Any) -> MadeStem:
    passages = tuple(
        MadePassage(take, f"{take}.wav", 5.0 * n, 5.0 * n + 5.0, 0.0, 0.0, 0.0)
        for n, take in enumerate(takes)
    )
    return MadeStem(**{"name": name, "passages": passages, "loudness_lufs": -20.0, **more})


OBOE = stem(
    "Oboe", 1, 2, 1,
    splices=(MadeSplice(5.0, 5.0, 0.02, "linear", "rest", "bar 9 beat 4"),
             MadeSplice(10.0, 10.0, 0.02, "linear", "held", "bar 17 beat 1")),
    cleaning=(("hum", "50 Hz"), ("rests", "by 6 dB")),
    starting_db=-2.25, wish_db=1.5, pan=-0.333, shift_ms=-12.5,
)  # fmt: skip
PROGRAMME = Programme(-14.02, -9.0, -11.0, 6.25, -1.04, -1.2)
MADE = MadeMix(
    title="Orchard Round",
    reference="guide",
    from_s=0.0,
    to_s=20.0,
    music_from_s=1.0,
    music_to_s=18.5,
    head_s=1.0,
    tail_s=1.5,
    sample_rate=48_000,
    stems=(OBOE,),
    room=MadeRoom("a little", "small hall", 1.4, 20.0, 150.0, 16.0),
    master=MadeMaster("share", -14.0, -1.0, 3.0, 1.25, 0.01, PROGRAMME),
    files=("mix/mix.wav", "mix/mix.flac"),
    remarks=("One is soft.",),
)


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Return what the steps were asked for, and what they answer under `outcome`."""
    known: dict[str, Any] = {"outcome": MixOutcome(MADE, Path("mix/mix.txt"))}

    def make(material: Any, out: Path | None, *, wishes: Any, progress: Any) -> MixOutcome:
        known.update(material=material, out=out, wishes=wishes)
        answer = known["outcome"]
        if isinstance(answer, BaseException):
            raise answer
        assert isinstance(answer, MixOutcome)
        return answer

    def excerpt(
        material: Any, begins: Any, ends: Any, *, only: Any, wishes: Any, progress: Any
    ) -> MixExcerpt:
        known.update(begins=begins, ends=ends, only=only, wishes=wishes)
        files = (("mixed", Path("preview/a.wav")), ("as it was recorded", Path("preview/b.wav")))
        return MixExcerpt(files, 16.0, 26.0, known.get("problems", ()), ("It is short.",))

    monkeypatch.setattr("syncvid.steps.make_mix", make)
    monkeypatch.setattr("syncvid.steps.preview_mix", excerpt)
    return known


def said(asked: dict[str, Any], made: MadeMix, folder: Path, capsys: Any) -> list[str]:
    """Return what is said of a mix, line by line."""
    asked["outcome"] = MixOutcome(made, Path("mix/mix.txt"))
    assert run("mix", folder) == 0
    lines: list[str] = capsys.readouterr().out.splitlines()
    return lines


# What is asked for


def test_without_options_the_plan_alone_decides(folder: Path, asked: dict[str, Any]) -> None:
    """Options hold for one mix: otherwise none of them could be taken back."""
    assert run("mix", folder) == 0
    assert asked["wishes"] == MixWishes()
    assert asked["out"] is None
    assert asked["material"].folder == folder


def test_the_folder_is_the_current_one_unless_named(
    folder: Path, asked: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    assert run("mix") == 0
    assert [recording.part for recording in asked["material"].recordings] == ["Oboe"]


def test_every_option_reaches_the_mix(folder: Path, asked: dict[str, Any]) -> None:
    options = ("--loudness", "broadcast", "--room", "church", "--amount", "a lot", "--stems")
    assert run("mix", folder, "-o", "out.flac", *options) == 0
    assert asked["wishes"] == MixWishes("broadcast", "church", "a lot", stems=True)
    assert asked["out"] == Path("out.flac")
    assert run("mix", folder, "--out", "b.wav", "--amount", "none") == 0
    assert asked["wishes"] == MixWishes(amount="none")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (
            ["--loudness", "loud"],
            "--loudness 'loud' is not known. Write one of share, stream, broadcast, natural.",
        ),
        (["--loudness", ""], "--loudness '' is not known"),
        (
            ["--amount", "much"],
            "--amount 'much' is not known. Write one of none, a touch, a little, some, a lot.",
        ),
        (["--to", "1:05"], "--to and --part belong to an excerpt. Add --from MOMENT."),
        (["--to", ""], "belong to an excerpt"),
        (["--part", "Oboe"], "--to and --part belong to an excerpt. Add --from MOMENT."),
        (["--from", "bar x"], "--from: 'bar x' is no moment. Write seconds (12.5)"),
        (["--from", ""], "--from: '' is no moment"),
        (["--from", "1", "--to", "noon"], "--to: 'noon' is no moment"),
        (
            ["--from", "2", "--to", "0:01.5"],
            "end (1.5 s) before it begins (2 s). Let --from be the earlier moment.",
        ),
        (["--from", "bar 3 beat 2", "--to", "bar 3"], "before it begins (bar 3 beat 2)"),
        (["--from", "bar 3", "--to", "bar 3"], "before it begins"),
        (["--from", "2", "-o", "a.wav"], "-o and --stems belong to the whole mix"),
        (["--from", "2", "--stems"], "an excerpt lies in the folder `preview`. Leave them out"),
    ],
)
def test_options_that_mean_nothing_are_told_before_anything_begins(
    folder: Path, asked: dict[str, Any], options: list[str], words: str,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    before = sorted(folder.rglob("*"))
    assert run("mix", folder, *options) == ProductionError.exit_code == 2
    shown = capsys.readouterr()
    assert words in shown.err
    assert shown.out == ""
    assert "%" not in shown.err, "nothing was begun"
    assert set(asked) == {"outcome"}
    assert {path for path in folder.rglob("*") if path not in before} <= {
        folder / "work",
        folder / "work" / "lock",
    }


def test_an_unknown_option_and_two_folders_are_refused(folder: Path) -> None:
    assert run("mix", folder, "--loud") == 2
    assert run("mix", folder, folder) == 2


def test_what_is_no_production_is_told(
    tmp_path: Path, asked: dict[str, Any], folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("mix", tmp_path) == 2
    assert "holds no production.toml" in capsys.readouterr().err
    assert run("mix", tmp_path / "gone") in (2, 3)
    assert "gone" in capsys.readouterr().err
    assert run("mix", tmp_path / "oboe Kim 1.wav") in (2, 3)
    assert "oboe Kim 1.wav" in capsys.readouterr().err
    assert set(asked) == {"outcome"}


def test_a_mistake_in_the_plan_is_told_with_its_line(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = folder / "production.toml"
    line = len(plan.read_text().splitlines()) + 2
    plan.write_text(plan.read_text() + '[sound]\nroom_amount = "much"\n')
    assert run("mix", folder) == 2
    assert f"line {line}: 'sound' 'room_amount' is wrong" in capsys.readouterr().err


def test_a_second_command_at_the_same_time_has_a_code_of_its_own(
    folder: Path, asked: dict[str, Any]
) -> None:
    for options in ([], ["--from", "bar 9"]):
        with Store(folder / "work").locked("here"):
            assert run("mix", folder, *options) == 7
    assert set(asked) == {"outcome"}


# What is said of a mix


def test_what_was_made_is_said(
    folder: Path, asked: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    asked["outcome"] = MixOutcome(MADE, Path("mix/mix.txt"), remarks=("Kim is unsure.",))
    assert run("mix", folder) == 0
    assert capsys.readouterr().out.splitlines() == [
        "Note: Kim is unsure.",
        "Note: One is soft.",
        "  Oboe: take 1, take 2, -0.8 dB, 33% left, 12.5 ms earlier, hum, rests",
        "    cut at bar 9 beat 4, in a rest",
        "    cut at bar 17 beat 1, in a held note: please listen",
        "Room: a little of the small hall, 1.4 s.",
        "-14.0 LUFS, true peak -1.0 dBTP, loudness range 6.2 LU, the limiter took at most 1.2 dB.",
        "Mix: mix/mix.wav",
        "Also: mix/mix.flac",
        "What was done: mix/mix.txt",
        "Turn your headphones down before you start one.",
    ]


@pytest.mark.parametrize(
    ("told", "line"),
    [
        (stem("Cello", 1), "  Cello: take 1, +0.0 dB"),
        (stem("Cello", 1, starting_db=-0.04), "  Cello: take 1, +0.0 dB"),
        (stem("Cello", 3, pan=0.5, shift_ms=3), "  Cello: take 3, +0.0 dB, 50% right, 3 ms later"),
        (stem("Cello", 3, pan=-0.004), "  Cello: take 3, +0.0 dB"),
        (stem("Cello", 1, muted=True), "  Cello: take 1, muted"),
        (stem("Cello", 2, loudness_lufs=None), "  Cello: take 2, silent"),
        (stem("Cello (Ana) + Viola (Ben)", 1), "  Cello (Ana) + Viola (Ben): take 1, +0.0 dB"),
    ],
)
def test_each_part_has_its_line(
    told: MadeStem, line: str, folder: Path, asked: dict[str, Any],
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    assert line in said(asked, replace(MADE, stems=(told,)), folder, capsys)


def test_the_room_and_the_figures_are_said_as_far_as_they_are_known(
    folder: Path, asked: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert "Room: none." in said(asked, replace(MADE, room=None), folder, capsys)
    unknown = MadeRoom("some", "rooms/hall.wav", 0.0, 20.0, 150.0, 12.0)
    lines = said(asked, replace(MADE, room=unknown), folder, capsys)
    assert "Room: some of the rooms/hall.wav." in lines
    soft = Programme(None, None, None, None, -81.0, -81.2)
    natural = MadeMaster("natural", None, -1.0, 0.0, 0.0, 0.0, soft)
    lines = said(asked, replace(MADE, master=natural), folder, capsys)
    assert "too soft to be measured, true peak -81.0 dBTP." in lines
    silent = replace(natural, programme=replace(soft, true_peak_dbtp=-math.inf))
    assert any("true peak -inf dBTP" in row for row in said(
        asked, replace(MADE, master=silent), folder, capsys
    ))  # fmt: skip


def test_what_was_there_already_is_said(
    folder: Path, asked: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    asked["outcome"] = MixOutcome(MADE, Path("mix/mix.txt"), skipped=True)
    assert run("mix", folder) == 0
    shown = capsys.readouterr().out
    assert "Mix: mix/mix.wav (there already, nothing changed)\n" in shown


def test_a_finished_mix_keeps_its_place_in_the_video(
    folder: Path, asked: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert not any("finished mix" in line for line in said(asked, MADE, folder, capsys))
    finished = folder / "finished.wav"
    soundfile.write(finished, np.random.default_rng(4).normal(0, 0.1, 48_000), 48_000)
    run("add", folder, "--mix", finished)
    capsys.readouterr()
    assert said(asked, MADE, folder, capsys)[-1] == (
        "The video keeps the finished mix that production.toml names."
    )


def test_control_characters_are_shown_and_not_sent(
    folder: Path, asked: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    ugly = replace(MADE, stems=(stem("Ob\x1b[31moe\n", 1),))
    lines = said(asked, ugly, folder, capsys)
    assert "  Ob\\x1b[31moe\\n: take 1, +0.0 dB" in lines


# Exit codes


def test_what_could_not_be_read_is_told_last_and_has_its_code(
    folder: Path, asked: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    problems = (MediaError("It is cut off.", where="b.mov"),)
    asked["outcome"] = MixOutcome(MADE, Path("mix/mix.txt"), problems)
    assert run("mix", folder) == 3
    shown = capsys.readouterr()
    assert "Mix: mix/mix.wav" in shown.out, "the rest was done"
    assert "syncvid: It is cut off. (b.mov)" in shown.err
    asked["problems"] = problems
    assert run("mix", folder, "--from", "16") == 3
    shown = capsys.readouterr()
    assert "Mixed: preview/a.wav" in shown.out
    assert "It is cut off" in shown.err


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (ProductionError("Nothing is to be heard.", fix="Look at `muted`."), 2),
        (MediaError("The disk is full.", where="mix.wav", fix="Make room."), 3),
        (KeyboardInterrupt(), Cancelled.exit_code),
    ],
)
def test_a_mix_that_fails_says_why(
    error: BaseException, code: int, folder: Path, asked: dict[str, Any],
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    asked["outcome"] = error
    assert run("mix", folder) == code
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "Traceback" not in shown.err
    assert str(error) in shown.err
    with Store(folder / "work").locked("here"):
        pass


# Excerpts


def test_an_excerpt_is_asked_for_and_told(
    folder: Path, asked: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("mix", folder, "--from", "bar 9") == 0
    assert (str(asked["begins"]), asked["ends"], asked["only"]) == ("bar 9", None, [])
    assert asked["wishes"] is None, "it is to be heard as the mix was made"
    assert capsys.readouterr().out.splitlines() == [
        "Note: It is short.",
        "Mixed: preview/a.wav",
        "As it was recorded: preview/b.wav",
        "All are equally loud. Turn your headphones down before you start one.",
    ]


def test_an_excerpt_may_end_and_choose_parts_and_wish(folder: Path, asked: dict[str, Any]) -> None:
    options = ("--part", "Oboe", "--part", "Flute", "--room", "church")
    assert run("mix", folder, "--from", "1:05", "--to", "end of bar 40", *options) == 0
    assert asked["begins"].seconds == 65.0
    assert str(asked["ends"]) == "end of bar 40"
    assert asked["only"] == ["Oboe", "Flute"]
    assert asked["wishes"] == MixWishes(room="church")


def test_an_excerpt_may_begin_before_the_reference(folder: Path, asked: dict[str, Any]) -> None:
    assert run("mix", folder, "--from=-2.5", "--to", "0") == 0
    assert (asked["begins"].seconds, asked["ends"].seconds) == (-2.5, 0.0)
