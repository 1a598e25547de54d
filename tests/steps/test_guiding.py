"""A guide made from a plan: its files, its versions, and what is never written over."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from syncvid.errors import MediaError, ProductionError
from syncvid.production.beats import read_map
from syncvid.production.material import open_production
from syncvid.steps import (
    Changes,
    GuideWishes,
    Practice,
    make_guide,
    new_production,
    production_status,
)
from syncvid.steps.practice import list_versions

PLAN = """\
title = "Orchard Round"
metre = "3/4"
tempo = 120
bars = 4
count_in = 1
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / 'Ländler "1", für 5.toml'
    path.write_text(PLAN, encoding="utf-8")
    return path


def test_everything_lies_beside_the_plan(plan: Path) -> None:
    outcome = make_guide(plan)
    stem = plan.stem
    assert {path.name for path in plan.parent.iterdir()} == {
        plan.name,
        f"{stem}.wav",
        f"{stem}.beats.json",
        f"{stem}.beats.mid",
        f"{stem}.tempo.svg",
        f"{stem} players.html",
        f"{stem} players.pdf",
    }
    assert {path for _, path in outcome.files} == set(plan.parent.iterdir()) - {plan}
    assert outcome.files[0] == ("guide", plan.with_suffix(".wav"))
    assert not outcome.is_new_version
    found = read_map(plan.with_suffix(".beats.json").read_text("utf-8"))
    assert found.beats == outcome.map.beats
    assert soundfile.info(outcome.files[0][1]).duration == pytest.approx(
        outcome.map.duration_s, abs=1e-4
    )


def test_a_click_sounds_on_every_beat_of_the_map(plan: Path) -> None:
    # The file as another library reads it; the loudest moments within 5 ms after each beat.
    outcome = make_guide(plan)
    samples, rate = soundfile.read(plan.with_suffix(".wav"))
    for beat in outcome.map.beats:
        at = round(beat.guide_s * rate)
        before = np.abs(samples[at - 480 : at]).max()
        assert np.abs(samples[at : at + 240]).max() > 10 * before + 0.01


def test_the_same_plan_keeps_its_version_and_its_number(plan: Path) -> None:
    first, again = make_guide(plan).map, make_guide(plan).map
    assert (again.version, again.signature) == (1, first.signature)


def test_only_times_make_a_new_version(plan: Path) -> None:
    first = make_guide(plan)
    plan.write_text(PLAN + "[sound]\nclick = 'bell'\n", encoding="utf-8")
    assert make_guide(plan).map.version == 1
    plan.write_text(PLAN.replace("tempo = 120", "tempo = 121"), encoding="utf-8")
    outcome = make_guide(plan)
    assert outcome.is_new_version
    assert first.map.signature is not None
    assert outcome.map.signature is not None
    assert (outcome.map.version, outcome.map.signature.version) == (2, 2)
    assert outcome.map.signature.guide == first.map.signature.guide


def test_after_255_versions_the_guide_gets_another_number(plan: Path) -> None:
    beats = plan.with_suffix(".beats.json")
    first = make_guide(plan).map
    text = beats.read_text("utf-8").replace('"version": 1', '"version": 255')
    beats.write_text(text, encoding="utf-8")
    plan.write_text(PLAN.replace("tempo = 120", "tempo = 121"), encoding="utf-8")
    second = make_guide(plan).map
    assert second.version == 1
    assert second.signature is not None
    assert second.signature != first.signature


@pytest.mark.parametrize(
    "name",
    [
        "mix.wav",
        "mix.m4a",
        "mix players.pdf",
        "mix.beats.mid",
        "mix video.mp4",
        "mix drone only.m4a",
    ],
)
@pytest.mark.parametrize("is_first", [True, False])
def test_what_is_not_ours_is_not_written_over(plan: Path, name: str, is_first: bool) -> None:
    out = plan.parent / "mix.wav"
    if not is_first:
        make_guide(plan, GuideWishes(out=out))
    other = plan.parent / name
    was_ours = other.exists()
    other.write_bytes(b"somebody's")
    wishes = GuideWishes(out=out, also=("m4a",), video=True, practice=Practice(only=("drone",)))
    if was_ours:
        # It is known as ours by its name alone.
        other.unlink()
        return
    with pytest.raises(ProductionError, match="would be overwritten"):
        make_guide(plan, wishes)
    assert other.read_bytes() == b"somebody's"


