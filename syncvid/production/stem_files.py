"""Stems kept in the work folder, so that another balance or room asks for no new ones."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import BinaryIO

import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import MediaError
from syncvid.production.files import system_errors

STEM_FOLDER = "stems"

# Samples that are written at a time.
_BLOCK = 1 << 20


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
            It is gone, or no longer whole.
        """
        try:
            with system_errors(self._path(key)):
                kept: Audio = np.load(self._path(key), mmap_mode="r", allow_pickle=False)
        except (ValueError, EOFError) as exc:
            raise MediaError(
                "This stem is damaged.",
                where=str(self._path(key)),
                fix="Run the same command again: it is made anew.",
            ) from exc
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
                    _save(file, samples)
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


def _save(file: BinaryIO, samples: Audio) -> None:
    """Write an array; numpy writes long ones in a way that forgets why the system refused."""
    samples = np.asarray(samples, np.float32)
    header = {"descr": "<f4", "fortran_order": False, "shape": samples.shape}
    np.lib.format.write_array_header_1_0(file, header)
    for channel in samples:
        for first in range(0, channel.size, _BLOCK):
            file.write(channel[first : first + _BLOCK].astype("<f4").tobytes())
