"""Joining segments to one video without encoding them again, with the sound in one piece."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import RenderError
from syncvid.media.encode import SOUND_RATE, EncodeSettings
from syncvid.media.errors import media_errors
from syncvid.progress import SILENT, Progress
from syncvid.sources import SoundSource
from syncvid.timeline import FrameRate, to_samples

# The index first; and lengths in the edit lists counted in samples, not rounded to milliseconds.
_MUXER = {"movflags": "+faststart", "movie_timescale": str(SOUND_RATE)}

# Sound is read and encoded in blocks of this length.
_BLOCK_S = 5.0


def join_segments(
    segments: Sequence[tuple[Path, int]],
    out: Path,
    *,
    sound: SoundSource,
    duration_s: float,
    frame_rate: FrameRate,
    settings: EncodeSettings,
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
        Its second 0 lies at the video's second 0, to the sample.
    duration_s : float
        Length of the sound.
    frame_rate : Fraction
        Pictures per second of the segments.
    settings : EncodeSettings
        Bit rate of the sound.
    progress : Progress
        Told about every segment.

    Raises
    ------
    RenderError
        Segments that do not fit together.
    MediaError
        A segment cannot be read, or the video cannot be written.
    """
    part = out.with_name(f".{out.name}.part")
    try:
        with (
            media_errors(out, doing="write"),
            av.open(os.path.abspath(part), "w", format="mp4", options=_MUXER) as container,
        ):
            _write_streams(container, segments, sound, duration_s, frame_rate, settings, progress)
        with media_errors(out, doing="write"):
            os.replace(part, out)
    finally:
        # On a disk that cannot be written there is nothing to remove, and the error says so.
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def _write_streams(
    container: Any,
    segments: Sequence[tuple[Path, int]],
    sound: SoundSource,
    duration_s: float,
    frame_rate: FrameRate,
    settings: EncodeSettings,
    progress: Progress,
) -> None:
    """Copy the pictures and encode the sound, side by side."""
    with _open_segment(segments[0][0]) as first:
        template = first.streams.video[0]
        header = bytes(template.codec_context.extradata or b"")
        pictures = container.add_stream_from_template(template)
    pictures.time_base = Fraction(1) / frame_rate
    voice = _SoundWriter(container, sound, duration_s, settings)
    begin = 0
    for index, (path, count) in enumerate(segments):
        progress.advance(index, len(segments), "joining")
        for packet in _packets(path, header, begin, count, frame_rate):
            packet.stream = pictures
            container.mux(packet)
        begin += count
        voice.write_until(float(begin / frame_rate))
    voice.finish()
    progress.advance(1, 1, "joining")


def _open_segment(path: Path) -> Any:
    """Open a segment for reading."""
    with media_errors(path):
        return av.open(os.path.abspath(path))


def _packets(
    path: Path, header: bytes, begin: int, count: int, frame_rate: FrameRate
) -> Iterator[Any]:
    """Yield a segment's packets, counted in pictures from the start of the video."""
    tick, found = Fraction(1) / frame_rate, 0
    with _open_segment(path) as container:
        stream = container.streams.video[0]
        if bytes(stream.codec_context.extradata or b"") != header:
            raise RenderError(
                "Two segments of the video were encoded in different ways.",
                where=str(path),
                fix="Delete that file and render again.",
            )
        for packet in container.demux(stream):
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


class _SoundWriter:
    """Encodes the sound of a video, as far as it is wanted at the time."""

    def __init__(
        self, container: Any, sound: SoundSource, duration_s: float, settings: EncodeSettings
    ) -> None:
        self._container, self._sound, self._duration_s = container, sound, duration_s
        self._at_s = 0.0
        self._stream = container.add_stream("aac", rate=SOUND_RATE, layout="stereo")
        self._stream.codec_context.bit_rate = settings.sound_kbps * 1000

    def write_until(self, time_s: float) -> None:
        """Encode up to a moment, block by block."""
        while self._at_s < min(time_s, self._duration_s):
            to_s = min(self._at_s + _BLOCK_S, self._duration_s)
            self._encode(_stereo(self._sound.read(self._at_s, to_s, SOUND_RATE)))
            self._at_s = to_s

    def finish(self) -> None:
        """Encode the rest."""
        self.write_until(self._duration_s)
        self._container.mux(self._stream.encode(None))

    def _encode(self, samples: Audio) -> None:
        """Encode one block; its place follows from the samples before it."""
        block = av.AudioFrame.from_ndarray(samples, format="fltp", layout="stereo")
        block.sample_rate = SOUND_RATE
        block.time_base = Fraction(1, SOUND_RATE)
        block.pts = to_samples(self._at_s, SOUND_RATE)
        self._container.mux(self._stream.encode(block))


def _stereo(samples: Audio) -> Audio:
    """Return two channels: one is doubled, more than two are mixed down."""
    if samples.shape[0] > 2:
        samples = samples.mean(axis=0, keepdims=True, dtype=np.float32)
    if samples.shape[0] == 1:
        samples = np.repeat(samples, 2, axis=0)
    return np.ascontiguousarray(samples, dtype=np.float32)