def test_files_of_an_older_version_are_named(plan: Path) -> None:
    wishes = GuideWishes(also=("m4a",), practice=Practice(only=("clicks",)))
    copies = {f"{plan.stem}.m4a", f"{plan.stem} clicks only.m4a"}
    assert copies <= {path.name for _, path in make_guide(plan, wishes).files}
    assert not make_guide(plan).remarks
    plan.write_text(PLAN.replace("tempo = 120", "tempo = 121"), encoding="utf-8")
    for _ in range(2):
        (remark,) = make_guide(plan).remarks
        assert all(name in remark for name in copies)
    assert not make_guide(plan, wishes).remarks


def test_what_a_crash_left_is_still_ours(plan: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patched:
        patched.setattr("syncvid.steps.guiding.write_midi", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            make_guide(plan)
    assert plan.with_suffix(".wav").exists()
    outcome = make_guide(plan)
    assert (outcome.map.version, outcome.is_new_version) == (1, False)


def test_a_beat_map_that_cannot_be_read_stops_the_work(plan: Path) -> None:
    make_guide(plan)
    plan.with_suffix(".beats.json").write_text("{", encoding="utf-8")
    with pytest.raises(ProductionError, match="Move it away with the guide"):
        make_guide(plan)


def test_options_that_move_beats_are_told_where_the_plan_says_otherwise(plan: Path) -> None:
    outcome = make_guide(plan, GuideWishes(changes=Changes(count_in="2")))
    assert any("for this guide only" in remark for remark in outcome.remarks)
    assert not make_guide(plan, GuideWishes(changes=Changes(click="bell"))).remarks


def test_bars_that_are_never_played_are_told(plan: Path) -> None:
    bars = 'sections = [{ bars = "1-8" }, { bars = "20-30" }]'
    plan.write_text(PLAN.replace("bars = 4", bars), encoding="utf-8")
    assert "Never played: bars 9-19." in make_guide(plan).remarks


def test_the_order_of_bars_is_shown_where_bars_come_again(plan: Path) -> None:
    assert "bar order" not in make_guide(plan).summary
    plan.write_text(PLAN.replace("bars = 4", 'sections = [{ bars = "1-4, 1-3, 5-6" }]'), "utf-8")
    assert "1-4, 1-3, 5-6" in make_guide(plan).summary


@pytest.mark.parametrize("name", ["guide.ogg", "guide"])
def test_a_kind_of_sound_that_cannot_be_written_is_refused(plan: Path, name: str) -> None:
    with pytest.raises(ProductionError, match=r"\.wav, \.flac, \.mp3, \.m4a"):
        make_guide(plan, GuideWishes(out=plan.parent / name))


def test_a_folder_that_is_not_there_is_told(plan: Path) -> None:
    with pytest.raises(MediaError, match="no such file or folder"):
        make_guide(plan, GuideWishes(out=plan.parent / "no" / "guide.wav"))


def test_a_sound_is_no_plan(plan: Path) -> None:
    make_guide(plan)
    with pytest.raises(ProductionError, match="made from a plan"):
        make_guide(plan.with_suffix(".wav"))


def test_what_is_said_beside_the_plan_wins(plan: Path) -> None:
    changes = Changes(tempo="quarter = 60", count_in="2")
    found = make_guide(plan, GuideWishes(changes=changes)).map
    assert found.beats[0].length_s == pytest.approx(1.0)
    assert sum(beat.is_count_in for beat in found.beats) == 6
    with pytest.raises(ProductionError, match="The tempo: 'fast'"):
        make_guide(plan, GuideWishes(changes=Changes(tempo="fast")))


def test_copies_for_phones_are_the_same_guide(plan: Path) -> None:
    outcome = make_guide(plan, GuideWishes(also=("m4a", ".MP3", "wav")))
    tracks = [path.suffix for what, path in outcome.files if what == "guide"]
    assert tracks == [".wav", ".m4a", ".mp3"]


def test_versions_for_practice_keep_everything_in_proportion(plan: Path) -> None:
    practice = Practice(speeds=(0.5,), only=("clicks",))
    outcome = make_guide(plan, GuideWishes(practice=practice))
    slow = plan.with_name(f"{plan.stem} at 50 percent.wav")
    names = {path for _, path in outcome.files}
    assert {slow, plan.with_name(f"{plan.stem} clicks only.wav")} <= names
    music_s = outcome.map.music_to_s - outcome.map.beats[0].guide_s
    longer_s = soundfile.info(slow).duration - soundfile.info(outcome.files[0][1]).duration
    assert longer_s == pytest.approx(music_s, abs=0.01)


def test_versions_are_listed_by_what_is_heard() -> None:
    practice = Practice(speeds=(0.8,), only=("drone",), play=("others", "own", "all"))
    labels = [version.label for version in list_versions(practice, ["Flute", "Cello"])]
    assert labels[:6] == [
        "drone only",
        "without Flute",
        "without Cello",
        "Flute alone",
        "Cello alone",
        "all parts",
    ]
    assert labels[6:9] == [
        "at 80 percent",
        "drone only at 80 percent",
        "without Flute at 80 percent",
    ]
    others = list_versions(practice, ["Flute", "Cello"])[1]
    assert others.parts == ("Cello",)


@pytest.mark.parametrize(
    ("practice", "message"),
    [
        (Practice(speeds=(0.1,)), "10 percent"),
        (Practice(only=("noise",)), "'noise' is no version"),
        (Practice(play=("all",)), "Nobody is there who could play along"),
    ],
)
def test_versions_that_make_no_sense_are_refused(practice: Practice, message: str) -> None:
    with pytest.raises(ProductionError, match=message):
        list_versions(practice, [])


def test_a_production_takes_in_its_guide(tmp_path: Path) -> None:
    folder = tmp_path / "round"
    new_production(folder, [])
    (folder / "guide.toml").write_text(PLAN, encoding="utf-8")
    outcome = make_guide(folder)
    assert outcome.files[0][1] == folder / "guide.wav"
    assert any("names it now" in remark for remark in outcome.remarks)
    material = open_production(folder)
    assert material.guide is not None
    assert material.guide.path.name == "guide.wav"
    assert not make_guide(folder).remarks


def test_status_tells_when_the_plan_asks_for_another_guide(tmp_path: Path) -> None:
    folder = tmp_path / "round"
    new_production(folder, [])
    assert production_status(open_production(folder)).guide_is_current is None
    plan = folder / "guide.toml"
    plan.write_text(PLAN, encoding="utf-8")
    state = production_status(open_production(folder))
    assert state.guide_is_current is False
    assert state.next_step == f"Make the guide: syncvid guide {folder}"
    make_guide(folder)
    assert production_status(open_production(folder)).guide_is_current is True
    plan.write_text(PLAN.replace("bars = 4", "bars = 5"), encoding="utf-8")
    assert production_status(open_production(folder)).guide_is_current is False
    plan.write_text(PLAN.replace("bars = 4", "bars = nothing"), encoding="utf-8")
    state = production_status(open_production(folder))
    assert "guide.toml" in str(state.problems[0])


def test_a_production_without_a_plan_says_so(tmp_path: Path) -> None:
    new_production(tmp_path / "round", [])
    with pytest.raises(ProductionError, match=r"no guide\.toml"):
        make_guide(tmp_path / "round")
