"""One output picture, yuv420p, on which tiles are placed: all in whole numbers, nothing in RGB."""

from __future__ import annotations

import numpy as np

from syncvid.arrays import Plane, Planes
from syncvid.picture.overlay import Overlay
from syncvid.picture.pieces import Rect

_WHOLE = 256


class Canvas:
    """A picture in memory that is painted over from one output picture to the next.

    Parameters
    ----------
    width, height : int
        Size in pixels, even.

    Attributes
    ----------
    pixels : ndarray, shape (height * 3 / 2, width), uint8
        Y, then U, then V, as encoders take it.
    planes : Planes
        Views of it.
    """

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self.pixels: Plane = np.zeros((height * 3 // 2, width), np.uint8)
        flat = self.pixels.reshape(-1)
        luma, chroma = width * height, width * height // 4
        self.planes: Planes = (
            flat[:luma].reshape(height, width),
            flat[luma : luma + chroma].reshape(height // 2, width // 2),
            flat[luma + chroma :].reshape(height // 2, width // 2),
        )

    def fill(self, rect: Rect, colour: tuple[int, int, int]) -> None:
        """Paint a rectangle in one colour (Y, Cb, Cr)."""
        for part, value in zip(self._parts(rect), colour, strict=True):
            part[:] = value

    def put(self, rect: Rect, planes: Planes) -> None:
        """Copy a picture of the rectangle's size."""
        for part, plane in zip(self._parts(rect), planes, strict=True):
            part[:] = plane

    def blend(self, overlay: Overlay, share: float = 1.0) -> None:
        """Lay an overlay over what is there.

        Parameters
        ----------
        overlay : Overlay
            A name, words, corners.
        share : float
            How far it has faded in, 0 to 1, in steps of 1/256; at 0 nothing is touched.
        """
        weight = np.uint16(round(share * _WHOLE))
        if not weight:
            return
        rest = np.uint16(_WHOLE - weight)
        parts = self._parts(overlay.rect)
        for part, keep, add in zip(parts, overlay.keep, overlay.add, strict=True):
            laid = (part * keep + add) >> 8
            part[:] = (part * rest + laid * weight + np.uint16(_WHOLE // 2)) >> 8 if rest else laid

    def dissolve(self, rect: Rect, planes: Planes, share: float) -> None:
        """Mix a picture of the rectangle's size over what is there; at share 1 it replaces it."""
        weight = np.uint16(round(share * _WHOLE))
        rest = np.uint16(_WHOLE - weight)
        for part, plane in zip(self._parts(rect), planes, strict=True):
            part[:] = (part * rest + plane * weight + np.uint16(_WHOLE // 2)) >> 8

    def mix(self, below: Canvas, above: Canvas, share: float) -> None:
        """Become the mixture of two canvases of the same size; share 1 is the one above."""
        self.pixels[:] = below.pixels
        if share > 0.0:
            self.dissolve(Rect(0, 0, self.width, self.height), above.planes, share)

    def _parts(self, rect: Rect) -> Planes:
        """Return the views of a rectangle in the three planes."""
        return part_of(self.planes, rect)


def part_of(planes: Planes, rect: Rect) -> Planes:
    """Return the views of a rectangle in the planes of a whole picture."""
    luma, u, v = planes
    rows = slice(rect.y // 2, (rect.y + rect.height) // 2)
    columns = slice(rect.x // 2, (rect.x + rect.width) // 2)
    whole = luma[rect.y : rect.y + rect.height, rect.x : rect.x + rect.width]
    return whole, u[rows, columns], v[rows, columns]
