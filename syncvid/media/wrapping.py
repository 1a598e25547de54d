"""Wrapping a canvas, as encoders and scalers take it."""

from __future__ import annotations

from typing import Any

import av
import numpy as np

from syncvid.arrays import Plane


def wrapped(pixels: Plane) -> Any:
    """Return a 4:2:0 picture of a canvas: its own memory where that can be, otherwise a copy.

    PyAV takes heights to be multiples of four: of 354 rows it would make 352, with the colours of
    others (seen with PyAV 18.1).

    Parameters
    ----------
    pixels : ndarray, shape (height * 3 / 2, width), uint8
        Y, then U, then V, each without gaps; width and height even.

    Returns
    -------
    av.VideoFrame

    Examples
    --------
    >>> picture = wrapped(np.zeros((531, 630), np.uint8))
    >>> picture.width, picture.height
    (630, 354)
    """
    rows, width = pixels.shape
    height = rows * 2 // 3
    if height % 4 == 0:
        return av.VideoFrame.from_numpy_buffer(pixels, "yuv420p")
    picture = av.VideoFrame(width, height, "yuv420p")
    flat, begin = pixels.reshape(-1), 0
    for plane in picture.planes:
        target: Any = plane
        kept = np.frombuffer(target, np.uint8).reshape(-1, target.line_size)
        size = plane.height * plane.width
        kept[: plane.height, : plane.width] = flat[begin : begin + size].reshape(
            plane.height, plane.width
        )
        begin += size
    return picture
