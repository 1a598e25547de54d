"""Which part of a picture a tile shows: filled, zoomed, and cut around a focus."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

Focus = tuple[float, float]
"""The point of an upright picture, as shares of width and height, that cropping keeps."""

# A picture may be scaled by so much more than a tile needs; what stands over is cropped.
_HARDLY = 1.015

CENTRE: Focus = (0.5, 0.5)


@dataclass(frozen=True, slots=True)
class Crop:
    """What a tile wants of a picture.

    Attributes
    ----------
    width, height : int
        Size of the tile in output pixels, even.
    focus : (float, float)
        The point of the upright picture to keep, as shares of its width and height.
    zoom : float
        At least 1: the tile shows 1/zoom of the width and height that it would show otherwise.
    """

    width: int
    height: int
    focus: Focus = CENTRE
    zoom: float = 1.0


@dataclass(frozen=True, slots=True)
class Cut:
    """How to fill a tile: scale the upright picture to a size, then cut the tile out of it.

    Attributes
    ----------
    width, height : int
        Size to scale to, in output pixels, even.
    left, top : int
        Where the tile's corner lies in it, even.
    """

    width: int
    height: int
    left: int
    top: int


@functools.lru_cache(maxsize=4096)
def cut_to_fill(
    shape: tuple[int, int], width: int, height: int, focus: Focus = CENTRE, zoom: float = 1.0
) -> Cut:
    """Scale a picture so that it covers a tile, and crop what stands over.

    Parameters
    ----------
    shape : (int, int)
        Upright width and height of the picture with square pixels; only their ratio matters.
    width, height : int
        Size of the tile, even.
    focus : (float, float)
        Without a zoom, the point that keeps its place: at (0.5, 0.3) less is lost above than below.
        With a zoom, the point that comes to lie in the middle, as far as the picture reaches.
    zoom : float
        How many times larger than needed the picture is scaled; less than 1 counts as 1.

    Returns
    -------
    Cut

    Examples
    --------
    >>> cut_to_fill((1920, 1080), 640, 360)
    Cut(width=640, height=360, left=0, top=0)
    >>> cut_to_fill((1920, 1080), 638, 358)
    Cut(width=640, height=360, left=0, top=0)
    >>> cut_to_fill((1080, 1920), 360, 360, (0.5, 0.0))
    Cut(width=360, height=640, left=0, top=0)
    >>> cut_to_fill((1920, 1080), 640, 360, (0.75, 0.25), 2.0)
    Cut(width=1280, height=720, left=640, top=0)
    """
    scale = _whole_step(max(width / shape[0], height / shape[1]) * max(zoom, 1.0))
    wide = max(width, 2 * round(shape[0] * scale / 2))
    high = max(height, 2 * round(shape[1] * scale / 2))
    return Cut(
        wide, high, _corner(wide, width, focus[0], zoom), _corner(high, height, focus[1], zoom)
    )


def _whole_step(scale: float) -> float:
    """Return a scale, or the half, third, quarter... that is hardly larger.

    A tile that lacks a few pixels for a gap is then cut out of a picture that is scaled by a whole
    step, which is sharper, and takes a quarter less time (measured, 1080p to 640x360 and 638x358:
    0.88 and 1.16 ms).
    """
    step = math.floor(1.0 / scale + 1e-9) if scale < 1.0 else 1
    return 1.0 / step if scale < 1.0 / step <= scale * _HARDLY else scale


def _corner(whole: int, kept: int, focus: float, zoom: float) -> int:
    """Return where a tile begins in one direction, even."""
    over = whole - kept
    begin = focus * whole - kept / 2 if zoom > 1.0 else focus * over
    return 2 * int(min(max(begin, 0.0), over) / 2)
