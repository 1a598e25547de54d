"""The work folder: what the machine found, each result with the fingerprint of its inputs.

A result whose inputs did not change is still good and its step is skipped.  Everything here can be
deleted at any time and is then made again.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import filelock
import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import ProductionBusyError
from syncvid.production.files import system_errors, write_whole

# Raised when the meaning of a stored record changes, so that old ones are made again.
_SCHEMA = 1


class Store:
    """Results in a work folder.

    Parameters
    ----------
    folder : Path
        The work folder; made when something is first written.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def load(self, name: str, fingerprint: str) -> Any | None:
        """Return a step's stored result if it was made from the same inputs, otherwise None."""
        record = self._record(name)
        return record["result"] if record and record["fingerprint"] == fingerprint else None

    def last(self, name: str) -> Any | None:
        """Return a step's last stored result, whatever it was made from."""
        record = self._record(name)
        return record["result"] if record else None

    def save(self, name: str, fingerprint: str, result: Any) -> None:
        """Keep a step's result (plain data) with the fingerprint of its inputs."""
        record = {"schema": _SCHEMA, "fingerprint": fingerprint, "result": result}
        write_whole(self._path(name), json.dumps(record, ensure_ascii=False, indent=1) + "\n")

    def forget(self, name: str) -> None:
        """Delete a step's stored result."""
        with system_errors(self.folder):
            self._path(name).unlink(missing_ok=True)

    def has_samples(self, key: str) -> bool:
        """Tell whether whole samples are kept under a key."""
        try:
            np.load(self._sound_path(key), mmap_mode="r", allow_pickle=False)
        except (OSError, ValueError, EOFError):
            return False
        return True

    def load_samples(self, key: str) -> Audio | None:
        """Return mono samples kept under a key, shape (samples,), or None."""
        try:
            kept = np.load(self._sound_path(key), allow_pickle=False)
        except (OSError, ValueError, EOFError):
            return None
        return np.asarray(kept, np.float32) / np.float32(_INT16)

    def save_samples(self, key: str, samples: Audio) -> None:
        """Keep mono samples, 16 bits each: far below the noise of any phone."""
        steps = np.clip(np.rint(samples * _INT16), -_INT16, _INT16).astype(np.int16)
        buffer = io.BytesIO()
        np.save(buffer, steps)
        write_whole(self._sound_path(key), buffer.getvalue())

    def keep_only_samples(self, keys: set[str]) -> None:
        """Delete the samples of clips that are no longer in use."""
        with system_errors(self.folder):
            for path in (self.folder / "sound").glob("*.npy"):
                if path.stem not in keys:
                    path.unlink(missing_ok=True)

    @contextmanager
    def locked(self, name: str) -> Iterator[None]:
        """Hold the work folder for one command; a second one is told so at once.

        Raises
        ------
        ProductionBusyError
            Another command holds it.
        """
        with system_errors(self.folder):
            self.folder.mkdir(parents=True, exist_ok=True)
            lock = filelock.FileLock(self.folder / "lock")
            try:
                lock.acquire(timeout=0)
            except filelock.Timeout:
                raise ProductionBusyError(
                    "Another syncvid command is at work here.",
                    where=name,
                    fix="Wait until it is done, or stop it with Ctrl-C in its own window.",
                ) from None
        try:
            yield
        finally:
            lock.release()

    def _record(self, name: str) -> dict[str, Any] | None:
        """Read a stored record; a missing, damaged or outdated one counts as none."""
        try:
            record = json.loads(self._path(name).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        whole = isinstance(record, dict) and {"schema", "fingerprint", "result"} <= set(record)
        return record if whole and record["schema"] == _SCHEMA else None

    def _path(self, name: str) -> Path:
        """Return where a step's result lies."""
        return self.folder / "results" / f"{name}.json"

    def _sound_path(self, key: str) -> Path:
        """Return where a clip's samples lie."""
        return self.folder / "sound" / f"{key}.npy"


_INT16 = 32767
