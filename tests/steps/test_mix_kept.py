"""What becomes of a mix's files: deleted, damaged, somebody else's, copied elsewhere."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from syncvid.errors import ProductionError
from syncvid.production.material import open_production
from syncvid.steps import make_mix

from .mixes import Small, copy_of
from .test_mixing import STEMS, once, read, small

__all__ = ["once", "small"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("damage", "file"),
    [
        *(("deleted", f"mix.{ending}") for ending in ("wav", "flac", "json", "txt")),
        *(("damaged", f"mix.{ending}") for ending in ("wav", "flac")),
    ],
)
def test_a_file_that_was_deleted_or_damaged_is_made_again(
    damage: str, file: str, once: Small, tmp_path: Path
) -> None:
    small = copy_of(once, tmp_path / "round")
    make_mix(small.write_plan(), wishes=STEMS)
    path = small.folder / "mix" / file
    whole = path.read_bytes()
    if damage == "deleted":
        path.unlink()
    else:
        path.write_bytes(whole[: len(whole) // 2])
    make_mix(small.write_plan(), wishes=STEMS)
    assert path.is_file()
    if file not in ("mix.json", "mix.txt"):
        assert path.read_bytes() == whole


def test_a_foreign_file_under_the_usual_name_is_refused(small: Small) -> None:
    foreign = small.folder / "mix" / "mix.wav"
    foreign.parent.mkdir()
    foreign.write_bytes(b"somebody's own")
    with pytest.raises(ProductionError, match="not made with syncvid"):
        make_mix(small.write_plan())
    assert foreign.read_bytes() == b"somebody's own"


@pytest.mark.slow
def test_what_was_made_is_known_after_the_work_folder_was_deleted(
    once: Small, tmp_path: Path
) -> None:
    small = copy_of(once, tmp_path / "round")
    shutil.rmtree(small.folder / "work")
    outcome = make_mix(small.write_plan(), wishes=STEMS)
    assert not outcome.skipped
    assert read(outcome.made.files[0]).shape == read(once.folder / "mix" / "mix.wav").shape


@pytest.mark.slow
def test_a_copied_production_leaves_the_first_one_alone(once: Small, tmp_path: Path) -> None:
    small = copy_of(once, tmp_path / "copy")
    first = {path: path.stat().st_mtime_ns for path in (once.folder / "mix").iterdir()}
    outcome = make_mix(small.write_plan(Flute="gain_db = 2.0"))
    assert not outcome.skipped
    assert all(Path(file).is_relative_to(small.folder) for file in outcome.made.files)
    assert all(Path(stem.file).is_relative_to(small.folder) for stem in outcome.made.stems)
    assert {path: path.stat().st_mtime_ns for path in (once.folder / "mix").iterdir()} == first
    assert make_mix(open_production(small.folder)).skipped
