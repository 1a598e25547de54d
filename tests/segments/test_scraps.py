"""What a killed render left lying goes; what a living one is at stays."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from syncvid.errors import MediaError
from syncvid.segments.scraps import lanes_folder, remove_scraps


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_only_the_dead_are_cleared_away(tmp_path: Path) -> None:
    (tmp_path / "lanes-dead").mkdir()
    for name in ("lanes-dead/lock", "lanes-dead/lane0", "a.dead.1.part", "a.alive.2.part", "b.mp4"):
        (tmp_path / name).write_bytes(b"?")
    with lanes_folder(tmp_path, "alive"):
        remove_scraps(tmp_path, None)
        assert names(tmp_path) == ["a.alive.2.part", "b.mp4", "lanes-alive"]
    assert names(tmp_path) == ["a.alive.2.part", "b.mp4"]


def test_what_belongs_to_nobody_goes_when_it_is_old(tmp_path: Path) -> None:
    for name, age_s in (("a.x.1.part", 0), ("b.x.1.part", 3600)):
        path = tmp_path / name
        path.write_bytes(b"?")
        os.utime(path, (path.stat().st_mtime - age_s,) * 2)
    remove_scraps(tmp_path, tmp_path / "tiles")
    assert names(tmp_path) == ["a.x.1.part"]


def test_a_work_folder_that_is_gone_is_told(tmp_path: Path) -> None:
    with pytest.raises(MediaError), lanes_folder(tmp_path / "gone", "token"):
        pass
