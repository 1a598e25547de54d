"""Doing the same for many clips, side by side."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from typing import Protocol, TypeVar

from syncvid.arrays import Audio, give_back_memory
from syncvid.progress import Progress

Item = TypeVar("Item")
Result = TypeVar("Result")


class Clip(Protocol):
    """A clip whose sound can be asked for, as often as needed."""

    @property
    def name(self) -> str:
        """What to call it in messages: part and take, or the file."""

    @property
    def part(self) -> str:
        """What tells takes of one part by one player from others; empty if nobody knows."""

    @property
    def samples(self) -> Audio:
        """Mono sound at `ANALYSIS_RATE`, shape (samples,); the first sample is clip time 0."""


def spread(
    task: Callable[[Item], Result],
    items: Sequence[Item],
    progress: Progress,
    workers: Executor | None,
    note: str = "finding the places",
) -> list[Result]:
    """Do a task for each item, in order, over the workers if there are any.

    Parameters
    ----------
    task : callable
        What to do.
    items : sequence
        With what.
    progress : Progress
        Told after each item.
    workers : concurrent.futures.Executor or None
        Threads over which the items are spread.
    note : str
        What is going on.

    Returns
    -------
    list
        One result for each item.
    """
    results = []
    for result in map(task, items) if workers is None else workers.map(task, items):
        results.append(result)
        give_back_memory()
        progress.advance(len(results), len(items), note)
    return results
