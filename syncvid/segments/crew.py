"""Spreading segments over lanes: contiguous stretches, so that clips are read on and seldom sought.

Each lane starts with a stretch of its own.  A lane that has finished takes over the latter half of
the longest stretch that is left.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from dataclasses import dataclass
from pathlib import Path

from syncvid.progress import Progress
from syncvid.segments.beacon import Beacon
from syncvid.segments.painting import ClipFailed
from syncvid.segments.worker import SegmentJob, Target, render_segment

# How often progress is told, and the wish to stop is asked for.
_POLL_S = 0.1

# How long workers may take to notice that they are to stop.
_STOP_S = 0.6


@dataclass(frozen=True, slots=True)
class Failure:
    """Why a crew could not finish.

    Attributes
    ----------
    suspects : tuple of (int, int)
        Tile and piece of the clips that were in a decoder when a process died.
    path : str
        The clip that says by itself that it cannot be decoded; or empty.
    reason : str
        What happened.
    """

    suspects: tuple[tuple[int, int], ...]
    path: str
    reason: str


@dataclass(frozen=True, slots=True)
class Batch:
    """The same stretch of music for one output or more.

    Attributes
    ----------
    group : int
        Which group of compositions it belongs to.
    targets : tuple of Target
        The files to be made.
    """

    group: int
    targets: tuple[Target, ...]

    @property
    def count(self) -> int:
        """How many pictures are to be encoded."""
        return sum(target.segment.count for target in self.targets)


@dataclass
class _Post:
    """One lane with its beacon, its stretch, and the task it is at."""

    lane: Executor
    path: Path
    beacon: Beacon
    stretch: deque[Batch]
    task: Future[None] | None = None


class Crew:
    """Lanes at work on the segments of one render.

    Parameters
    ----------
    lanes : sequence of Executor
        One or more; the same one may appear several times.
    folder : Path
        For the beacons.
    tiles : int
        Number of tiles.
    make_job : callable
        Turns a batch and a beacon's path into a `SegmentJob`.
    """

    def __init__(
        self,
        lanes: Sequence[Executor],
        folder: Path,
        tiles: int,
        make_job: Callable[[Batch, Path], SegmentJob],
    ) -> None:
        self._make_job = make_job
        self._posts = []
        for index, lane in enumerate(lanes):
            path = folder / f"lane{index}"
            self._posts.append(_Post(lane, path, Beacon.create(path, tiles), deque()))

    def work(
        self, batches: Sequence[Batch], progress: Progress, done: int, total: int
    ) -> Failure | None:
        """Render batches.

        Parameters
        ----------
        batches : sequence of Batch
            What is to be rendered, in the order of time.
        progress : Progress
            Told how many of all pictures are done.
        done, total : int
            Pictures that are there already, and of the whole video.

        Returns
        -------
        Failure or None
            None when all is done.

        Raises
        ------
        Cancelled
            The user wishes to stop; the workers have stopped.
        MediaError, RenderError
            A segment cannot be encoded or written.
        """
        share = len(batches) / len(self._posts)
        for index, post in enumerate(self._posts):
            post.stretch.extend(batches[round(index * share) : round((index + 1) * share)])
        try:
            return self._work_on(progress, done, total)
        finally:
            self._stop()

    def _work_on(self, progress: Progress, done: int, total: int) -> Failure | None:
        """Keep every lane at work until nothing is left, or something fails."""
        while self._hand_out():
            tasks = {post.task: post for post in self._posts if post.task is not None}
            finished, _ = wait(tasks, timeout=_POLL_S, return_when=FIRST_COMPLETED)
            for task in finished:
                post = tasks[task]
                try:
                    task.result()
                except ClipFailed as exc:
                    return Failure((), exc.path, exc.reason)
                except BrokenExecutor as exc:
                    return Failure(tuple(post.beacon.busy()), "", str(exc))
                done += post.beacon.pictures
                post.beacon.clear()
                post.task = None
            under_way = sum(post.beacon.pictures for post in self._posts)
            progress.advance(done + under_way, total, f"picture {done + under_way} of {total}")
        return None

    def _hand_out(self) -> bool:
        """Give every idle lane its next segment; False when all is done."""
        for post in self._posts:
            if post.task is not None:
                continue
            if not post.stretch:
                self._take_over(post)
            if post.stretch:
                job = self._make_job(post.stretch.popleft(), post.path)
                try:
                    post.task = post.lane.submit(render_segment, job)
                except BrokenExecutor as exc:
                    post.task = Future()
                    post.task.set_exception(exc)
        return any(post.task is not None for post in self._posts)

    def _take_over(self, post: _Post) -> None:
        """Let an idle lane take the latter half of the longest stretch that is left."""
        longest = max(self._posts, key=lambda other: len(other.stretch))
        for _ in range((len(longest.stretch) + 1) // 2):
            post.stretch.appendleft(longest.stretch.pop())

    def _stop(self) -> None:
        """Ask everybody to stop, wait a moment, and fold the beacons."""
        tasks = [post.task for post in self._posts if post.task is not None]
        for post in self._posts:
            post.beacon.ask_to_stop()
        for task in tasks:
            task.cancel()
        wait(tasks, timeout=_STOP_S)
        for post in self._posts:
            post.beacon.close()
