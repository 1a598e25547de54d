"""Joining segments to one video without encoding them again, with the sound in one piece."""

from __future__ import annotations

import contextlib
import math
import os
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av

from syncvid.arrays import Audio
from syncvid.errors import RenderError
from syncvid.media.encode import SOUND_RATE, EncodeSettings
from syncvid.media.errors import media_errors
from syncvid.media.labels import NO_LABELS, Labels, write_labels
from syncvid.media.sound_place import PlacedSound
from syncvid.media.sound_track import SoundTrack
from syncvid.progress import SILENT, Progress
from syncvid.sources import SoundSource
from syncvid.timeline import FrameRate


def join_segments(
    segments: Sequence[tuple[Path, int]],
    out: Path,
    *,
    sound: SoundSource,
    duration_s: float,
    frame_rate: FrameRate,
    settings: EncodeSettings,
    sound_at_s: float = 0.0,
    sound_from_s: float = 0.0,
    sound_to_s: float = math.inf,
    sample_rate: int = SOUND_RATE,
    labels: Labels = NO_LABELS,
    listener: Callable[[Audio], None] | None = None,
    progress: Progress = SILENT,
) -> None:
    """Write the finished video.

    The file appears under its name only when it is whole; its index comes first, so that it starts
    to play before it is loaded to the end.

    Parameters
    ----------
    segments : sequence of (Path, int)
        Files of `syncvid.media.encode.SegmentWriter` in order, each with its number of pictures.
    out : Path
        The video to write, MP4.
    sound : SoundSource
        Silence is put before and after it where the video is longer.
    duration_s : float
        Length of the video's sound.
    frame_rate : Fraction
        Pictures per second of the segments.
    settings : EncodeSettings
        How the sound is kept.
    sound_at_s : float
        Second of the video at which the sound begins, to the sample; 0 or more.
    sound_from_s, sound_to_s : float
        The stretch of the sound that is heard, in its own seconds: an excerpt fades over a few
        milliseconds where the music was cut.
    sample_rate : int
        Of the video's sound, in Hz.
    labels : Labels
        Title, comment and chapters.
    listener : callable or None
        Handed the sound as it goes to the encoder, block by block, shape (2, samples): for
        `syncvid.media.check_sound.SoundMeter`.
    progress : Progress
        Told about every segment.

    Raises
    ------
    RenderError
        Segments that do not fit together.
    MediaError
        A segment cannot be read, or the video cannot be written.
    """
    placed = PlacedSound(
        sound, duration_s=duration_s, at_s=sound_at_s, from_s=sound_from_s, to_s=sound_to_s
    )
    part = out.with_name(f".{out.name}.part")
    # The index first; lengths in the edit lists counted in samples, not rounded to milliseconds.
    muxer = {"movflags": "+faststart", "movie_timescale": str(sample_rate)}
    try:
        with (
            media_errors(out, doing="write"),
            av.open(os.path.abspath(part), "w", format="mp4", options=muxer) as container,
        ):
            write_labels(container, labels, duration_s)
            pictures = _add_pictures(container, segments[0][0], frame_rate)
            track = SoundTrack(
                container, placed, settings, sample_rate=sample_rate, listener=listener
            )
            _write_streams(container, segments, pictures, track, frame_rate, progress)
        with media_errors(out, doing="write"):
            os.replace(part, out)
    finally:
        # On a disk that cannot be written there is nothing to remove, and the error says so.
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def _add_pictures(container: Any, first: Path, frame_rate: FrameRate) -> Any:
    """Return a new stream for pictures encoded as in a segment."""
    with _open_segment(first) as segment:
        stream = container.add_stream_from_template(segment.streams.video[0])
    stream.time_base = Fraction(1) / frame_rate
    return stream


def _write_streams(
    container: Any,
    segments: Sequence[tuple[Path, int]],
    pictures: Any,
    track: SoundTrack,
    frame_rate: FrameRate,
    progress: Progress,
) -> None:
    """Copy the pictures and encode the sound, side by side."""
    header, begin = None, 0
    for index, (path, count) in enumerate(segments):
        progress.advance(index, len(segments), "joining")
        with _open_segment(path) as segment:
            header = header or _header(segment)
            for packet in _packets(path, segment, header, begin, count, frame_rate):
                packet.stream = pictures
                container.mux(packet)
        begin += count
        track.write_until(float(begin / frame_rate))
    track.finish()
    progress.advance(1, 1, "joining")


def _header(segment: Any) -> bytes:
    """Return what a decoder must know before the pictures of a segment."""
    return bytes(segment.streams.video[0].codec_context.extradata or b"")


def _open_segment(path: Path) -> Any:
    """Open a segment for reading."""
    with media_errors(path):
        return av.open(os.path.abspath(path))


def _packets(
    path: Path, segment: Any, header: bytes, begin: int, count: int, frame_rate: FrameRate
) -> Iterator[Any]:
    """Yield a segment's packets, counted in pictures from the start of the video."""
    tick, found = Fraction(1) / frame_rate, 0
    if _header(segment) != header:
        raise RenderError(
            "Two segments of the video were encoded in different ways.",
            where=str(path),
            fix="Delete that file and render again.",
        )
    for packet in segment.demux(video=0):
        if packet.pts is None or packet.dts is None:
            continue
        base = Fraction(packet.time_base) / tick
        packet.pts = begin + round(packet.pts * base)
        packet.dts = begin + round(packet.dts * base)
        packet.duration = 1
        packet.time_base = tick
        found += 1
        yield packet
    if found != count:
        raise RenderError(
            f"A segment of the video holds {found} pictures instead of {count}.",
            where=str(path),
            fix="Delete that file and render again.",
        )
