"""The command line: exit codes, messages, bad input.  Slow steps are faked."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from syncvid.cli import app, main
from syncvid.errors import Cancelled, RenderError
from syncvid.production.results import SyncResult
from syncvid.production.store import Store
from syncvid.steps import STEPS
from syncvid.steps.casting import Cast
from syncvid.steps.rendering import RenderOutcome, Still


def run(*words: str | Path) -> int:
    """Run a command in this process and return its exit code."""
    with pytest.raises(SystemExit) as ended:
        main([str(word) for word in words])
    return int(ended.value.code or 0)


@pytest.fixture
def clip(tmp_path: Path, rng: np.random.Generator) -> Path:
    path = tmp_path / "oboe Kim 1.wav"
    soundfile.write(path, rng.normal(0, 0.1, 48_000), 48_000)
    return path


def test_every_step_has_its_command() -> None:
    commands = {
        command.callback.__name__ for command in app.registered_commands if command.callback
    }
    assert commands == {step.command for step in STEPS}
    assert all(step.function.__name__ == step.name for step in STEPS)


def test_help_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--help") == 0
    shown = capsys.readouterr().out
    for step in STEPS:
        assert step.command in shown


def test_new_says_what_it_guessed_and_what_it_left_out(
    clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    zero = tmp_path / "zero.mp4"
    zero.touch()
    assert run("new", tmp_path / "round", clip, zero, tmp_path) == 3
    shown = capsys.readouterr()
    assert "Oboe, Kim, take 1" in shown.out
    assert "1 clip taken in, 2 left out." in shown.out
    assert "The file is empty." in shown.err
    assert "This is a folder" in shown.err
    assert (tmp_path / "round" / "production.toml").is_file()


def test_a_production_is_never_made_over_another(clip: Path, tmp_path: Path) -> None:
    assert run("new", tmp_path / "round", clip) == 0
    before = (tmp_path / "round" / "production.toml").read_text()
    assert run("new", tmp_path / "round", clip) == 2
    assert (tmp_path / "round" / "production.toml").read_text() == before


@pytest.mark.parametrize("command", ["sync", "preview", "status"])
def test_a_folder_without_a_plan_is_told(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(command, tmp_path) == 2
    assert "holds no production.toml" in capsys.readouterr().err


def test_a_path_that_is_gone_from_the_plan(
    clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run("new", tmp_path / "round", clip)
    clip.unlink()
    assert run("sync", tmp_path / "round") == 2
    assert "Oboe, take 1" in capsys.readouterr().err


def test_a_wrong_key_in_the_plan(
    clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run("new", tmp_path / "round", clip)
    plan = tmp_path / "round" / "production.toml"
    plan.write_text(plan.read_text().replace("title =", "titel ="))
    assert run("status", tmp_path / "round") == 2
    message = capsys.readouterr().err
    assert "'titel' is not a key" in message
    assert "line 5" in message


def test_a_second_command_at_the_same_time_has_a_code_of_its_own(
    clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run("new", tmp_path / "round", clip)
    with Store(tmp_path / "round" / "work").locked("here"):
        assert run("sync", tmp_path / "round") == 7
    assert "Another syncvid command" in capsys.readouterr().err


def test_a_folder_that_cannot_be_written(
    clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    assert run("new", in_the_way / "round", clip) == 3
    assert "file" in capsys.readouterr().err


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_read_only_folder(clip: Path, tmp_path: Path) -> None:
    folder = tmp_path / "sealed"
    folder.mkdir(mode=0o500)
    assert run("new", folder / "round", clip) == 3


def test_a_missing_mix_is_told_and_nothing_is_left_behind(clip: Path, tmp_path: Path) -> None:
    assert run("new", tmp_path / "round", clip, "--mix", tmp_path / "gone.wav") == 3
    assert not (tmp_path / "round").exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--size", "big"], "no size"),
        (["--size", "1919x1080"], "must be even"),
        (["--fps", "fast"], "picture rate"),
        (["--layout", "spiral"], "spiral"),
    ],
)
def test_options_of_render_are_checked_at_the_door(
    clip: Path, tmp_path: Path, options: list[str], words: str,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    sync = tmp_path / "sync.json"
    entry = {"file": str(clip), "offset_s": 0.0}
    sync.write_text(json.dumps({"format": "syncvid.sync/1", "clips": [entry]}))
    code = run("render", clip, "-o", tmp_path / "a.mp4", "--sync", sync, "--mix", clip, *options)
    assert code in (1, 2)
    assert words in capsys.readouterr().err
    assert not (tmp_path / "a.mp4").exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--from", "bar x"], "--from: 'bar x' is no moment"),
        (["--to", "-"], "--to: '-' is no moment"),
        (["--poster", "noon"], "--poster: 'noon' is no moment"),
        (["--from", "2", "--to", "0:01.5"], "end (1.5 s) before it begins (2 s)"),
        (
            ["--from", "bar 3 beat 2", "--to", "bar 3"],
            "end (bar 3) before it begins (bar 3 beat 2)",
        ),
        (["--from", "end of bar 3", "--to", "bar 3 beat 4"], "before it begins"),
        (["--for", "nonsense"], "no kind of video 'nonsense'"),
        (["--for", "square", "--for", "square"], "asked for twice"),
        (["--mb", "0"], "--mb 0 is no size"),
        (["--mb", "nan"], "--mb nan is no size"),
        (["--mb", "16", "--for", "share"], "--mb limits the kind `message`"),
    ],
)
def test_what_kind_of_video_is_settled_before_anything_begins(
    clip: Path, tmp_path: Path, options: list[str], words: str,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    assert run("render", clip, "--mix", clip, "-o", tmp_path / "a.mp4", *options) == 2
    shown = capsys.readouterr().err
    assert words in shown
    assert "%" not in shown, "nothing was begun"


def test_a_limit_alone_asks_for_a_message(
    clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: dict[str, Any] = {}

    def fake(*_: object, **options: Any) -> None:
        asked.update(options)
        raise RenderError("It is only looked at.")

    monkeypatch.setattr("syncvid.steps.render", fake)
    out = ("-o", tmp_path / "a.mp4")
    assert run("render", clip, *out, "--mb", "9.5", "--from-originals", "--from", "1:00") == 5
    (kind,) = asked["kinds"]
    assert (kind.name, kind.limit_mb) == ("message", 9.5)
    assert asked["from_originals"]
    assert asked["look_of"].begins.seconds == 60.0
    assert (
        run("render", clip, *out, "--for", "vertical", "--for", "message", "--poster", "bar 9") == 5
    )
    assert [(k.name, k.limit_mb) for k in asked["kinds"]] == [("vertical", None), ("message", 16.0)]
    assert str(asked["poster"]) == "bar 9"
    assert run("render", clip, *out) == 5
    assert [kind.name for kind in asked["kinds"]] == ["share"]


def test_preview_makes_one_picture_or_an_excerpt(
    clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    asked: dict[str, Any] = {}

    def still(_: object, moment: object, *, look_of: Any, progress: object) -> Still:
        asked["still"] = (str(moment), look_of.layout)
        return Still(tmp_path / "still.jpg", ("Mind the step.",))

    def excerpt(_: object, look_of: Any, *, progress: object) -> RenderOutcome:
        asked["excerpt"] = (str(look_of.begins), str(look_of.ends))
        out, cast = tmp_path / "excerpt.mp4", Cast((), (), (), (), (), 6.0)
        return RenderOutcome(out, cast, SyncResult("mix", ()), None, (), ("It goes to the end.",))

    monkeypatch.setattr("syncvid.steps.preview_still", still)
    monkeypatch.setattr("syncvid.steps.preview_excerpt", excerpt)
    folder = tmp_path / "round"
    run("new", folder, clip)
    assert run("preview", folder, "--at", "bar 9", "--layout", "rows") == 0
    assert run("preview", folder, "--from", "5", "--to", "end of bar 6") == 0
    assert asked == {"still": ("bar 9", "rows"), "excerpt": ("5 s", "end of bar 6")}
    shown = capsys.readouterr()
    assert f"Note: Mind the step.\nPicture: {tmp_path / 'still.jpg'}" in shown.out
    assert f"Note: It goes to the end.\nExcerpt: {tmp_path / 'excerpt.mp4'}" in shown.out
    for wrong in (["--at", "soon"], ["--at", "1", "--from", "2"], ["--from", "3", "--to", "2"]):
        assert run("preview", folder, *wrong) == 2
    assert "no moment" in capsys.readouterr().err


def test_stopping_has_its_own_code(
    clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("syncvid.steps.sync_clips", stop)
    assert run("sync", clip) == Cancelled.exit_code == 130
    assert "goes on from what is kept" in capsys.readouterr().err


def test_a_failed_render_has_its_own_code(
    clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise RenderError("It broke.", fix="Try again.")

    monkeypatch.setattr("syncvid.steps.render", fail)
    assert run("render", clip, "-o", tmp_path / "a.mp4") == 5


def test_json_on_standard_output_is_json_alone(clip: Path, tmp_path: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "syncvid",
        "sync",
        str(clip),
        "--mix",
        str(clip),
        "--json",
        "-",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert json.loads(done.stdout)["clips"][0]["file"] == str(clip)
    assert "%" in done.stderr


def test_a_name_with_control_characters_stays_on_one_line(
    tmp_path: Path, clip: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ugly = tmp_path / "a\nb\x1b[31m.wav"
    clip.rename(ugly)
    assert run("new", tmp_path / "round", ugly) == 0
    shown = capsys.readouterr().out
    assert "\x1b" not in shown
    assert "a\\nb" in shown


def test_a_video_is_never_written_over_a_source_and_never_rendered_in_vain(
    clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    film = tmp_path / "oboe.mp4"
    film.write_bytes(clip.read_bytes())
    before = film.read_bytes()
    assert run("render", film, "--mix", clip, "-o", film) == 2
    assert "overwrite" in capsys.readouterr().err
    assert film.read_bytes() == before
    assert run("render", film, "--mix", clip, "-o", tmp_path / "gone" / "a.mp4") == 3
    assert "%" not in capsys.readouterr().err, "nothing was begun"
    assert run("render", film, "--mix", clip, "-o", tmp_path / "a.avi") == 2
    assert run("sync", film, "--mix", clip, "--json", film) == 2
    assert film.read_bytes() == before


def test_commands_without_clips_say_what_to_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("new", tmp_path / "round") == 0
    assert "syncvid add" in capsys.readouterr().out
    assert run("add", tmp_path / "round") == 2
    assert run("sync", tmp_path / "round") == 2
    assert "no clips yet" in capsys.readouterr().err


def test_nothing_of_the_production_itself_is_written_over(clip: Path, tmp_path: Path) -> None:
    run("new", tmp_path / "round", clip)
    run("withdraw", tmp_path / "round", clip.name)
    plan = tmp_path / "round" / "production.toml"
    before = plan.read_text()
    assert run("sync", tmp_path / "round", "--json", plan) == 2
    other = tmp_path / "other.wav"
    soundfile.write(other, np.random.default_rng(3).normal(0, 0.1, 48_000), 48_000)
    run("add", tmp_path / "round", other)
    sound = clip.read_bytes()
    assert run("sync", tmp_path / "round", "--json", clip) == 2, "a withdrawn clip is safe too"
    assert clip.read_bytes() == sound
    assert run("sync", tmp_path / "round", "--json", tmp_path / "round" / "work" / "lock") == 2
    assert plan.read_text() != before
    assert run("sync", tmp_path / "round", "--json", tmp_path / "gone" / "a.json") == 3
    assert not (tmp_path / "gone").exists()


def test_the_mix_and_the_guide_are_no_takes(
    clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mix = tmp_path / "mix.wav"
    soundfile.write(mix, np.random.default_rng(4).normal(0, 0.1, 48_000), 48_000)
    assert run("new", tmp_path / "round", clip, mix, "--mix", mix) == 0
    shown = capsys.readouterr().out
    assert "the same recording as the mix" in shown
    assert "1 clip taken in, 1 left out." in shown


def test_a_folder_is_not_made_for_files_that_are_no_media(tmp_path: Path) -> None:
    letter = tmp_path / "letter.mp4"
    letter.write_text("Dear all,\n")
    assert run("new", tmp_path / "round", letter) == 3
    assert not (tmp_path / "round").exists()


def test_a_pipe_is_no_recording(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.mov")
    assert run("new", tmp_path / "round", tmp_path / "pipe.mov") == 3


def test_a_sync_file_that_is_no_text(
    clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("render", clip, "--mix", clip, "--sync", clip, "-o", tmp_path / "a.mp4") == 2
    assert "no JSON" in capsys.readouterr().err


def test_an_excerpt_of_the_mix_is_written_to_its_own_place(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("mix", tmp_path, "--from", "3", "-o", tmp_path / "x.wav") == 2
    assert run("mix", tmp_path, "--from", "3", "--stems") == 2
    assert "belong to the whole mix" in capsys.readouterr().err
