"""Stems kept in the work folder, so that another balance or room asks for no new ones."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import numpy as np

from syncvid.arrays import Audio
from syncvid.production.files import system_errors

STEM_FOLDER = "stems"


class StemFiles:
    """The stems of a production.

    Parameters
    ----------
    work : Path
        The work folder.
    """

    def __init__(self, work: Path) -> None:
        self._folder = work / STEM_FOLDER

    def has(self, key: str) -> bool:
        """Tell whether a whole stem is kept under a key."""
        try:
            np.load(self._path(key), mmap_mode="r", allow_pickle=False)
        except (OSError, ValueError, EOFError):
            return False
        return True

    def open(self, key: str) -> Audio:
        """Return a stem that is kept, shape (channels, samples); it is read where it is looked at.

        Raises
        ------
        MediaError
            It is gone.
        """
        with system_errors(self._path(key)):
            kept: Audio = np.load(self._path(key), mmap_mode="r", allow_pickle=False)
        return kept

    def keep(self, key: str, samples: Audio) -> None:
        """Keep a stem, whole or not at all.

        Raises
        ------
        MediaError
            The folder cannot be written, or the disk is full.
        """
        with system_errors(self._folder):
            self._folder.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(prefix=".stem.", dir=self._folder)
            try:
                with open(handle, "wb") as file:
                    # `numpy.save` would not say that a disk is full.
                    whole = np.ascontiguousarray(samples)
                    head = np.lib.format.header_data_from_array_1_0(whole)
                    np.lib.format.write_array_header_1_0(file, head)
                    file.write(whole.data)
                os.replace(name, self._path(key))
            except BaseException:
                os.unlink(name)
                raise

    def keep_only(self, keys: set[str]) -> None:
        """Delete stems that are no longer in use, and what a dead command left half written."""
        with system_errors(self._folder):
            for path in self._folder.glob("*.npy"):
                if path.stem not in keys:
                    path.unlink(missing_ok=True)
            for path in self._folder.glob(".stem.*"):
                path.unlink(missing_ok=True)

    def _path(self, key: str) -> Path:
        """Return where a stem lies."""
        return self._folder / f"{key}.npy"
