"""Rounded corners: the ground painted over the corners of a tile, with smooth edges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Planes
from syncvid.picture.overlay import Layer, Overlay, even_up, stack
from syncvid.picture.pieces import Rect

# Each pixel of an edge is looked at in so many places along each side.
_FINER = 8


def corner_overlays(
    rect: Rect, radius_px: float, ground: tuple[int, int, int] | Planes
) -> tuple[Overlay, ...]:
    """Return what rounds the corners of a tile: four overlays no larger than the corners.

    They are to be blended after the tile has been painted, and have to be blended again only
    where it was painted again.

    Parameters
    ----------
    rect : Rect
        The tile.
    radius_px : float
        Radius of the corners in pixels; at most half of the shorter side is used.
    ground : (int, int, int) or Planes
        What is behind the tile: a colour (Y, Cb, Cr), or the planes of the whole picture.

    Returns
    -------
    tuple of Overlay
        None for a radius under half a pixel.
    """
    radius = min(radius_px, rect.width / 2, rect.height / 2)
    if radius < 0.5:
        return ()
    side = min(even_up(radius), rect.width // 4 * 2 or 2, rect.height // 4 * 2 or 2)
    outside = _outside(radius, side)
    right, bottom = rect.x + rect.width - side, rect.y + rect.height - side
    corners = (
        (Rect(rect.x, rect.y, side, side), outside),
        (Rect(right, rect.y, side, side), outside[:, ::-1]),
        (Rect(rect.x, bottom, side, side), outside[::-1]),
        (Rect(right, bottom, side, side), outside[::-1, ::-1]),
    )
    return tuple(stack(corner, _layer(corner, mask, ground)) for corner, mask in corners)


def _outside(radius: float, side: int) -> NDArray[np.float64]:
    """Return how much of each pixel of an upper left corner lies outside its quarter of a circle.

    The centre lies at (radius, radius).
    """
    places = (np.arange(side * _FINER) + 0.5) / _FINER
    away = np.maximum(radius - places, 0.0) ** 2
    out = (away[:, None] + away[None, :]) > radius**2
    return np.asarray(out.reshape(side, _FINER, side, _FINER).mean(axis=(1, 3)))


def _layer(rect: Rect, mask: NDArray[np.float64], ground: tuple[int, int, int] | Planes) -> Layer:
    """Return the ground under a mask."""
    if isinstance(ground[0], int):
        return mask, ground
    luma, u, v = ground
    rows = slice(rect.y // 2, (rect.y + rect.height) // 2)
    columns = slice(rect.x // 2, (rect.x + rect.width) // 2)
    part = luma[rect.y : rect.y + rect.height, rect.x : rect.x + rect.width]
    return mask, (part, u[rows, columns], v[rows, columns])
