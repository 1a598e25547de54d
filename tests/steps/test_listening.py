"""Listening sounds in the work folder: written for doubts, gone with them."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
import soundfile

from syncvid.cli import main
from syncvid.production.material import loose_material, open_production
from syncvid.production.results import Finding, Rival
from syncvid.steps import Choice, place_take, sync_clips, withdraw_clips

from .conftest import Searches

FOUND = Finding(
    "check", 0.4, "A repeat.", -3.2, 21.0, "mix", rivals=(Rival(65.0, 0.9), Rival(6.0, 0.8))
)
SURE = Finding("sure", 0.99, "All agree.", 1.0, 0.0, "mix")


@pytest.fixture
def doubts(searches: Searches) -> Searches:
    searches.answers = {"Viola (Anna), take 1": SURE, "Viola (Anna), take 2": FOUND}
    return searches


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.glob("*"))


EXPECTED = [
    "Viola (Anna), take 2 - at 0-06.0 - rival 2.flac",
    "Viola (Anna), take 2 - at minus 0-03.2 - proposed.flac",
]


def test_a_doubt_has_its_sounds_and_a_settled_one_has_none(folder: Path, doubts: Searches) -> None:
    listen = folder / "work" / "listen"
    told = sync_clips(open_production(folder)).listening
    assert names(listen) == EXPECTED, "rival 1 lies outside of the mix: nothing can be heard there"
    assert sorted(sound.path.name for sound in told) == EXPECTED
    samples, rate = soundfile.read(listen / EXPECTED[0])
    assert samples.shape == (11 * rate, 2)
    assert abs(samples).max() <= 10 ** (-6 / 20)
    place_take(folder, "Viola/2", Choice(rival=2))
    assert sync_clips(open_production(folder)).listening == ()
    assert names(listen) == []


def test_what_still_holds_is_not_written_again(folder: Path, doubts: Searches) -> None:
    listen = folder / "work" / "listen"
    sync_clips(open_production(folder))
    for name in EXPECTED:
        os.utime(listen / name, (1, 1))
    (listen / EXPECTED[1]).unlink()
    sync_clips(open_production(folder))
    assert (listen / EXPECTED[0]).stat().st_mtime == 1
    assert (listen / EXPECTED[1]).stat().st_mtime > 1


def test_a_folder_of_the_users_gets_them_as_well_and_keeps_what_is_his(
    folder: Path, doubts: Searches, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = tmp_path / "ears"
    mine.mkdir()
    (mine / "note.flac").write_text("mine")
    with pytest.raises(SystemExit) as ended:
        main(["sync", str(folder), "--listen", str(mine)])
    assert ended.value.code == 0
    shown = capsys.readouterr().out
    assert f"To decide by ear, in {mine}" in shown
    assert "rival 2.flac" in shown
    assert "headphones down" in shown
    assert names(mine) == sorted([*EXPECTED, "note.flac"])
    withdraw_clips(folder, ["Viola/2"])
    assert names(mine) == ["note.flac"]
    assert names(folder / "work" / "listen") == []


def test_loose_clips_have_theirs_in_the_cache(
    folder: Path, searches: Searches, tmp_path: Path, own_cache: Path
) -> None:
    files = [str(tmp_path / "a.wav"), str(tmp_path / "b.wav")]
    material, _ = loose_material(files, mix=str(tmp_path / "mix.wav"))
    told = sync_clips(material).listening
    assert [sound.path.is_relative_to(own_cache) for sound in told] == [True, True]
    assert all(sound.path.is_file() for sound in told)


def test_one_clip_is_explained_with_what_to_do(
    folder: Path, doubts: Searches, capsys: pytest.CaptureFixture[str]
) -> None:
    def run(*words: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as ended:
            main(["sync", str(folder), *words])
        shown = capsys.readouterr()
        return int(ended.value.code or 0), shown.out, shown.err

    code, told, _ = run("--explain", "viola 2")
    assert code == 0
    assert "Viola (Anna), take 2: ../b.wav" in told
    assert "Viola (Anna), take 1" not in told, "only the clip that was asked about"
    assert f"syncvid place {folder} Viola/2 --offset -3.200000" in told
    assert f"syncvid place {folder} Viola/2 --rival 1   (up to 2)" in told
    assert f"{folder / 'work' / 'listen' / EXPECTED[1]}" in told
    code, told, notes = run("--explain", "b.wav", "--json", "-")
    assert code == 0
    assert json.loads(told)["clips"]
    assert "--not-in-piece" in notes
    assert run("--explain", "oboe")[0] == 2
    place_take(folder, "Viola/2", Choice(offset_s=1.0))
    assert "Viola/2 --free" in run("--explain", "Viola/2")[1]
