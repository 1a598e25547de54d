"""Processes that tests started."""

from __future__ import annotations

from collections.abc import Sequence

import psutil


def still_at_work(processes: Sequence[psutil.Process], within_s: float = 2.0) -> list[int]:
    """Return the ids of those that have not ended after some seconds.

    One whose parent is gone may stay in the system's list until somebody asks for its exit code;
    it does nothing any more.
    """
    _, listed = psutil.wait_procs(processes, timeout=within_s)
    return [process.pid for process in listed if not _has_ended(process)]


def _has_ended(process: psutil.Process) -> bool:
    """Tell whether a listed process is only a name."""
    try:
        return bool(process.status() == psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return True
