"""The work of one process: render a stretch, and keep the clips open for the next one."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import NamedTuple

from syncvid.arrays import Plane
from syncvid.media.encode import EncodeSettings, SegmentWriter
from syncvid.media.errors import media_errors
from syncvid.picture.composition import Composition
from syncvid.segments.beacon import Beacon
from syncvid.segments.cutting import Segment, notes_path, pictures_per_segment
from syncvid.segments.glimpses import glimpse, keep_glimpses
from syncvid.segments.painting import Habits, Painter
from syncvid.segments.staff import memory_is_short
from syncvid.segments.tiles import TileLost

PART_ENDING = ".part"
"""Ends the name of a file that is not whole yet."""

# More threads cost the encoder memory, and decoding is what takes the time.
_ENCODER_THREADS = 2


class Target(NamedTuple):
    """One of the files that a job makes.

    Attributes
    ----------
    number : int
        Of the composition.
    segment : Segment
        Which pictures, and where to put them.
    settings : EncodeSettings
        How to compress them.
    """

    number: int
    segment: Segment
    settings: EncodeSettings


@dataclass(frozen=True)
class SegmentJob:
    """The same stretch of music, to be rendered for one composition or more.

    Attributes
    ----------
    compositions : tuple of Composition
        All that are rendered at this rate.
    targets : tuple of Target
        Those of which this stretch is missing.
    habits : Habits
        How to paint.
    beacon : Path
        The lane's `Beacon`.
    token : str
        Names the render, so that its unfinished files can be told from others.
    """

    compositions: tuple[Composition, ...]
    targets: tuple[Target, ...]
    habits: Habits
    beacon: Path
    token: str


class _Bench(threading.local):
    """What a worker keeps from one segment to the next; one for each thread that renders."""

    painter: Painter | None = None


_bench = _Bench()


def render_segment(job: SegmentJob) -> None:
    """Render one stretch into its files, each of which appears only when it is whole.

    Raises
    ------
    ClipFailed
        A clip cannot be decoded at all.
    Cancelled
        The parent wishes to stop.
    MediaError, RenderError
        A file cannot be written, or the encoder fails.
    """
    parts = [
        target.segment.path.with_name(
            f"{target.segment.path.stem}.{job.token}.{os.getpid()}{PART_ENDING}"
        )
        for target in job.targets
    ]
    with Beacon(job.beacon) as beacon:
        beacon.clear()
        painter = _painter_for(job)
        painter.check, painter.mark = beacon.check, beacon.mark
        try:
            while True:
                try:
                    seen = _write_pictures(job, painter, beacon, parts)
                    break
                except TileLost:
                    # Another file counts as not kept each time, so this comes to an end.
                    continue
            notes = [asdict(note) for note in painter.notes()]
            for target, part, maps in zip(job.targets, parts, seen, strict=True):
                segment = target.segment
                made = segment.kept_path if painter.used_kept else segment.path
                with media_errors(made, doing="write"):
                    keep_glimpses(made, maps)
                    if notes:
                        notes_path(made).write_text(json.dumps(notes), "utf-8")
                    os.replace(part, made)
            # Not before: a stretch of which tiles are kept must not be missing itself, or a render
            # that goes on after a crash would read tiles where the first one read originals.
            painter.keep_tiles(job.token)
        except BaseException:
            # Stopped in the middle of a picture, a decoder takes its file to be at its end.
            release_clips()
            raise
        finally:
            for part in parts:
                part.unlink(missing_ok=True)


def release_clips() -> None:
    """Close what this process or thread keeps open."""
    painter, _bench.painter = _bench.painter, None
    if painter is not None:
        painter.close()


def _write_pictures(
    job: SegmentJob, painter: Painter, beacon: Beacon, parts: Sequence[Path]
) -> list[list[Plane]]:
    """Paint and encode the pictures of a stretch; return a small map of each, for each target."""
    which = [target.number for target in job.targets]
    segment = job.targets[0].segment
    painter.begin_segment(segment.first, segment.last, which)
    seen: list[list[Plane]] = [[] for _ in which]
    with ExitStack() as stack:
        writers = [
            stack.enter_context(_writer(job, target, part))
            for target, part in zip(job.targets, parts, strict=True)
        ]
        for picture in range(segment.first, segment.last):
            beacon.check()
            canvases = painter.paint(picture, which)
            for writer, canvas, maps in zip(writers, canvases, seen, strict=True):
                writer.write(canvas.pixels)
                maps.append(glimpse(canvas.planes[0]))
            beacon.pictures = (picture - segment.first + 1) * len(writers)
    return seen


def _writer(job: SegmentJob, target: Target, part: Path) -> SegmentWriter:
    """Open the file of one target."""
    composition = job.compositions[target.number]
    # With so many clips the encoder has little to do, and a thread of its own costs it pictures.
    threads = 1 if memory_is_short(job.compositions) else _ENCODER_THREADS
    return SegmentWriter(
        part,
        size=composition.size,
        frame_rate=composition.frame_rate,
        settings=target.settings,
        key_interval=pictures_per_segment(composition.frame_rate),
        threads=min(job.habits.threads, threads),
    )


def _painter_for(job: SegmentJob) -> Painter:
    """Return the painter of the last stretch if it paints the same compositions."""
    painter = _bench.painter
    if painter is None or painter.given != (job.compositions, job.habits):
        release_clips()
        painter = _bench.painter = Painter(job.compositions, job.habits)
    return painter
