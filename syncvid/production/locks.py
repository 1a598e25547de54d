"""Signs of life: a file that a process holds, and that the system lets go of however it ends."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import filelock

from syncvid.production.files import system_errors


@contextlib.contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold a file, which is made, as a sign of life.

    Raises
    ------
    MediaError
        It cannot be made.
    """
    lock = filelock.FileLock(path)
    with system_errors(path):
        lock.acquire(timeout=0)
    try:
        yield
    finally:
        # The disk may be full or the folder gone: the system lets go of it in any case.
        with contextlib.suppress(OSError):
            lock.release()


def is_held(path: Path) -> bool:
    """Tell whether a process that lives holds a file; one that is not there is held by nobody."""
    if not path.exists():
        return False
    lock = filelock.FileLock(path)
    try:
        lock.acquire(timeout=0)
    except filelock.Timeout:
        return True
    except OSError:
        return False
    lock.release()
    return False
