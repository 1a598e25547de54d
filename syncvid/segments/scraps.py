"""What a render leaves lying when it is killed, and how the next one knows that it may go.

A render that lives holds a lock in a folder of its own; however it ends, the system lets go of it.
"""

from __future__ import annotations

import contextlib
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

from syncvid.production.files import system_errors
from syncvid.production.locks import held, is_held
from syncvid.segments.tiles import remove_parts
from syncvid.segments.worker import PART_ENDING

_PREFIX, _LOCK = "lanes-", "lock"

# Unfinished files of nobody in particular are surely left over when they are as old as this.
_STALE_S = 600.0


@contextlib.contextmanager
def lanes_folder(work: Path, token: str) -> Iterator[Path]:
    """Provide a folder for a render's beacons, which also tells that the render lives.

    Raises
    ------
    MediaError
        It cannot be made.
    """
    folder = work / f"{_PREFIX}{token}"
    with system_errors(work):
        folder.mkdir(exist_ok=True)
    try:
        with held(folder / _LOCK):
            yield folder
    finally:
        # After the lock, which would keep the folder in place on some systems.
        shutil.rmtree(folder, ignore_errors=True)


def remove_scraps(work: Path, tiles: Path | None) -> None:
    """Remove what renders that were killed have left unfinished.

    Parameters
    ----------
    work : Path
        Where segments are kept.
    tiles : Path or None
        Where tiles are kept.
    """
    living = set()
    for folder in work.glob(f"{_PREFIX}*"):
        token = folder.name.removeprefix(_PREFIX)
        if is_held(folder / _LOCK):
            living.add(token)
            continue
        for part in work.glob(f"*.{token}.*{PART_ENDING}"):
            _remove(part)
        if tiles is not None:
            remove_parts(tiles, token)
        shutil.rmtree(folder, ignore_errors=True)
    for part in work.glob(f"*{PART_ENDING}"):
        with contextlib.suppress(OSError):
            old = time.time() - part.stat().st_mtime > _STALE_S
            if old and part.name.split(".")[1] not in living:
                _remove(part)


def _remove(path: Path) -> None:
    """Remove a file; somebody else may have done so."""
    with contextlib.suppress(OSError):
        path.unlink()
