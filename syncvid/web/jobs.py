"""Long work for a page: one job after the other in a thread, each of which can be stopped.

A job is plain data to whoever looks at it: its state in a word, how far it is, what it is doing.
"""

from __future__ import annotations

import itertools
import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from syncvid.errors import Cancelled, SyncvidError
from syncvid.progress import Event, Progress

State = Literal["waiting", "working", "done", "failed", "stopped"]

Work = Callable[[Progress], str]


@dataclass(slots=True)
class Job:
    """One piece of work.

    Attributes
    ----------
    number : int
        By which it is asked for.
    name : str
        What it is.
    state : str
        ``waiting``, ``working``, ``done``, ``failed`` or ``stopped``.
    fraction : float
        Share that is done, 0 to 1.
    note : str
        What is being done; at the end, what came of it.
    """

    number: int
    name: str
    state: State = "waiting"
    fraction: float = 0.0
    note: str = ""
    _stop: threading.Event = field(default_factory=threading.Event, repr=False)
    _ended: threading.Event = field(default_factory=threading.Event, repr=False)

    def wait(self, timeout_s: float) -> bool:
        """Wait for the job's end; tell whether it came."""
        return self._ended.wait(timeout_s)


class JobQueue:
    """Jobs in the order in which they were handed in; close it to end its thread."""

    def __init__(self) -> None:
        self._numbers = itertools.count(1)
        self._jobs: dict[int, Job] = {}
        self._queue: queue.Queue[tuple[Job, Work] | None] = queue.Queue()
        self._thread = threading.Thread(target=self._work, name="syncvid-jobs", daemon=True)
        self._thread.start()

    def hand_in(self, name: str, work: Work) -> Job:
        """Queue a piece of work; it gets a `Progress` and returns a sentence on what came of it."""
        job = Job(next(self._numbers), name)
        self._jobs[job.number] = job
        self._queue.put((job, work))
        return job

    def job(self, number: int) -> Job | None:
        """Return a job by its number, or None."""
        return self._jobs.get(number)

    def stop(self, number: int) -> None:
        """Ask a job to stop; one that waits never starts."""
        job = self._jobs.get(number)
        if job is not None:
            job._stop.set()

    def close(self) -> None:
        """Stop all jobs and end the thread."""
        for number in list(self._jobs):
            self.stop(number)
        self._queue.put(None)
        self._thread.join()

    def _work(self) -> None:
        """Do one job after the other."""
        while (entry := self._queue.get()) is not None:
            self._do(*entry)

    def _do(self, job: Job, work: Work) -> None:
        """Do one job, whatever becomes of it."""

        def listen(event: Event) -> None:
            job.fraction, job.note = event.fraction, event.note

        try:
            progress = Progress(listen, job._stop)
            progress.check()
            job.state = "working"
            job.note = work(progress)
            job.state, job.fraction = "done", 1.0
        except Cancelled:
            job.state, job.note = "stopped", "Stopped. What was done so far is kept."
        except SyncvidError as exc:
            job.state, job.note = "failed", str(exc)
        finally:
            if job.state == "working":
                job.state, job.note = "failed", "This should not happen; the log says more."
            job._ended.set()
