"""A still of the video as a PNG or JPEG file, in the colours that the video shows."""

from __future__ import annotations

import contextlib
import os
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Plane, Planes
from syncvid.errors import MediaError
from syncvid.media.errors import media_errors

# Recommendation ITU-R BT.709-6, item 3.2: luma of red and blue; green makes up the rest.
_RED, _BLUE = 0.2126, 0.0722

# The same, item 4.6: luma from 16 on in 219 steps, colour differences around 128 in 224.
_BLACK, _LUMA_STEPS, _GREY, _CHROMA_STEPS = 16, 219, 128, 224

# JPEG's own quality steps, 1 to 31, in units of 118; at 1 no loss is seen, not even in noise.
_JPEG_OPTIONS = {"flags": "+qscale", "global_quality": "118", "qmin": "1"}


def write_still(planes: Planes, path: Path, *, comment: str = "") -> None:
    """Write one picture of the video as a file.

    Parameters
    ----------
    planes : Planes
        The picture, 4:2:0, BT.709, limited range.
    path : Path
        Ends with .png (no loss), .jpg or .jpeg; appears only when it is whole.
    comment : str
        Kept in a JPEG file, in its head.

    Raises
    ------
    MediaError
        Another ending, or the file cannot be written.
    """
    encode = _ENCODERS.get(path.suffix.lower())
    if encode is None:
        raise MediaError(
            "A still is a PNG or JPEG file.",
            where=str(path),
            fix=f"Write {path.stem}.png or {path.stem}.jpg.",
        )
    part = path.with_name(f".{path.name}.part")
    try:
        with media_errors(path, doing="write"):
            data = encode(planes_to_rgb(planes))
            part.write_bytes(_commented(data, comment) if encode is _jpeg and comment else data)
            os.replace(part, path)
    finally:
        # On a disk that cannot be written there is nothing to remove, and the error says so.
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def planes_to_rgb(planes: Planes) -> NDArray[np.uint8]:
    """Convert a picture to R, G, B, shape (height, width, 3), full range.

    References
    ----------
    Recommendation ITU-R BT.709-6, items 3.2 to 3.5 and 4.6.

    Examples
    --------
    >>> luma, small = np.full((2, 2), 63, np.uint8), np.ones((1, 1), np.uint8)
    >>> planes_to_rgb((luma, 102 * small, 240 * small))[0, 0].tolist()
    [255, 1, 0]
    """
    luma = (planes[0].astype(np.float32) - _BLACK) / _LUMA_STEPS
    from_blue, from_red = (
        (_full_size(plane) - _GREY) / _CHROMA_STEPS for plane in (planes[1], planes[2])
    )
    red = luma + 2 * (1 - _RED) * from_red
    blue = luma + 2 * (1 - _BLUE) * from_blue
    green = (luma - _RED * red - _BLUE * blue) / (1 - _RED - _BLUE)
    return _bytes(255 * np.stack((red, green, blue), axis=2))


def _full_size(plane: Plane) -> NDArray[np.float32]:
    """Double a chroma plane's size.

    H.264 places chroma samples on the first of each two columns and between each two rows (ITU-T
    H.264, figure E-1, type 0, which holds where a file says nothing).
    """
    around = np.pad(plane.astype(np.float32), ((1, 1), (0, 1)), mode="edge")
    middle, above, below = around[1:-1], around[:-2], around[2:]
    rows = np.stack(((3 * middle + above) / 4, (3 * middle + below) / 4), axis=1)
    rows = rows.reshape(2 * plane.shape[0], -1)
    columns = np.stack((rows[:, :-1], (rows[:, :-1] + rows[:, 1:]) / 2), axis=2)
    return np.asarray(columns.reshape(rows.shape[0], -1), dtype=np.float32)


def _png(rgb: NDArray[np.uint8]) -> bytes:
    """Return a picture as a PNG file."""
    return _encoded("png", av.VideoFrame.from_ndarray(rgb, "rgb24"), {})


def _jpeg(rgb: NDArray[np.uint8]) -> bytes:
    """Return a picture as a JPEG file, its colours at full size (ITU-T T.871, clause 7)."""
    red, green, blue = np.moveaxis(rgb.astype(np.float32), 2, 0)
    luma = 0.299 * red + 0.587 * green + 0.114 * blue
    pixels = np.stack((luma, _GREY + (blue - luma) / 1.772, _GREY + (red - luma) / 1.402))
    picture = av.VideoFrame.from_ndarray(_bytes(pixels), "yuvj444p")
    return _encoded("mjpeg", picture, _JPEG_OPTIONS)


def _commented(jpeg: bytes, comment: str) -> bytes:
    """Put a comment behind the first segment of a JPEG file (ITU-T T.81, B.2.4.5)."""
    text = comment.encode()
    behind = 4 + int.from_bytes(jpeg[4:6], "big")
    segment = b"\xff\xfe" + (len(text) + 2).to_bytes(2, "big") + text
    return jpeg[:behind] + segment + jpeg[behind:]


def _bytes(values: NDArray[Any]) -> NDArray[np.uint8]:
    """Round to whole steps of 8 bits."""
    return np.asarray(np.rint(values).clip(0, 255), dtype=np.uint8)


def _encoded(codec: str, picture: Any, options: dict[str, str]) -> bytes:
    """Encode one picture; what comes out is a whole file."""
    context: Any = av.CodecContext.create(codec, "w")
    context.width, context.height = picture.width, picture.height
    context.pix_fmt, context.time_base = picture.format.name, Fraction(1)
    context.options = options
    picture.pts, picture.time_base = 0, Fraction(1)
    return b"".join(bytes(packet) for packet in [*context.encode(picture), *context.encode(None)])


_ENCODERS = {".png": _png, ".jpg": _jpeg, ".jpeg": _jpeg}
