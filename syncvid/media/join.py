"""Joining segments to one video without encoding them again, with the sound in one piece."""

from __future__ import annotations

import contextlib
import math
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av

from syncvid.errors import RenderError
from syncvid.media.check_sound import SoundCheck, measure_file
from syncvid.media.encode import SOUND_RATE, EncodeSettings
from syncvid.media.errors import media_errors
from syncvid.media.labels import NO_LABELS, Labels, write_labels
from syncvid.media.sound_place import PlacedSound
from syncvid.media.sound_track import SoundTrack
from syncvid.progress import SILENT, Progress
from syncvid.sources import SoundSource
from syncvid.timeline import FrameRate, picture_start_s

# The encoder of AAC rounds towards silence: measured at 256 kbit/s, music loses 0.01 LU, but noise
# from 0.2 to 0.7.  What is off by more than this is given back by encoding once more.
_FORGIVEN_LU = 0.05

# More than this is no rounding, and better told than mended.
_MOST_TRIM_DB = 1.0

# Share of the progress that goes to the first writing; a second one is rare.
_FIRST_SHARE = 0.8


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
    progress: Progress = SILENT,
) -> SoundCheck:
    """Write the finished video.

    The file appears under its name only when it is whole; its index comes first, so that it starts
    to play before it is loaded to the end.  The sound that was written is as loud as the one that
    was given: it is decoded and measured, and what the encoder took away is given back.

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
    progress : Progress
        Told about every segment.

    Returns
    -------
    SoundCheck
        Peak and loudness of what was written; its sentences are for the user.

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
    film = _Film(segments, placed, frame_rate, settings, sample_rate, labels)
    part = out.with_name(f".{out.name}.part")
    try:
        with media_errors(out, doing="write"):
            check = _write(film, part, 0.0, progress.part(_FIRST_SHARE))
            trim_db = -check.louder_lu
            if settings.sound != "lossless" and _FORGIVEN_LU < abs(trim_db) <= _MOST_TRIM_DB:
                check = _write(film, part, trim_db, progress.part(1.0 - _FIRST_SHARE))
            os.replace(part, out)
    finally:
        # On a disk that cannot be written there is nothing to remove, and the error says so.
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    progress.advance(1, 1, "joining")
    return check


@dataclass(frozen=True, slots=True)
class _Film:
    """What a video is joined from; see `join_segments`."""

    segments: Sequence[tuple[Path, int]]
    sound: PlacedSound
    frame_rate: FrameRate
    settings: EncodeSettings
    sample_rate: int
    labels: Labels


def _write(film: _Film, part: Path, gain_db: float, progress: Progress) -> SoundCheck:
    """Write the whole video, its sound at a gain, and measure what has become of it."""
    # The index first; lengths in the edit lists counted in samples, not rounded to milliseconds.
    muxer = {"movflags": "+faststart", "movie_timescale": str(film.sample_rate)}
    with av.open(os.path.abspath(part), "w", format="mp4", options=muxer) as container:
        write_labels(container, film.labels, film.sound.duration_s)
        pictures = _add_pictures(container, film.segments[0][0], film.frame_rate)
        track = SoundTrack(container, film.sound, film.settings, film.sample_rate, gain_db)
        _write_streams(container, film, pictures, track, progress)
    return SoundCheck(written=measure_file(part), given=track.figures())


def _add_pictures(container: Any, first: Path, frame_rate: FrameRate) -> Any:
    """Return a new stream for pictures encoded as in a segment."""
    with _open_segment(first) as segment:
        stream = container.add_stream_from_template(segment.streams.video[0])
    stream.time_base = Fraction(1) / frame_rate
    return stream


def _write_streams(
    container: Any, film: _Film, pictures: Any, track: SoundTrack, progress: Progress
) -> None:
    """Copy the pictures and encode the sound, side by side."""
    header, begin = None, 0
    for index, (path, count) in enumerate(film.segments):
        progress.advance(index, len(film.segments), "joining")
        with _open_segment(path) as segment:
            header = header or _header(segment)
            for packet in _packets(path, segment, header, begin, count, film.frame_rate):
                packet.stream = pictures
                container.mux(packet)
        begin += count
        track.write_until(picture_start_s(begin, film.frame_rate))
    track.finish()


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
