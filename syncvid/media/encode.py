"""Writing pictures: one segment of a video, H.264 High, 4:2:0, BT.709, constant rate.

Every segment starts with a key picture and refers to nothing outside itself, so that segments can
be joined without being encoded again.
"""

from __future__ import annotations

import os
from contextlib import ExitStack
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

import av

from syncvid.arrays import Plane
from syncvid.errors import RenderError
from syncvid.media.errors import media_errors
from syncvid.media.wrapping import wrapped
from syncvid.timeline import FrameRate

SOUND_RATE = 48_000
"""Samples per second of the sound in a finished video."""

ENCODER = f"libx264, av {av.__version__}"
"""What made a segment: segments of different encoders cannot be joined."""

# ITU-T H.273: BT.709 primaries, transfer and matrix; limited range.
_BT709, _LIMITED = 1, 1


@dataclass(frozen=True, slots=True)
class EncodeSettings:
    """How picture and sound are compressed.

    Attributes
    ----------
    preset : str
        Speed of the encoder, from ``ultrafast`` to ``veryslow``.  Measured: ``medium`` costs three
        times as much as ``veryfast`` and gives no smaller file at the same quality.
    crf : int
        Quality: 18 is hard to tell from the original, 28 is coarse.
    fast : bool
        Decode recordings with small errors; for previews.
    sound_kbps : int
        Bit rate of the sound, AAC stereo; 256 is far above what can be told from the original.
    sound : {"aac", "lossless"}
        How the sound is kept; without loss it is ALAC with 24 bits.
    """

    preset: str = "veryfast"
    crf: int = 20
    fast: bool = False
    sound_kbps: int = 256
    sound: Literal["aac", "lossless"] = "aac"

    def of_picture(self) -> dict[str, object]:
        """Return what the pictures depend on: by this, segments are known again."""
        return {"preset": self.preset, "crf": self.crf, "fast": self.fast}


PREVIEW_SETTINGS = EncodeSettings(preset="ultrafast", crf=25, fast=True, sound_kbps=128)
"""Quick rather than good."""


class SegmentWriter:
    """Encodes pictures one after the other into a file of their own.

    Use it in a ``with`` statement: the file is complete at its end.

    Parameters
    ----------
    path : Path
        The file to write.
    size : (int, int)
        Width and height in pixels, even.
    frame_rate : Fraction
        Pictures per second.
    settings : EncodeSettings
        Quality and speed.
    key_interval : int
        Pictures from one key picture to the next.
    threads : int
        How many the encoder may use.

    Raises
    ------
    MediaError
        The file cannot be written.
    RenderError
        The encoder does not take these settings.
    """

    def __init__(
        self,
        path: Path,
        *,
        size: tuple[int, int],
        frame_rate: FrameRate,
        settings: EncodeSettings,
        key_interval: int,
        threads: int = 1,
    ) -> None:
        self._path, self._count = path, 0
        self._tick = Fraction(1) / frame_rate
        self._closing = ExitStack()
        with media_errors(path, doing="write"):
            self._container = self._closing.enter_context(
                av.open(os.path.abspath(path), "w", format="mp4")
            )
            self._stream: Any = self._container.add_stream("libx264", rate=frame_rate)
        self._set_up(self._stream.codec_context, size, settings, key_interval, threads)

    def write(self, pixels: Plane) -> None:
        """Encode one picture, shape (height * 3 / 2, width); the array may then be used again."""
        picture = wrapped(pixels)
        picture.pts, picture.time_base = self._count, self._tick
        picture.colorspace, picture.color_range = _BT709, _LIMITED
        self._count += 1
        self._mux(picture)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if kind is None:
                self._mux(None)
        finally:
            with media_errors(self._path, doing="write"):
                self._closing.close()

    def _set_up(
        self,
        context: Any,
        size: tuple[int, int],
        settings: EncodeSettings,
        key_interval: int,
        threads: int,
    ) -> None:
        """Tell the encoder what is wanted, and open it."""
        context.width, context.height = size
        context.pix_fmt = "yuv420p"
        context.time_base = self._tick
        context.thread_count = threads
        context.gop_size = key_interval
        context.color_primaries = context.color_trc = context.colorspace = _BT709
        context.color_range = _LIMITED
        context.options = {
            "preset": settings.preset,
            "crf": str(settings.crf),
            "profile": "high",
            "x264-params": f"keyint={key_interval}:open-gop=0",
        }
        try:
            context.open()
        except av.FFmpegError as exc:
            self._closing.close()
            raise RenderError(
                f"The encoder does not take {size[0]}x{size[1]} at preset {settings.preset!r}, "
                f"quality {settings.crf}: {exc.strerror}."
            ) from exc

    def _mux(self, picture: Any) -> None:
        """Encode a picture, or what is left with None, and write what comes out."""
        with media_errors(self._path, doing="write"):
            for packet in self._stream.encode(picture):
                self._container.mux(packet)
