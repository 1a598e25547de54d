"""Pictures as JPEG data in memory, for the tile cache: planes in, planes out, nothing through RGB.

The data hold BT.709 in limited range as it comes: only this module reads what it wrote.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import av
import numpy as np
from av.video.reformatter import Interpolation, VideoReformatter

from syncvid.arrays import Plane, Planes
from syncvid.errors import MediaError
from syncvid.media.wrapping import wrapped

# Quantiser scale of the encoder, 2 (fine) to 31.  Measured on a 640x360 tile with camera noise:
# 16 kB and 46.2 dB at 2, 10 kB and 44.8 dB at 4, in two thirds of the time.  Of nine noisy tiles
# made smaller again, the video is like one from the originals to an SSIM of 0.99.
_QUALITY = 4

# libavcodec's FF_QP2LAMBDA: one step of the quantiser in the unit of `global_quality`.
_LAMBDA = 118


class JpegWriter:
    """Encodes pictures of one size.

    Parameters
    ----------
    width, height : int
        In pixels, even.
    """

    def __init__(self, width: int, height: int) -> None:
        context: Any = av.CodecContext.create("mjpeg", "w")
        context.width, context.height, context.pix_fmt = width, height, "yuv420p"
        context.time_base, context.framerate = Fraction(1, 30), Fraction(30)
        context.thread_count, context.color_range = 1, 1
        context.options = {
            # Limited range is no standard JPEG; it is read here alone.
            "strict": "unofficial",
            "flags": "+qscale",
            "global_quality": str(_QUALITY * _LAMBDA),
            "qmin": str(_QUALITY),
            "qmax": str(_QUALITY),
            # Tables made for each picture save a seventh of the room and cost a third of the time.
            "huffman": "default",
        }
        self._context, self._count = context, 0
        self._pixels: Plane = np.empty((height * 3 // 2, width), np.uint8)

    def encode(self, planes: Planes) -> bytes:
        """Return the data of one picture."""
        height, width = planes[0].shape
        flat = self._pixels.reshape(-1)
        luma, chroma = width * height, width * height // 4
        self._pixels[:height] = planes[0]
        flat[luma : luma + chroma].reshape(height // 2, width // 2)[:] = planes[1]
        flat[luma + chroma :].reshape(height // 2, width // 2)[:] = planes[2]
        picture = wrapped(self._pixels)
        picture.pts, picture.color_range = self._count, 1
        self._count += 1
        return b"".join(bytes(packet) for packet in self._context.encode(picture))


class JpegReader:
    """Decodes what `JpegWriter` wrote; one for each thread."""

    def __init__(self) -> None:
        self._context: Any = None
        self._size = (0, 0)
        self._reformatter = VideoReformatter()

    def decode(self, data: bytes, kept: tuple[int, int], wanted: tuple[int, int]) -> Planes:
        """Return a picture's planes, scaled down to the wanted size.

        Parameters
        ----------
        data : bytes
            From `JpegWriter.encode`.
        kept, wanted : (int, int)
            Width and height of the data, and of what is wanted.

        Raises
        ------
        MediaError
            The data are damaged.
        """
        if self._context is None or self._size != kept:
            self._context, self._size = av.CodecContext.create("mjpeg", "r"), kept
            self._context.thread_count = 1
        try:
            (picture,) = self._context.decode(av.Packet(data))
        except (av.FFmpegError, ValueError) as exc:
            raise MediaError("A kept tile is damaged.", fix="Delete the folder `work`.") from exc
        if kept != wanted:
            # The same format in and out: the range must stay as it is.
            picture = self._reformatter.reformat(
                picture,
                width=wanted[0],
                height=wanted[1],
                format=picture.format.name,
                interpolation=Interpolation.AREA,
                threads=1,
            )
        luma, u, v = (_plane(plane) for plane in picture.planes)
        return luma, u, v


def _plane(plane: Any) -> Plane:
    """Return a plane without its padding; a view that keeps the picture alive."""
    rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
    return rows[: plane.height, : plane.width]
