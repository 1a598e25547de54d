"""Colours as the canvas holds them: BT.709, limited range, 8 bit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Planes

# Recommendation ITU-R BT.709-6, item 3.2: luma of red and blue; green makes up the rest.
_RED, _BLUE = 0.2126, 0.0722

# WCAG 2.2, success criterion 1.4.3 (AA).
LEAST_CONTRAST = 4.5

Yuv = tuple[int, int, int]
"""Y, Cb, Cr."""


def parse_colour(text: str) -> tuple[int, int, int]:
    """Read ``#rrggbb``.

    Examples
    --------
    >>> parse_colour("#a3261d")
    (163, 38, 29)
    """
    value = int(text[1:], 16)
    return value >> 16, value >> 8 & 255, value & 255


def to_yuv(rgb: tuple[float, float, float]) -> Yuv:
    """Convert full-range R, G, B (0 to 255) to Y, Cb, Cr.

    References
    ----------
    Recommendation ITU-R BT.709-6, items 3.2 to 3.5.

    Examples
    --------
    >>> to_yuv((255, 0, 0)), to_yuv((0, 0, 0)), to_yuv((255, 255, 255))
    ((63, 102, 240), (16, 128, 128), (235, 128, 128))
    """
    red, green, blue = (value / 255 for value in rgb)
    luma = _RED * red + (1 - _RED - _BLUE) * green + _BLUE * blue
    return (
        round(16 + 219 * luma),
        round(128 + 224 * (blue - luma) / (2 * (1 - _BLUE))),
        round(128 + 224 * (red - luma) / (2 * (1 - _RED))),
    )


def colour_to_yuv(text: str) -> Yuv:
    """Convert ``#rrggbb`` to Y, Cb, Cr."""
    return to_yuv(parse_colour(text))


def contrast(one: tuple[float, float, float], other: tuple[float, float, float]) -> float:
    """Return the contrast ratio of two full-range colours, 1 to 21.

    References
    ----------
    WCAG 2.2, definitions of contrast ratio and relative luminance.

    Examples
    --------
    >>> round(contrast((255, 255, 255), (0x76, 0x76, 0x76)), 2)
    4.54
    """
    bright, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def _luminance(rgb: tuple[float, float, float]) -> float:
    """Return relative luminance, 0 to 1."""
    red, green, blue = (
        share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4
        for share in (value / 255 for value in rgb)
    )
    return _RED * red + (1 - _RED - _BLUE) * green + _BLUE * blue


def planes_from_rgb(rgb: NDArray[np.uint8]) -> Planes:
    """Convert a still, shape (height, width, 3), full range, to planes; both sizes even.

    References
    ----------
    Recommendation ITU-R BT.709-6, items 3.2 to 3.5.
    """
    red, green, blue = np.moveaxis(rgb.astype(np.float64) / 255, -1, 0)
    luma = _RED * red + (1 - _RED - _BLUE) * green + _BLUE * blue
    height, width = luma.shape
    chroma = (
        (share.reshape(height // 2, 2, width // 2, 2).mean(axis=(1, 3)))
        for share in ((blue - luma) / (2 * (1 - _BLUE)), (red - luma) / (2 * (1 - _RED)))
    )
    u, v = (np.round(128 + 224 * share).astype(np.uint8) for share in chroma)
    return np.round(16 + 219 * luma).astype(np.uint8), u, v
