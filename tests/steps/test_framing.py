"""Looking at takes: once for each, kept under their content, with or without the package."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from syncvid.arrays import Plane
from syncvid.errors import MissingExtraError
from syncvid.picture.faces import Face
from syncvid.picture.framing import Framing
from syncvid.production.material import Recording, SourceFile
from syncvid.production.results import Stretch
from syncvid.production.store import Store
from syncvid.steps import framing
from syncvid.steps.framing import UNSEEN, look_at_takes
from tests.coded_pictures import write_film


class Finder:
    """Stands in for the optional package: one face in the middle of what it is shown."""

    calls = 0

    def __call__(self, luma: Plane) -> list[Face]:
        Finder.calls += 1
        return [Face(0.5, 0.4, 0.2, 0.2)]


class Absent:
    def __init__(self) -> None:
        raise MissingExtraError("Faces cannot be looked for.", fix="pip install it")


@pytest.fixture
def recording(tmp_path: Path) -> Recording:
    path = write_film(tmp_path / "a.mp4", [number / 30 for number in range(180)])
    return Recording(SourceFile("a.mp4", path, "aa11"), "Flute", "Ines", 1)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "work")


def test_a_take_is_looked_at_once(
    recording: Recording, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(framing, "FaceFinder", Finder)
    Finder.calls = 0
    first = look_at_takes([recording, recording], store)
    assert Finder.calls == 7
    assert first.of(recording).framing.heads
    assert first.of(recording).tone is not None
    assert look_at_takes([recording], store) == first
    assert Finder.calls == 7


def test_two_takes_in_one_file_are_kept_apart(
    recording: Recording, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(framing, "FaceFinder", Finder)
    second = Recording(recording.source, "Flute", "Ines", 2, stretch=Stretch(3.0, 6.0))
    both = look_at_takes([recording, second], store)
    Finder.calls = 0
    assert look_at_takes([second, recording], store).by_take == both.by_take
    assert Finder.calls == 0


def test_without_the_package_only_movement_counts_and_is_told_once(
    recording: Recording, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(framing, "FaceFinder", Absent)
    looks = look_at_takes([recording], store)
    assert looks.of(recording).framing.heads == ()
    assert looks.of(recording).framing.moving is not None
    (remark,) = looks.remarks
    assert "pip install it" in remark
    # Once it is there, faces are looked for; what was found then stays, should it go again.
    monkeypatch.setattr(framing, "FaceFinder", Finder)
    assert look_at_takes([recording], store).of(recording).framing.heads
    monkeypatch.setattr(framing, "FaceFinder", Absent)
    assert look_at_takes([recording], store).of(recording).framing.heads


def test_what_cannot_be_read_is_unseen(
    tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(framing, "FaceFinder", Finder)
    (tmp_path / "b.mp4").write_bytes(b"no film")
    broken = Recording(SourceFile("b.mp4", tmp_path / "b.mp4", "bb22"), "Oboe", "", 1)
    assert look_at_takes([broken], store).of(broken) == UNSEEN


@pytest.mark.slow
def test_a_drawn_player_of_the_demo_is_found() -> None:
    pytest.importorskip("cv2")
    path = Path(__file__).parents[2] / "demo_media" / "cello mirre FINAL.mov"
    recording = Recording(SourceFile(path.name, path, "cc33"), "Cello", "Mirre", 1)
    found = framing._look(recording, faces=True).framing
    assert isinstance(found, Framing)
    (head,) = found.heads
    # By eye, in a picture of 364 x 205 pixels: from 28 to 80 across the middle at 175.
    assert head.x == pytest.approx(0.48, abs=0.03)
    assert head.y == pytest.approx(0.26, abs=0.05)
    assert np.isclose(head.height, 0.3, atol=0.06)
