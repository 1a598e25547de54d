"""Progress as plain data, and the wish to stop.

A step is handed a `Progress`; it advances it and splits it into weighted parts.  Whoever started
the step gives a sink that receives `Event` records and draws, prints or ignores them.  Reporting
also asks whether the user wants to stop, and raises `Cancelled` if so.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

from syncvid.errors import Cancelled


@dataclass(frozen=True, slots=True)
class Event:
    """How far a step has come.

    Attributes
    ----------
    fraction : float
        Share of the whole step that is done, 0 to 1.
    note : str
        What is being done, in a few words.
    """

    fraction: float
    note: str


Sink = Callable[[Event], None]


def _ignore(event: Event) -> None:
    """Take an event and do nothing."""


class Progress:
    """One stretch of a step's progress.

    Parameters
    ----------
    sink : callable
        Receives every `Event`.
    stop : threading.Event or None
        Set by whoever wants the step to end.
    start, stretch : float
        The part of the whole that this object speaks for.
    """

    def __init__(
        self,
        sink: Sink = _ignore,
        stop: threading.Event | None = None,
        start: float = 0.0,
        stretch: float = 1.0,
    ) -> None:
        self._sink, self._stop = sink, stop
        self._start, self._stretch = start, stretch
        self._given = 0.0

    def advance(self, done: float, total: float, note: str = "") -> None:
        """Report `done` of `total`; raises `Cancelled` if the user asked to stop."""
        self.check()
        share = min(1.0, done / total) if total > 0 else 1.0
        self._sink(Event(self._start + self._stretch * share, note))

    def part(self, weight: float) -> Progress:
        """Return the progress of the next sub-job, which makes up `weight` (0 to 1) of this one."""
        weight = min(weight, 1.0 - self._given)
        start = self._start + self._stretch * self._given
        self._given += weight
        return Progress(self._sink, self._stop, start, self._stretch * weight)

    def check(self) -> None:
        """Raise `Cancelled` if the user asked to stop."""
        if self.cancelled:
            raise Cancelled

    @property
    def cancelled(self) -> bool:
        """Whether the user asked to stop."""
        return self._stop is not None and self._stop.is_set()


SILENT = Progress()
"""Reports to nobody and is never cancelled."""
