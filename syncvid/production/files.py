"""Files as a production knows them: who is who, and writing without ever leaving half a file."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from syncvid.errors import ProductionError, system_error

MADE_WITH = "Made with syncvid"
"""Stands in the head of what is written beside a video."""

# So far from the beginning and the end of a file that mark is looked for.
_MARK_BYTES = 1024

# Enough of a file to know it again: its size, and this much of its head and of its tail.
_SAMPLE_BYTES = 1 << 20


@contextmanager
def system_errors(path: str | os.PathLike[str]) -> Iterator[None]:
    """Turn what the operating system refuses into `MediaError`, with the path added."""
    try:
        yield
    except OSError as exc:
        raise system_error(exc, path) from exc


def identity(path: str | os.PathLike[str]) -> str:
    """Return what a file is known by wherever it lies: a hash of its size, head and tail.

    Parameters
    ----------
    path : str or path-like
        The file.

    Returns
    -------
    str
        40 hexadecimal digits.

    Raises
    ------
    MediaError
        The file cannot be read.
    """
    with system_errors(path), open(path, "rb") as file:
        size = os.fstat(file.fileno()).st_size
        digest = hashlib.sha256(str(size).encode())
        digest.update(file.read(_SAMPLE_BYTES))
        file.seek(max(0, size - _SAMPLE_BYTES))
        digest.update(file.read(_SAMPLE_BYTES))
    return digest.hexdigest()[:40]


def fingerprint(*inputs: Any) -> str:
    """Return a hash of plain data: the same inputs give the same text in every run.

    Examples
    --------
    >>> fingerprint({"b": 1, "a": 2}) == fingerprint({"a": 2, "b": 1})
    True
    """
    text = json.dumps(inputs, sort_keys=True, ensure_ascii=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:40]


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file beside its place and rename it, so that it is there whole or not at all.

    Raises
    ------
    MediaError
        The folder cannot be written, or the disk is full; what was there before is still there.
    """
    data = content.encode() if isinstance(content, str) else content
    with system_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}.", dir=path.parent)
        try:
            with open(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(name, 0o666 & ~_umask())
            os.replace(name, path)
        except BaseException:
            os.unlink(name)
            raise


def _umask() -> int:
    """Return the process's file mode mask."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


def check_target(path: Path) -> None:
    """Refuse at the door a file that could not be written at the end.

    Raises
    ------
    MediaError
        Its folder is not there, or it is a folder itself.
    """
    with system_errors(path.parent):
        if not path.parent.is_dir():
            raise FileNotFoundError
    with system_errors(path):
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, "Is a directory")


def refuse_foreign(path: Path, *, mark: str = MADE_WITH) -> None:
    """Refuse to write over a file that stands where nobody has named it, and is not ours.

    Videos are named by the user; what is written beside them is not, and may hit a photo or
    somebody's own captions.  Ours say by whom they were made.

    Parameters
    ----------
    path : Path
        The file.
    mark : str
        What stands in the head, or at the end, of ours.

    Raises
    ------
    ProductionError
        It was not made with syncvid.
    MediaError
        It cannot be read.
    """
    if not path.exists():
        return
    with system_errors(path), path.open("rb") as file:
        ours = mark.encode() in file.read(_MARK_BYTES)
        # A letter is signed at its end.
        file.seek(max(0, os.fstat(file.fileno()).st_size - _MARK_BYTES))
        ours = ours or mark.encode() in file.read(_MARK_BYTES)
    if not ours:
        raise ProductionError(
            "This file would be overwritten, and it was not made with syncvid.",
            where=str(path),
            fix="Move it away, or give what you make another name.",
        )


def written_path(path: Path, folder: Path) -> str:
    """Write a path for production.toml: relative where the file lies near, otherwise absolute.

    Examples
    --------
    >>> written_path(Path("/music/clips/a.mov"), Path("/music/round"))
    '../clips/a.mov'
    """
    absolute, base = Path(os.path.abspath(path)), Path(os.path.abspath(folder))
    near = base.parent.parent if len(base.parents) > 2 else base.parent
    if not absolute.is_relative_to(near):
        return absolute.as_posix()
    return Path(os.path.relpath(absolute, base)).as_posix()
