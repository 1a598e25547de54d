"""How a picture lies in a tile: how far it is cropped, and what that is worth.

The sides of a picture mostly show the room, its upper and lower end a head and an instrument;
so a layout says for width and height apart how much cropping must leave.
"""

from __future__ import annotations

from collections.abc import Iterable

from syncvid.picture.pieces import Rect
from syncvid.picture.space import Shape, even
from syncvid.production.layouts import TileStyle

# Shares of zero ask for no limit; this is as good.
_TINY = 1e-9

# Where cropping by so much more than a layout likes fills the tile, it is filled: a thin plain edge
# looks like a mistake.  Heads and hands, above and below, are not cropped for that.
_SNAPS_WIDTH, _SNAPS_HEIGHT = 1.1, 1.02


def shown_size(shape: Shape, width: float, height: float, look: TileStyle) -> tuple[float, float]:
    """Return the size at which a picture fills a tile without being cropped too far.

    What would leave only thin plain edges is cropped a little farther.

    Examples
    --------
    >>> look = TileStyle(least_width=0.5, least_height=0.5)
    >>> shown_size((16, 9), 640, 360, look)
    (640, 360)
    >>> shown_size((9, 16), 640, 360, look)
    (405.0, 360)
    """
    ratio, wanted = shape[0] / shape[1], width / height
    widest, narrowest = ratio / max(look.least_height, _TINY), ratio * look.least_width
    if wanted > widest * _SNAPS_HEIGHT:
        return height * widest, height
    if wanted * _SNAPS_WIDTH < narrowest:
        return width, width / narrowest
    return width, height


def shown_share(shape: Shape, width: float, height: float) -> float:
    """Return which share of a picture is left when it is cropped to a size.

    Examples
    --------
    >>> shown_share((16, 9), 90, 90)
    0.5625
    """
    ratio, wanted = shape[0] / shape[1], width / height
    return min(ratio / wanted, wanted / ratio)


def worth(shape: Shape | None, width: float, height: float, look: TileStyle) -> float:
    """Return what a tile is worth, in pixels.

    That is the area that its picture covers times the share of the picture that is left.  What is
    cut off above and below counts twice: there are heads and hands.  A card, whose shape is None,
    fills any tile.

    Examples
    --------
    >>> look = TileStyle(least_width=0.0, least_height=0.0)
    >>> worth((1, 1), 20, 40, look), worth((1, 1), 40, 20, look)
    (400.0, 200.0)
    """
    if min(width, height) <= 0:
        return 0.0
    if shape is None:
        return width * height
    wide, high = shown_size(shape, width, height, look)
    share = shown_share(shape, wide, high)
    return wide * high * (share * share if wide * shape[1] > high * shape[0] else share)


def middle_ratio(shapes: Iterable[Shape | None]) -> float:
    """Return the median of width over height; 4 to 3 where there are only cards."""
    ratios = sorted(shape[0] / shape[1] for shape in shapes if shape is not None)
    return ratios[len(ratios) // 2] if ratios else 4 / 3


def picture_rect(shape: Shape, tile: Rect, look: TileStyle) -> Rect:
    """Return the part of a tile that a picture covers, in the middle of the tile."""
    wide, high = shown_size(shape, tile.width, tile.height, look)
    width, height = min(tile.width, even(wide)), min(tile.height, even(high))
    return Rect(
        tile.x + 2 * ((tile.width - width) // 4),
        tile.y + 2 * ((tile.height - height) // 4),
        width,
        height,
    )
