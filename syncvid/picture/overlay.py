"""Overlays: something that is laid over a canvas, opaque here and transparent there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Plane, Planes
from syncvid.picture.pieces import Rect

_WHOLE = 256  # one, in the fixed-point arithmetic of the blend


@dataclass(frozen=True, slots=True, eq=False)
class Overlay:
    """Something to be blended over a canvas: ``(old * keep + add) / 256`` in each plane.

    Attributes
    ----------
    rect : Rect
        Where it lies on the canvas.
    keep : tuple of ndarray, uint16, 0 to 256
        How much of Y, U and V stays; U and V share a mask of half the size.
    add : tuple of ndarray, uint16
        What is added, times 256, rounding included.
    """

    rect: Rect
    keep: tuple[NDArray[np.uint16], ...]
    add: tuple[NDArray[np.uint16], ...]


Layer = tuple[NDArray[np.float64], tuple[int, int, int] | Planes]
"""An opacity, 0 to 1, for each pixel, and a colour (Y, Cb, Cr) or the planes of a picture."""


def stack(rect: Rect, *layers: Layer) -> Overlay:
    """Stack layers, the last on top, into one overlay.

    Parameters
    ----------
    rect : Rect
        Where the overlay lies.
    layers : (opacity, colour or planes)
        Opacities of shape (height, width) of the rectangle; planes of the same size.
    """
    keeps: list[NDArray[np.uint16]] = []
    adds: list[NDArray[np.uint16]] = []
    for plane in range(3):
        keep: NDArray[np.float64] = np.ones((rect.height, rect.width))
        if plane:
            keep = _halved(keep)
        add: NDArray[np.float64] = np.zeros(keep.shape)
        for opacity, colour in layers:
            share = _halved(opacity) if plane else opacity
            keep, add = keep * (1 - share), add * (1 - share) + colour[plane] * share
        keeps.append(np.round(keep * _WHOLE).astype(np.uint16))
        adds.append((np.round(add * _WHOLE) + _WHOLE // 2).astype(np.uint16))
    return Overlay(rect, tuple(keeps), tuple(adds))


def flat(colour: tuple[int, int, int], width: int, height: int) -> Planes:
    """Return planes of one colour."""
    luma: Plane = np.full((height, width), colour[0], np.uint8)
    u, v = (np.full((height // 2, width // 2), value, np.uint8) for value in colour[1:])
    return luma, u, v


def even_up(value: float) -> int:
    """Return the next even number at or above a value."""
    return 2 * int(-(-value // 2))


def _halved(mask: NDArray[np.float64]) -> NDArray[np.float64]:
    """Average a mask over squares of two by two pixels, for the chroma planes."""
    height, width = mask.shape
    return np.asarray(mask.reshape(height // 2, 2, width // 2, 2).mean(axis=(1, 3)))
