"""Stems kept in the work folder: whole or not at all."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.errors import MediaError, MediaNotFoundError
from syncvid.production.stem_files import STEM_FOLDER, StemFiles
from tests.refusing import files_end_at


@pytest.fixture
def files(tmp_path: Path) -> StemFiles:
    return StemFiles(tmp_path / "work")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "work" / STEM_FOLDER


def noise(channels: int = 1, length: int = 50_000) -> Audio:
    return np.random.default_rng(3).normal(0, 0.1, (channels, length)).astype(np.float32)


@pytest.mark.parametrize("channels", [1, 2])
# Longer than what is written at a time.
@pytest.mark.parametrize("length", [1, 50_000, (1 << 20) + 7])
def test_a_stem_comes_back_bit_by_bit(files: StemFiles, channels: int, length: int) -> None:
    stem = noise(channels, length)
    assert not files.has("a1")
    files.keep("a1", stem)
    assert files.has("a1")
    kept = files.open("a1")
    assert kept.dtype == np.float32
    assert np.array_equal(kept, stem)


def test_numpy_reads_what_is_kept(files: StemFiles, folder: Path) -> None:
    """The format is numpy's own, read here by numpy itself without a map."""
    files.keep("a1", noise(2))
    assert np.array_equal(np.load(folder / "a1.npy"), noise(2))
    assert [path.name for path in folder.iterdir()] == ["a1.npy"]


def test_views_and_maps_are_kept_as_what_they_show(files: StemFiles) -> None:
    files.keep("a", noise(2))
    files.keep("b", files.open("a")[:, 100:20_000:3])
    files.keep("c", np.asfortranarray(noise(2)))
    assert np.array_equal(files.open("b"), noise(2)[:, 100:20_000:3])
    assert np.array_equal(files.open("c"), noise(2))


def test_a_stem_is_read_where_it_is_looked_at_and_cannot_be_changed(files: StemFiles) -> None:
    files.keep("a", noise())
    kept = files.open("a")
    assert isinstance(kept, np.memmap)
    with pytest.raises(ValueError, match="read-only"):
        kept[0, 0] = 1.0


def test_a_stem_that_is_open_stays_what_it_was(files: StemFiles) -> None:
    files.keep("a", noise())
    kept = files.open("a")
    files.keep("a", -noise())
    files.keep_only(set())
    assert np.array_equal(kept, noise())


def test_what_is_damaged_is_not_there(files: StemFiles, folder: Path) -> None:
    files.keep("a", noise())
    whole = (folder / "a.npy").read_bytes()
    damaged = {
        "empty": b"",
        "head": whole[:40],
        "cut": whole[:-1],
        "half": whole[: len(whole) // 2],
        "letters": b"Dear all,\n" * 100,
        "zeros": bytes(len(whole)),
    }
    for name, content in damaged.items():
        (folder / f"{name}.npy").write_bytes(content)
        assert not files.has(name), name
        with pytest.raises(MediaError, match=r"damaged.*Run the same command again"):
            files.open(name)
        files.keep(name, noise())
        assert np.array_equal(files.open(name), noise()), "it is made anew"


def test_objects_are_never_loaded(files: StemFiles, folder: Path) -> None:
    """They could bring a program with them."""
    files.keep("a", noise())
    np.save(folder / "b.npy", np.array([{"a": 1}], dtype=object), allow_pickle=True)
    assert not files.has("b")
    with pytest.raises(MediaError):
        files.open("b")


def test_what_is_gone_is_told(files: StemFiles) -> None:
    with pytest.raises(MediaNotFoundError, match="no such file"):
        files.open("a")


def test_a_write_that_fails_leaves_what_was_there_and_nothing_else(
    files: StemFiles, folder: Path
) -> None:
    files.keep("a", noise())
    with files_end_at(100_000), pytest.raises(MediaError, match="file too large"):
        files.keep("a", noise(2))
    with files_end_at(100_000), pytest.raises(MediaError, match="file too large"):
        files.keep("b", noise(2))
    assert [path.name for path in folder.iterdir()] == ["a.npy"]
    assert np.array_equal(files.open("a"), noise())


def test_being_stopped_leaves_nothing(
    files: StemFiles, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("syncvid.production.stem_files.os.replace", stop)
    with pytest.raises(KeyboardInterrupt):
        files.keep("a", noise())
    assert not list(folder.iterdir())


def test_a_file_in_the_way_of_the_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / STEM_FOLDER).write_text("")
    files = StemFiles(tmp_path)
    assert not files.has("a")
    with pytest.raises(MediaError, match=STEM_FOLDER):
        files.keep("a", noise())


def test_only_what_is_in_use_stays(files: StemFiles, folder: Path) -> None:
    files.keep_only({"a"})
    assert not folder.exists(), "where there is nothing, nothing is made"
    for key in ("a", "b", "c"):
        files.keep(key, noise())
    (folder / ".stem.x1y2").write_bytes(b"half")
    (folder / "notes.txt").write_text("mine")
    files.keep_only({"b", "never"})
    assert sorted(path.name for path in folder.iterdir()) == ["b.npy", "notes.txt"]
