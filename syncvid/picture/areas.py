"""Where on the picture words may stand."""

from __future__ import annotations

from syncvid.picture.pieces import Rect

# EBU R 95, safe area for graphics: 5 % from each edge (16:9; other shapes by analogy).
GRAPHICS_SAFE = 0.05

# Where upright video is shown, the players' own signs cover more: practice is to keep this much
# free of words at top and bottom.
UPRIGHT_FREE = 0.15

# From this height on, in widths, a picture counts as upright: 9:16 and 2:3, not 4:5.
_UPRIGHT = 1.4


def is_upright(size: tuple[int, int]) -> bool:
    """Tell whether a picture is one for phones held upright."""
    return size[1] >= _UPRIGHT * size[0]


def text_area(size: tuple[int, int]) -> Rect:
    """Return the part of a picture in which words are not covered or cut off.

    References
    ----------
    EBU Recommendation R 95, graphics safe area.

    Examples
    --------
    >>> text_area((1920, 1080))
    Rect(x=96, y=54, width=1728, height=972)
    """
    width, height = size
    x = _even_up(GRAPHICS_SAFE * width)
    y = _even_up((UPRIGHT_FREE if is_upright(size) else GRAPHICS_SAFE) * height)
    return Rect(x, y, width - 2 * x, height - 2 * y)


def _even_up(value: float) -> int:
    """Return the next even number at or above a value, forgiving what floats add."""
    return 2 * int(-(-(value - 1e-6) // 2))


def plate_unit(size: tuple[int, int]) -> float:
    """Return what sizes on plates are shares of: the height, or less in narrow pictures."""
    return min(size[1], 0.9 * size[0])
