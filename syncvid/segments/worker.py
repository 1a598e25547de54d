"""The work of one process: render a segment, and keep the clips open for the next one."""

from __future__ import annotations

import json
import os
import threading
from dataclasses import asdict, dataclass
from pathlib import Path

from syncvid.media.encode import EncodeSettings, SegmentWriter
from syncvid.picture.composition import Composition
from syncvid.segments.beacon import Beacon
from syncvid.segments.cutting import Segment, pictures_per_segment
from syncvid.segments.painting import OpenPictures, Painter

PART_ENDING = ".part"
"""Ends the name of a file that is not whole yet."""

# More threads cost the encoder memory, and decoding is what takes the time.
_ENCODER_THREADS = 2


@dataclass(frozen=True)
class SegmentJob:
    """One segment to be rendered.

    Attributes
    ----------
    composition : Composition
        What the video shows.
    segment : Segment
        Which pictures, and where to put them.
    settings : EncodeSettings
        How to compress them.
    beacon : Path
        The lane's `Beacon`.
    threads : int
        How many threads to use.
    token : str
        Names the render, so that its unfinished files can be told from others.
    open_clip : callable
        Opens a piece's clip.
    """

    composition: Composition
    segment: Segment
    settings: EncodeSettings
    beacon: Path
    threads: int
    token: str
    open_clip: OpenPictures


class _Bench(threading.local):
    """What a worker keeps from one segment to the next; one for each thread that renders."""

    painter: Painter | None = None


_bench = _Bench()


def render_segment(job: SegmentJob) -> None:
    """Render one segment into its file, which appears only when it is whole.

    Raises
    ------
    ClipFailed
        A clip cannot be decoded at all.
    Cancelled
        The parent wishes to stop.
    MediaError, RenderError
        The file cannot be written, or the encoder fails.
    """
    target = job.segment.path
    part = target.with_name(f"{target.stem}.{job.token}.{os.getpid()}{PART_ENDING}")
    with Beacon(job.beacon) as beacon:
        beacon.clear()
        painter = _painter_for(job)
        painter.check, painter.mark = beacon.check, beacon.mark
        try:
            _write_pictures(job, painter, beacon, part)
            notes = [asdict(note) for note in painter.end_segment()]
            if notes:
                job.segment.notes_path.write_text(json.dumps(notes), "utf-8")
            os.replace(part, target)
        finally:
            part.unlink(missing_ok=True)


def release_clips() -> None:
    """Close what this process or thread keeps open."""
    if _bench.painter is not None:
        _bench.painter.close()
        _bench.painter = None


def _write_pictures(job: SegmentJob, painter: Painter, beacon: Beacon, part: Path) -> None:
    """Paint and encode the pictures of a segment."""
    composition, segment = job.composition, job.segment
    with SegmentWriter(
        part,
        size=composition.size,
        frame_rate=composition.frame_rate,
        settings=job.settings,
        key_interval=pictures_per_segment(composition.frame_rate),
        threads=min(job.threads, _ENCODER_THREADS),
    ) as writer:
        for index in range(segment.first, segment.last):
            beacon.check()
            writer.write(painter.paint(index).pixels)
            beacon.pictures = index - segment.first + 1


def _painter_for(job: SegmentJob) -> Painter:
    """Return the painter of the last segment if it paints the same composition."""
    wanted = (job.composition, job.open_clip, job.threads, job.settings.fast)
    painter = _bench.painter
    if painter is None or painter.given != wanted:
        release_clips()
        painter = _bench.painter = Painter(*wanted)
    return painter
