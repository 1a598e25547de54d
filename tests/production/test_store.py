"""Files known again, results kept, one command at a time."""

from __future__ import annotations

import multiprocessing
from pathlib import Path

import numpy as np
import pytest

from syncvid.errors import MediaError, ProductionBusyError
from syncvid.production.files import fingerprint, identity, write_whole, written_path
from syncvid.production.store import Store


def test_a_file_is_known_by_its_content_and_not_by_its_name(tmp_path: Path) -> None:
    one, same, other = (tmp_path / name for name in ("a", "b", "c"))
    one.write_bytes(b"x" * 3_000_000)
    same.write_bytes(b"x" * 3_000_000)
    other.write_bytes(b"x" * 2_999_999 + b"y")
    assert identity(one) == identity(same) != identity(other)


def test_a_result_is_good_as_long_as_its_inputs_are_the_same(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.save("sync", fingerprint(1), {"a": [1, 2]})
    assert store.load("sync", fingerprint(1)) == {"a": [1, 2]}
    assert store.load("sync", fingerprint(2)) is None
    assert store.last("sync") == {"a": [1, 2]}
    store.forget("sync")
    assert store.last("sync") is None


def test_a_damaged_result_counts_as_none(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.save("sync", "f", 1)
    (tmp_path / "results" / "sync.json").write_text('{"schema": 1, "fing')
    assert store.load("sync", "f") is None


def test_samples_come_back_within_sixteen_bits(tmp_path: Path, rng: np.random.Generator) -> None:
    store = Store(tmp_path)
    samples = rng.uniform(-1, 1, 5000).astype(np.float32)
    store.save_samples("k", samples)
    kept = store.load_samples("k")
    assert kept is not None
    assert np.abs(kept - samples).max() < 1 / 32767
    assert store.load_samples("other") is None
    store.keep_only_samples(set())
    assert store.load_samples("k") is None


def test_a_failed_write_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.json"
    write_whole(path, "old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(MediaError, match="The disk is full"):
        write_whole(path, "new")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]


def hold(folder: Path, holding: object, release: object) -> None:
    with Store(folder).locked("here"):
        holding.set()  # type: ignore[attr-defined]
        release.wait(20)  # type: ignore[attr-defined]


def test_a_second_command_is_told_at_once(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    holding, release = context.Event(), context.Event()
    process = context.Process(target=hold, args=(tmp_path, holding, release))
    process.start()
    try:
        assert holding.wait(20)
        with (
            pytest.raises(ProductionBusyError, match="Another syncvid command"),
            Store(tmp_path).locked("here"),
        ):
            pass
    finally:
        release.set()
        process.join(20)
    with Store(tmp_path).locked("here"):
        pass


def test_near_files_are_written_relative_and_far_ones_absolute() -> None:
    base = Path("/home/leader/music/round")
    assert written_path(base.parent / "clips" / "a.mov", base) == "../clips/a.mov"
    assert written_path(Path("/media/stick/a.mov"), base) == "/media/stick/a.mov"
