"""The players' sheet as it is written beside a guide."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from syncvid.guide.timing import time_plan
from syncvid.production.guide_file import Changes
from syncvid.steps import Practice
from syncvid.steps.guide_files import GuideFiles
from syncvid.steps.guide_source import read_source
from syncvid.steps.practice import list_versions
from syncvid.steps.sheets import write_sheets
from tests.handoff.reading import Reader

PLAN = 'title = "Orchard Round"\nmetre = "3/4"\ntempo = 120\nbars = 4\nupbeat = "1/4"\n'


def sheet(plan: Path, *, language: str = "en", made: int = 0, practice: Practice) -> str:
    """Write the sheet of a guide whose video is of version `made`; return its text."""
    plan.write_text(f'{PLAN}[sheet]\nlanguage = "{language}"\n', encoding="utf-8")
    read, files = read_source(plan, Changes()), GuideFiles(plan.with_suffix(".wav"))
    guide = replace(time_plan(read.plan).map, version=3, files={files.video.name: made})
    versions = list_versions(practice, [f"Part {nth}" for nth in range(20)])
    remarks = write_sheets(read, guide, files, versions, ())
    page, _ = files.sheets
    return Reader(page.read_text(encoding="utf-8")).text + " ".join(remarks)


@pytest.mark.parametrize(
    ("made", "is_there", "is_named"), [(3, True, True), (2, True, False), (3, False, False)]
)
def test_a_video_of_this_version_is_named(
    made: int, is_there: bool, is_named: bool, tmp_path: Path
) -> None:
    if is_there:
        (tmp_path / "round video.mp4").touch()
    text = sheet(tmp_path / "round.toml", made=made, practice=Practice())
    assert ("round video.mp4" in text) == is_named


def test_versions_for_practice_are_told_in_a_line(tmp_path: Path) -> None:
    practice = Practice(speeds=(0.8,), only=("clicks",), play=("others", "own"))
    text = sheet(tmp_path / "round.toml", practice=practice)
    assert "guide: at 80 % tempo, clicks only, without your part, your part alone. Not" in text
    assert "Part 7" not in text
    assert "one bar and two beats" in text


def test_texts_of_ones_own_lie_beside_the_plan(tmp_path: Path) -> None:
    text = sheet(tmp_path / "round.toml", language="eo", practice=Practice())
    assert "sheet.eo.toml beside the plan." in text
