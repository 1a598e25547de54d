"""Room for tiles: rectangles on even pixels, and how to divide them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from syncvid.errors import ProductionError
from syncvid.picture.pieces import Rect
from syncvid.production.layouts import Layout, TileStyle

Shape = tuple[int, int]
"""Width and height; only the ratio matters."""

# A tile smaller than this shows nobody.
SMALLEST_PX = 16


@dataclass(frozen=True, slots=True)
class Space:
    """A rectangle to be filled with tiles.

    Attributes
    ----------
    box : Rect
        The rectangle.
    gap_px : int
        Between two tiles, even.
    look : TileStyle
        How far pictures may be cropped.
    """

    box: Rect
    gap_px: int
    look: TileStyle

    @property
    def is_tall(self) -> bool:
        """Whether it is at least as high as wide."""
        return self.box.height >= self.box.width

    def beside(self, side: Literal["right", "left", "top", "bottom"], part: float) -> Space:
        """Return a share of the space along one of its sides, half a gap taken off.

        Examples
        --------
        >>> whole = Space(Rect(0, 0, 100, 60), 4, TileStyle())
        >>> whole.beside("right", 0.3).box, whole.beside("left", 0.7).box
        (Rect(x=72, y=0, width=28, height=60), Rect(x=0, y=0, width=68, height=60))
        """
        box = self.box
        length = box.width if side in ("left", "right") else box.height
        # Measured from the same end for both parts, so that together with the gap they fill it.
        # Rounded, or 1 - (1 - part) might come out on the other side of half a pixel than part.
        cut = even(length * round(part if side in ("left", "top") else 1.0 - part, 9))
        before, after = cut - even(self.gap_px / 2), cut - even(self.gap_px / 2) + self.gap_px
        if side == "left":
            box = replace(box, width=before)
        elif side == "right":
            box = replace(box, x=box.x + after, width=box.width - after)
        elif side == "top":
            box = replace(box, height=before)
        else:
            box = replace(box, y=box.y + after, height=box.height - after)
        return replace(self, box=box)


def whole_space(layout: Layout, size: tuple[int, int]) -> Space:
    """Return the space of a picture of a size, without its margin."""
    margin = even(layout.canvas.margin * min(size))
    return Space(
        Rect(margin, margin, size[0] - 2 * margin, size[1] - 2 * margin),
        even(layout.canvas.gap * min(size)),
        layout.tile,
    )


def edges(count: int, begin: int, length: int, gap: int) -> list[tuple[int, int]]:
    """Divide a length into equal stretches with gaps between; every edge is even.

    Examples
    --------
    >>> edges(3, 10, 100, 2)
    [(10, 42), (44, 76), (78, 110)]
    """
    step = (length + gap) / count
    marks = [begin + even(index * step) for index in range(count)]
    return [(low, high - gap) for low, high in pairwise([*marks, begin + length + gap])]


def even(value: float) -> int:
    """Round to the nearest even number."""
    return 2 * round(value / 2)


def no_room(count: int, box: Rect) -> ProductionError:
    """Return the error of too many tiles."""
    return ProductionError(
        f"{count} tiles do not fit into {box.width}x{box.height} pixels.",
        fix="Ask for a larger picture with --size, or leave out some parts.",
    )
