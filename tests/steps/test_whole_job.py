"""One small production through all steps; judged by the places that were planted."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from syncvid.errors import MediaError, ProductionError
from syncvid.production.files import identity
from syncvid.production.material import Material, loose_material, open_production
from syncvid.segments.tiles import clip_folder
from syncvid.steps import (
    Look,
    add_clips,
    make_preview,
    new_production,
    production_status,
    render,
    replace_clip,
    sync_clips,
    withdraw_clips,
)

from .conftest import LENGTH_S, Case

SMALL = Look(size=(320, 180))


@pytest.fixture
def material(case: Case, tmp_path: Path) -> Material:
    folder = tmp_path / "round"
    new_production(folder, case.files, mix=str(case.mix))
    return open_production(folder)


def test_every_clip_finds_the_place_that_was_planted(case: Case, material: Material) -> None:
    outcome = sync_clips(material)
    for clip in outcome.result.clips:
        place = case.clips[Path(clip.file).name].place
        if place is None:
            assert clip.finding.verdict == "none"
            continue
        assert clip.finding.verdict == "sure", clip.finding.reason
        assert clip.finding.placement is not None
        for at_s in (4.0, 16.0):
            error_s = clip.finding.placement.to_reference(at_s) - place.to_reference(at_s)
            assert abs(error_s) < 0.0005


def test_a_second_run_is_skipped_and_a_new_clip_asks_for_a_new_one(
    case: Case, material: Material, tmp_path: Path
) -> None:
    assert not sync_clips(material).skipped
    assert sync_clips(material).skipped
    extra = tmp_path / "oboe Kim.mp4"
    shutil.copy(case.files[-1], extra)
    with extra.open("ab") as file:
        file.write(b"\0")
    assert material.folder is not None
    add_clips(material.folder, [str(extra)])
    assert not sync_clips(open_production(material.folder)).skipped


def test_renaming_a_part_in_the_plan_asks_for_no_new_search(material: Material) -> None:
    sync_clips(material)
    assert material.folder is not None
    plan = material.folder / "production.toml"
    plan.write_text(plan.read_text().replace('name = "Flute"', 'name = "Piccolo"'))
    outcome = sync_clips(open_production(material.folder))
    assert outcome.skipped
    assert "Piccolo" in [clip.part for clip in outcome.result.clips]


def test_the_video_carries_the_mix_and_every_tile(case: Case, material: Material) -> None:
    assert material.folder is not None
    out, report = material.folder / "round.mp4", material.folder / "round.json"
    outcome = render(material, out, look_of=SMALL, report=report)
    assert len(outcome.cast.shown) == 3
    assert [Path(e.recording.source.file).name for e in outcome.cast.left_out] == ["IMG_2207.mov"]
    told = json.loads(report.read_text())
    assert told["format"] == "syncvid.render/1"
    assert told["size"] == [320, 180]
    assert {Path(tile["file"]).name for tile in told["tiles"]} == set(case.clips) - {"IMG_2207.mov"}
    with av.open(str(out)) as video:
        pictures = sum(1 for _ in video.decode(video=0))
        assert pictures == round(LENGTH_S * 30)
    again = render(material, out, look_of=SMALL)
    assert again.skipped


def test_a_video_that_was_touched_is_made_again(material: Material) -> None:
    assert material.folder is not None
    out = material.folder / "round.mp4"
    render(material, out, look_of=SMALL)
    with out.open("ab") as file:
        file.write(b"x")
    again = render(material, out, look_of=SMALL)
    assert not again.skipped
    assert again.summary is not None
    assert again.summary.reused == again.summary.segments


def test_preview_and_sheet(case: Case, material: Material) -> None:
    outcome = make_preview(material)
    assert outcome.video is not None
    assert outcome.video.is_file()
    sheet = outcome.sheet.read_text(encoding="utf-8")
    for words in ("Flute", "Ines", "Violin", "Cello", "IMG_2207.mov", "<svg"):
        assert words in sheet


def test_originals_are_never_changed(case: Case, material: Material) -> None:
    def state() -> list[tuple[str, str, int]]:
        names = [*case.files, str(case.mix)]
        return [(n, identity(n), os.stat(n).st_mtime_ns) for n in names]

    before = state()
    assert material.folder is not None
    render(material, material.folder / "round.mp4", look_of=SMALL)
    withdraw_clips(material.folder, ["cello (mirre) 1.mp4"])
    assert state() == before
    assert sorted(p.name for p in case.folder.iterdir()) == sorted([*case.clips, "mix.wav"])


def test_a_withdrawn_clip_is_gone_from_every_result(material: Material) -> None:
    assert material.folder is not None
    folder = material.folder
    make_preview(material)
    keys = {r.part: r.source.identity for r in material.recordings}
    key, other = keys.pop("Cello"), min(keys.values())
    tiles = [clip_folder(folder / "work" / "tiles", name, fast=True) for name in (key, other)]
    for path in (*tiles, folder / "work" / "segments"):
        path.mkdir(parents=True, exist_ok=True)
        (path / "0_1000_origin_1.part").write_text("Mirre")
    (tiles[1] / "0_1000_origin_1.part").write_text("another")
    (folder / "preview" / "still.jpg").write_text("Mirre")
    withdraw_clips(folder, ["cello (mirre) 1.mp4"])
    assert [path.exists() for path in tiles] == [False, True]
    for path in folder.rglob("*"):
        if path.is_file() and path.name != "production.toml":
            content = path.read_bytes()
            assert b"mirre" not in content.lower(), path
            assert key.encode() not in content, path
            assert key not in path.name
    after = open_production(folder)
    assert [r.part for r in after.recordings if r.part == "Cello"] == []
    outcome = render(after, folder / "round.mp4", look_of=SMALL)
    assert "Cello" not in [voice.part for voice in outcome.cast.voices]
    assert "Cello" not in make_preview(after).sheet.read_text()


def test_a_clip_that_was_moved_is_found_again(case: Case, tmp_path: Path) -> None:
    clips = tmp_path / "clips"
    clips.mkdir()
    moved = [shutil.copy(file, clips) for file in case.files[:2]]
    folder = tmp_path / "round"
    new_production(folder, [str(file) for file in moved], mix=str(case.mix))
    sync_clips(open_production(folder))
    (tmp_path / "better place").mkdir()
    Path(moved[0]).rename(tmp_path / "better place" / "renamed.mp4")
    material = open_production(folder)
    assert material.moved[0][1].endswith("renamed.mp4")
    assert sync_clips(material).skipped


def test_a_path_that_is_gone_is_named(case: Case, tmp_path: Path) -> None:
    folder = tmp_path / "round"
    copied = shutil.copy(case.files[0], tmp_path)
    with Path(copied).open("ab") as file:
        file.write(b"x")  # or else the original would be found in its place
    new_production(folder, [str(copied), case.files[1]], mix=str(case.mix))
    Path(copied).unlink()
    with pytest.raises(ProductionError, match=r"Flute, take 1: '\.\./flute Ines T1\.mp4'"):
        open_production(folder)


def test_a_replaced_take_is_synced_anew(case: Case, material: Material, tmp_path: Path) -> None:
    assert material.folder is not None
    sync_clips(material)
    replace_clip(material.folder, "IMG_2207.mov", case.files[0])
    material = open_production(material.folder)
    assert not sync_clips(material).skipped


def test_the_same_recording_under_two_names_is_left_out(case: Case, tmp_path: Path) -> None:
    twice = shutil.copy(case.files[0], tmp_path / "copy of it.mp4")
    letter = tmp_path / "letter.txt"
    letter.write_text("Dear all,\n")
    added = new_production(tmp_path / "round", [case.files[0], str(twice), str(letter)])
    assert len(added.takes) == 1
    reasons = dict(added.left_out)
    assert "same recording" in reasons[str(twice)]
    assert str(letter) in reasons
    assert len(added.problems) == 1


def test_status_says_what_comes_next(material: Material) -> None:
    assert material.folder is not None
    assert "syncvid sync" in production_status(material).next_step
    sync_clips(material)
    assert "syncvid render" in production_status(material).next_step
    out = material.folder / "round.mp4"
    render(material, out, look_of=SMALL)
    state = production_status(material)
    assert state.outputs == ((out.absolute(), True),)
    assert "up to date" in state.next_step
    plan = material.folder / "production.toml"
    plan.write_text(plan.read_text().replace('name = "Flute"', 'name = "Piccolo"'))
    state = production_status(open_production(material.folder))
    assert state.outputs == ((out.absolute(), False),)


def test_without_a_mix_the_clips_own_sound_is_used(case: Case, tmp_path: Path) -> None:
    # Two clips of the same sound, one of them 2 s shorter at its head: they lock to each other.
    material, problems = loose_material([case.files[0]])
    assert not problems
    outcome = render(material, tmp_path / "one.mp4", look_of=SMALL)
    with av.open(str(outcome.out)) as video:
        samples = np.concatenate([f.to_ndarray() for f in video.decode(audio=0)], axis=1)
    assert 0.5 < np.abs(samples).max() < 0.9


def test_loose_clips_that_cannot_be_read_leave_the_others(case: Case, tmp_path: Path) -> None:
    material, problems = loose_material(
        [case.files[0], str(tmp_path / "gone.mov")], mix=str(case.mix)
    )
    assert [problem.where for problem in problems] == [str(tmp_path / "gone.mov")]
    assert len(material.recordings) == 1


def test_a_mix_that_ends_in_the_middle_of_the_music_is_told_and_used(
    case: Case, tmp_path: Path
) -> None:
    samples, rate = soundfile.read(case.mix)
    soundfile.write(tmp_path / "short.wav", samples[: 12 * rate], rate, subtype="FLOAT")
    material, _ = loose_material(case.files[:2], mix=str(tmp_path / "short.wav"))
    outcome = sync_clips(material)
    assert any("ends in the middle" in r or "end in the middle" in r for r in outcome.remarks)
    assert [clip.finding.verdict for clip in outcome.result.clips] == ["sure", "sure"]
    whole, _ = loose_material(case.files[:2], mix=str(case.mix))
    assert not any("in the middle" in remark for remark in sync_clips(whole).remarks)


def test_a_clip_that_was_cut_off_on_its_way_is_told_and_used(case: Case, tmp_path: Path) -> None:
    # Written with its table first, then cut: what phones' files look like half sent.
    first = tmp_path / "whole.mp4"
    with (
        av.open(case.files[0]) as source,
        av.open(str(first), "w", options={"movflags": "faststart"}) as copy,
    ):
        streams = {s.index: copy.add_stream_from_template(s) for s in source.streams}
        for packet in source.demux():
            if packet.dts is not None:
                packet.stream = streams[packet.stream.index]
                copy.mux(packet)
    first.write_bytes(first.read_bytes()[: first.stat().st_size * 6 // 10])
    material, problems = loose_material([str(first)], mix=str(case.mix))
    assert not problems
    outcome = sync_clips(material)
    assert outcome.result.clips[0].finding.placement is not None
    assert any("breaks off" in remark for remark in outcome.remarks)


def test_a_work_folder_that_is_full_ends_the_step_and_blames_no_clip(
    material: Material, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(MediaError, match="The disk is full"):
        sync_clips(material)
    assert not list(material.store.folder.rglob(".*"))
