"""Cutting out of a large picture, before it is scaled, what a far zoom shows of it.

Scaling the whole picture would cost time and memory with the square of the zoom: 150 ms and 200 MB
for an eighth of a picture on a whole screen.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import av

from syncvid.media.orientation import Box, Orientation
from syncvid.media.pictures.crop import Cut

# Corners lie on multiples of this, so that no format's colour differences are moved, and as much is
# kept around what is shown, for the scaler to look at.
_GRID_PX = 8


class Cutter:
    """Cuts the same rectangle out of pictures of one size and format, without a copy.

    Parameters
    ----------
    picture : av.VideoFrame
        One of them.
    orientation : Orientation
        How they are to be set upright.
    cut : Cut
        How the whole picture would be scaled and cut.
    tile : (int, int)
        Width and height of the tile.

    Attributes
    ----------
    cut : Cut
        How what is cut out is to be scaled and cut: to a pixel or two as the whole would be.
    """

    def __init__(
        self, picture: Any, orientation: Orientation, cut: Cut, tile: tuple[int, int]
    ) -> None:
        shown = (
            cut.left / cut.width,
            cut.top / cut.height,
            (cut.left + tile[0]) / cut.width,
            (cut.top + tile[1]) / cut.height,
        )
        left, top, right, bottom = orientation.to_stored(shown)
        x, x_end = _outwards(left, right, picture.width)
        y, y_end = _outwards(top, bottom, picture.height)
        kept = x / picture.width, y / picture.height, x_end / picture.width, y_end / picture.height
        self.cut = _cut_within(cut, orientation.to_upright(kept), tile)
        self._graph = av.filter.Graph()
        self._graph.threads = 1
        source = self._graph.add_buffer(
            width=picture.width,
            height=picture.height,
            format=picture.format,
            time_base=Fraction(1, 1),
        )
        crop = self._graph.add("crop", f"{x_end - x}:{y_end - y}:{x}:{y}:exact=1")
        sink = self._graph.add("buffersink")
        source.link_to(crop)
        crop.link_to(sink)
        self._graph.configure()

    def near(self, picture: Any) -> Any:
        """Return what is kept of a picture; its pixels are shared."""
        self._graph.vpush(picture)
        return self._graph.vpull()


def _outwards(begin: float, end: float, length: int) -> tuple[int, int]:
    """Return whole pixels around a stretch of shares, on the grid, within the picture."""
    first = int(begin * length) // _GRID_PX * _GRID_PX - _GRID_PX
    last = -(-int(end * length + 1) // _GRID_PX) * _GRID_PX + _GRID_PX
    return max(0, first), min(length, last)


def _cut_within(cut: Cut, kept: Box, tile: tuple[int, int]) -> Cut:
    """Return how to scale and cut what is kept, an upright box of the whole."""
    left, top, right, bottom = kept
    width = max(tile[0], 2 * round((right - left) * cut.width / 2))
    height = max(tile[1], 2 * round((bottom - top) * cut.height / 2))
    return Cut(
        width,
        height,
        min(max(0, 2 * round((cut.left - left * cut.width) / 2)), width - tile[0]),
        min(max(0, 2 * round((cut.top - top * cut.height) / 2)), height - tile[1]),
    )
