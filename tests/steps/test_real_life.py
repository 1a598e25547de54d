"""How people really record: several takes in one file, a separate recorder."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from syncvid.arrays import Audio
from syncvid.cli import main
from syncvid.production.material import loose_material, open_production
from syncvid.production.results import Finding, Rival
from syncvid.steps import production_status, split_file, sync_clips
from syncvid.sync import ANALYSIS_RATE
from syncvid.timeline import Placement

from .conftest import Searches, as_heard_by, melody

RATE = 48_000


def run(*words: str | Path) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(word) for word in words])
    return int(ended.value.code or 0)


def write(path: Path, samples: Audio, rate: int = ANALYSIS_RATE) -> Path:
    soundfile.write(path, samples, rate, subtype="FLOAT")
    return path


def two_takes(rng: np.random.Generator) -> Audio:
    """Return 20 s of playing, 4 s of quiet, 20 s of playing."""
    sound = 1e-4 * rng.standard_normal(46 * ANALYSIS_RATE)
    for begin_s in (1, 25):
        sound[begin_s * ANALYSIS_RATE : (begin_s + 20) * ANALYSIS_RATE] *= 1000
    return sound.astype(np.float32)


@pytest.fixture
def long_file(folder: Path, searches: Searches, rng: np.random.Generator) -> Path:
    """Let Viola take 2 hold two takes; by its whole sound neither can be told from the other."""
    write(folder.parent / "b.wav", two_takes(rng))
    searches.answers = {
        "Viola (Anna), take 1": Finding("sure", 0.9, "", 0.0, 0.0, "mix"),
        "Viola (Anna), take 2": Finding(
            "check", 0.4, "A repeat.", -25.0, 0.0, "mix", rivals=(Rival(-1.0, 0.9),)
        ),
        "stretch 1": Finding("check", 0.5, "Notes.", -1.0, 0.0, "mix"),
    }
    return folder


def test_every_take_in_a_file_is_told_and_the_best_comes_first(
    long_file: Path, searches: Searches, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("sync", long_file, "--json", long_file / "s.json") == 0
    shown = capsys.readouterr()
    assert "../b.wav holds 2 takes: take 3 from 0:00.0 to 0:23.0; take 2 from" in shown.err
    assert "--split" in shown.err
    clips = json.loads((long_file / "s.json").read_text())["clips"]
    assert [(c["take"], c["offset_s"], c.get("listed")) for c in clips] == [
        (1, 0.0, None),
        (2, -25.0, None),
        (3, -1.0, False),
    ]
    assert clips[1]["from_s"] == pytest.approx(23.0, abs=0.2)
    assert clips[2]["to_s"] == pytest.approx(23.0, abs=0.2)
    assert {c["file"] for c in clips[1:]} == {"../b.wav"}
    count = searches.count
    again = sync_clips(open_production(long_file))
    assert again.skipped
    assert [clip.take for clip in again.result.clips] == [1, 2, 3]
    assert searches.count == count
    assert production_status(open_production(long_file)).synced is not None


def test_takes_of_one_file_become_takes_of_the_plan(long_file: Path, searches: Searches) -> None:
    sync_clips(open_production(long_file))
    assert run("add", long_file, "--split", "b.wav", "--mix", "x.wav") == 2
    assert run("add", long_file, "--split", "a.wav") == 2, "it holds one take"
    assert run("add", long_file, "--split", "b.wav") == 0
    plan = (long_file / "production.toml").read_text()
    assert plan.count('file = "../b.wav"') == 2
    searches.answers = {}
    outcome = sync_clips(open_production(long_file))
    assert not outcome.skipped
    clips = outcome.result.clips
    assert [(c.take, c.listed, c.stretch.is_whole) for c in clips] == [
        (1, True, True),
        (2, True, False),
        (3, True, False),
    ]
    second, third = (searches.sounds[f"Viola (Anna), take {n}"] for n in (2, 3))
    assert np.abs(second[: 22 * ANALYSIS_RATE]).max() == 0.0, "the rest of the file is silence"
    assert np.abs(third[24 * ANALYSIS_RATE :]).max() == 0.0
    assert np.abs(third[2 * ANALYSIS_RATE : 20 * ANALYSIS_RATE]).max() > 0.1
    with pytest.raises(ValueError, match="one take in this file"):
        split_file(long_file, "Viola/3")


def test_a_file_of_several_takes_needs_its_places_first(folder: Path) -> None:
    assert run("add", folder, "--split", "b.wav") == 2


def test_loose_clips_have_one_entry_a_file_first(
    long_file: Path, searches: Searches, tmp_path: Path
) -> None:
    searches.answers = {
        "A, take 1": Finding("sure", 0.9, "", 0.0, 0.0, "mix"),
        "B, take 1": Finding("check", 0.4, "", -1.0, 0.0, "mix"),
        "stretch 1": Finding("sure", 0.9, "", -25.0, 0.0, "mix"),
    }
    files = [str(tmp_path / name) for name in ("a.wav", "b.wav")]
    material, _ = loose_material(files, mix=str(tmp_path / "mix.wav"))
    clips = sync_clips(material).result.clips
    assert [Path(clip.file).name for clip in clips] == ["a.wav", "b.wav", "b.wav"]
    assert clips[1].finding.verdict == "sure", "a sure take counts for the file"
    assert clips[1].listed


@pytest.fixture
def recorder(tmp_path: Path, rng: np.random.Generator) -> Path:
    """Make a production whose viola was also taken by a recorder; places planted."""
    viola, other = melody(rng, 24.0), melody(rng, 24.0)
    write(tmp_path / "mix.wav", viola + other, RATE)
    for name, place in (("phone", Placement(2.0, 20.0)), ("zoom", Placement(-1.5, -35.0))):
        heard = as_heard_by(viola, place, 20.0)
        noise = 0.002 * rng.standard_normal(heard.size).astype(np.float32)
        write(tmp_path / f"{name}.wav", heard + noise, RATE)
    folder = tmp_path / "round"
    folder.mkdir()
    (folder / "production.toml").write_text(
        'mix = "../mix.wav"\n[[parts]]\nname = "Viola"\n[[parts.takes]]\n'
        'file = "../phone.wav"\nsound = "../zoom.wav"\n'
    )
    return folder


def test_clip_and_recorder_are_each_placed_by_their_own_sound(
    recorder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("sync", recorder, "--json", recorder / "s.json") == 0
    shown = capsys.readouterr().out
    assert "Viola, take 1, its recorder: starts at -1.5" in shown
    phone, zoom = json.loads((recorder / "s.json").read_text())["clips"]
    assert (phone["file"], zoom["file"]) == ("../phone.wav", "../zoom.wav")
    assert zoom["sound_of"] == "../phone.wav"
    assert phone["offset_s"] == pytest.approx(2.0, abs=5e-4)
    assert zoom["offset_s"] == pytest.approx(-1.5, abs=5e-4)
    assert run("status", recorder) == 0
    assert "take 1 [sure, its recorder sure]" in capsys.readouterr().out
    assert run("sync", recorder, "--explain", "zoom.wav") == 0
    assert "It is the sound of ../phone.wav." in capsys.readouterr().out


def test_sound_cut_from_the_clip_itself_is_no_mistake(
    recorder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (recorder.parent / "zoom.wav").write_bytes((recorder.parent / "phone.wav").read_bytes())
    assert run("sync", recorder) == 0
    assert "same recording" not in capsys.readouterr().err


def test_a_clip_without_a_place_is_found_in_its_recorder(
    recorder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The recorder lies at -1.5 s; the clip starts 3.5 s after it by what both of them heard."""
    import syncvid.steps.syncing as syncing

    real, calls = syncing.find_places, []

    def deaf_at_first(clips, **options):  # type: ignore[no-untyped-def]
        placed = real(clips, **options)
        calls.append(len(clips))
        if len(calls) == 1:
            nothing = Finding("none", 0.8, "")
            placed = syncing.Placed(placed.reference, (nothing, placed.findings[1]))
        return placed

    monkeypatch.setattr(syncing, "find_places", deaf_at_first)
    phone = sync_clips(open_production(recorder)).result.clips[0]
    assert calls == [2, 1]
    assert phone.finding.verdict == "sure"
    assert phone.finding.offset_s == pytest.approx(2.0, abs=5e-4)
    assert phone.finding.drift_ppm == pytest.approx(20.0, abs=10.0)
    assert "its recorder together" in phone.finding.reason


def test_a_recorder_that_is_gone_is_told(
    recorder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (recorder.parent / "zoom.wav").unlink()
    assert run("sync", recorder) == 2
    assert "Viola, take 1, its recorder" in capsys.readouterr().err


def test_a_recording_that_is_there_twice_is_told(
    folder: Path, searches: Searches, capsys: pytest.CaptureFixture[str], rng: np.random.Generator
) -> None:
    sound = melody(rng, 20.0)
    write(folder.parent / "a.wav", sound, RATE)
    write(folder.parent / "b.wav", 0.5 * sound[RATE:], RATE)
    for _ in range(2):
        assert run("sync", folder) == 0
        assert "../a.wav and ../b.wav are the same recording" in capsys.readouterr().err
    (folder.parent / "b.wav").write_bytes((folder.parent / "a.wav").read_bytes())
    assert run("sync", folder) == 0
    assert "../a.wav and ../b.wav are the same recording" in capsys.readouterr().err
    write(folder.parent / "b.wav", melody(rng, 20.0), RATE)
    assert run("sync", folder) == 0
    assert "same recording" not in capsys.readouterr().err
