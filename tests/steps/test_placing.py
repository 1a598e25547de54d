"""The user settles places: no search is made for it, and every result follows."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from syncvid.cli import main
from syncvid.errors import ProductionError
from syncvid.production.material import open_production
from syncvid.production.results import Finding
from syncvid.steps import Choice, place_take, production_status, sync_clips

from .conftest import UNSURE, Searches


def run(*words: str | Path) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(word) for word in words])
    return int(ended.value.code or 0)


def finding(folder: Path, take: int) -> Finding:
    outcome = sync_clips(open_production(folder))
    return outcome.result.clips[take - 1].finding


def test_pinning_asks_for_no_new_search(folder: Path, searches: Searches) -> None:
    assert finding(folder, 2).verdict == "check"
    settled = place_take(folder, "Viola/2", Choice(offset_s=12.4, drift_ppm=-3.0))
    assert settled.name == "Viola (Anna), take 2"
    assert (finding(folder, 2).offset_s, finding(folder, 2).drift_ppm) == (12.4, -3.0)
    assert finding(folder, 1).verdict == "check", "the other take stays as it was"
    place_take(folder, "b.wav", Choice(not_in_piece=True))
    assert finding(folder, 2).verdict == "none"
    place_take(folder, "b.wav", Choice(free=True))
    assert finding(folder, 2) == UNSURE
    assert searches.count == 1
    assert "# hers" in (folder / "production.toml").read_text()


def test_doubtful_places_are_told_at_once(folder: Path, searches: Searches) -> None:
    searches.answers["Viola (Anna), take 1"] = Finding("sure", 0.98, "Heard.", 4.0, 0.0, "mix")
    sync_clips(open_production(folder))
    # The mix and the clips last 20 s.
    assert "from 0 to 20.0 s" in place_take(folder, "Viola/2", Choice(offset_s=1000.0)).doubt
    assert "from 0 to 20.0 s" in place_take(folder, "Viola/2", Choice(offset_s=-20.5)).doubt
    assert place_take(folder, "Viola/2", Choice(offset_s=-19.0)).doubt == ""
    assert (
        "surely heard it at +4.0000 s" in place_take(folder, "Viola/1", Choice(offset_s=5.0)).doubt
    )
    assert place_take(folder, "Viola/1", Choice(offset_s=4.01)).doubt == ""


def test_a_rival_is_chosen_by_its_number_even_after_another_pin(
    folder: Path, searches: Searches
) -> None:
    sync_clips(open_production(folder))
    place_take(folder, "Viola/2", Choice(offset_s=1.0))
    place_take(folder, "Viola/2", Choice(rival=1))
    told = finding(folder, 2)
    assert (told.offset_s, told.drift_ppm, told.verdict) == (65.0, 21.0, "sure")
    with pytest.raises(ProductionError, match="lists 1 rivals"):
        place_take(folder, "Viola/2", Choice(rival=2))


def test_a_rival_needs_a_search_that_found_it(folder: Path) -> None:
    with pytest.raises(ProductionError, match="not found yet"):
        place_take(folder, "Viola/2", Choice(rival=1))


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["--offset", "1", "--free"],
        ["--rival", "1", "--not-in-piece"],
        ["--drift", "3"],
        ["--offset", "nan"],
        ["--offset", "1", "--drift", "1e9"],
    ],
)
def test_wishes_that_make_no_sense_change_nothing(
    folder: Path, searches: Searches, words: list[str]
) -> None:
    before = (folder / "production.toml").read_text()
    assert run("place", folder, "Viola/2", *words) == 2
    assert (folder / "production.toml").read_text() == before


def test_the_command_says_what_was_settled(
    folder: Path, searches: Searches, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("place", folder, "Viola/2", "--offset", "-2.5") == 0
    assert "Viola (Anna), take 2 is pinned: it starts at -2.5000 s." in capsys.readouterr().out
    assert run("sync", folder, "--json", folder / "s.json") == 0
    assert "Pinned by you at -2.500 s in production.toml" in capsys.readouterr().out
    clips = json.loads((folder / "s.json").read_text())["clips"]
    assert [clip.get("pinned") for clip in clips] == [None, True]
    assert run("status", folder) == 0
    assert "take 1 [check], take 2 [sure, pinned]" in capsys.readouterr().out
    assert run("place", folder, "oboe", "--free") == 2
    assert "Known are 'Viola/1'" in capsys.readouterr().err


def test_status_does_not_send_the_user_to_a_pinned_clip(folder: Path, searches: Searches) -> None:
    sync_clips(open_production(folder))
    for take in ("Viola/1", "Viola/2"):
        place_take(folder, take, Choice(offset_s=0.0))
    state = production_status(open_production(folder))
    assert state.verdicts == {"sure": 2}
    assert "syncvid render" in state.next_step


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--offset", "12,5"), "Write 12.5 with a point"),
        (("--offset", "nan"), "--offset nan is no number"),
        (("--drift", "4"), "--drift needs --offset"),
    ],
)
def test_numbers_that_are_none_are_told(
    folder: Path, words: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (folder / "production.toml").read_text()
    assert run("place", folder, "Viola/2", *words) == 2
    assert told in " ".join(capsys.readouterr().err.split())
    assert (folder / "production.toml").read_text() == before


def test_stretch_behind_the_end_of_the_file_is_told(folder: Path, searches: Searches) -> None:
    plan = folder / "production.toml"
    plan.write_text(
        plan.read_text().replace('file = "../b.wav"', 'file = "../b.wav"\nfrom_s = 600')
    )
    told = finding(folder, 2)
    assert told.verdict == "none"
    assert "begins at 600.0 s, but the file ends at 20.0 s" in told.reason
