"""From framings to the focus and zoom of each tile: people of equal size, with equal head room.

A tile shows a *view*: a part of the upright picture of the tile's shape.  At zoom 1 the picture
just covers the tile; at zoom z the view is smaller by z.  What the heads' height should be is
agreed among all tiles, as far as each can follow: nobody is cut, no pixel is invented, nobody is
zoomed in on by more than `MOST_ZOOM`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from syncvid.picture.framing import UNKNOWN, Framing
from syncvid.picture.movement import Region

MOST_ZOOM = 1.8
"""Closer, a phone's picture looks like an enlargement, and hands are lost."""

HEAD_ROOM = 0.22
"""Space above the head, as a share of the tile's height: a fifth to a quarter, by habit."""

# A head found in half of the pictures does not enlarge a tile, one found in this share may fully.
_UNSURE, _SURE = 0.5, 0.8

# Nobody is enlarged to a head higher than this share of the tile: below it there must be room for
# the hands and what they hold.
_LARGEST_HEAD = 1 / 3

# More room above the head than this looks like a mistake; it is worth this much zoom to mend.
_MOST_HEAD_ROOM, _ZOOM_FOR_ROOM = 1 / 3, 1.25

# Where hands would be out of sight, the room above the head may shrink to this.
_LEAST_HEAD_ROOM = 0.08

# Room that a head keeps to the tile's sides, as a share of the head's width.
_BESIDE = 0.5

Focus = tuple[float, float]
"""A point of the upright picture, as shares of its width and height."""


@dataclass(frozen=True, slots=True)
class Seat:
    """One clip in one tile.

    Attributes
    ----------
    shape : (int, int)
        Upright width and height of the clip's picture, in source pixels, square.
    size : (int, int)
        Width and height of what it covers of the tile, in output pixels.
    framing : Framing
        What is known of where to look in it.
    focus : (float, float) or None
        The user's pin, which wins.
    zoom : float or None
        The user's pin, which wins.
    """

    shape: tuple[int, int]
    size: tuple[int, int]
    framing: Framing = UNKNOWN
    focus: Focus | None = None
    zoom: float | None = None

    @property
    def covering(self) -> float:
        """Output pixels for each source pixel where the picture just covers the tile."""
        return max(self.size[0] / self.shape[0], self.size[1] / self.shape[1])

    def view(self, zoom: float) -> tuple[float, float]:
        """Return width and height of the view as shares of the picture."""
        scale = self.covering * zoom
        return (
            min(1.0, self.size[0] / (self.shape[0] * scale)),
            min(1.0, self.size[1] / (self.shape[1] * scale)),
        )

    @property
    def head_height(self) -> float | None:
        """Height of the highest head as a share of the tile at zoom 1; None without heads."""
        heads = self.framing.heads
        if not heads:
            return None
        return max(head.height for head in heads) / self.view(1.0)[1]


def frame_tiles(seats: Sequence[Seat], strength: float = 1.0) -> list[tuple[Focus, float]]:
    """Choose focus and zoom for tiles that are seen together.

    Parameters
    ----------
    seats : sequence of Seat
        Clips with their tiles.
    strength : float
        0: pictures as they were filmed, cropped around their middle; 1: heads as equal as they can
        be.  Pins count at any strength.

    Returns
    -------
    list of ((float, float), float)
        Focus and zoom for each, to be used as `media.pictures.cut_to_fill` does.

    Examples
    --------
    >>> from syncvid.picture.framing import Framing, Head
    >>> near, far = (Framing((Head(0.5, 0.3, 0.1, high),), 1.0) for high in (0.2, 0.16))
    >>> seats = [Seat((1920, 1080), (640, 360), framing) for framing in (near, far)]
    >>> [round(zoom, 2) for _, zoom in frame_tiles(seats)]
    [1.0, 1.25]
    """
    height = _common_height(seats)
    return [_frame(seat, height, strength) for seat in seats]


def _frame(seat: Seat, height: float | None, strength: float) -> tuple[Focus, float]:
    """Choose focus and zoom for one tile, given the height that heads should have."""
    zoom = seat.zoom
    if zoom is None:
        zoom = _zoom_for(seat, height) ** strength
    if seat.focus is not None:
        return seat.focus, zoom
    width, high = seat.view(zoom)
    left, top = _corner(seat.framing, width, high)
    # Half way to the best place at half the strength, from the middle.
    left = (1 - width) / 2 + strength * (left - (1 - width) / 2)
    top = (1 - high) / 2 + strength * (top - (1 - high) / 2)
    return _focus_of((left, width), (top, high), zoom), zoom


def _focus_of(across: tuple[float, float], down: tuple[float, float], zoom: float) -> Focus:
    """Return the focus by which the cut arrives at a view, each (begin, length) as shares.

    Zoomed in, the focus lies in the middle of the view; at zoom 1 it says how what stands over is
    shared out between the two sides.
    """
    if zoom > 1.0:
        return across[0] + across[1] / 2, down[0] + down[1] / 2
    return _share(*across), _share(*down)


def _share(begin: float, length: float) -> float:
    """Return how much of what is cut off lies before a view."""
    return begin / (1 - length) if length < 1.0 - 1e-9 else 0.5


def _common_height(seats: Sequence[Seat]) -> float | None:
    """Return the height, as a share of the tile, that differs the least from what can be had.

    The sum of the differences (as ratios) is least at one of the ends of what the tiles can show;
    of equally good heights the lowest zooms least.
    """
    ranges = [reach for seat in seats if (reach := _reach(seat)) is not None]
    if not ranges:
        return None
    lows, highs = np.log(np.array(ranges)).T
    candidates = np.unique(np.concatenate([lows, highs]))
    missed = [
        np.maximum(lows - height, 0).sum() + np.maximum(height - highs, 0).sum()
        for height in candidates
    ]
    return float(np.exp(candidates[int(np.argmin(np.round(missed, 9)))]))


def _reach(seat: Seat) -> tuple[float, float] | None:
    """Return the lowest and the highest head that a tile can show; None without a head."""
    height = seat.head_height
    if height is None:
        return None
    if seat.zoom is not None or seat.focus is not None:
        return (height * (seat.zoom or 1.0),) * 2
    most = _most_zoom(seat, height)
    return height * min(most, _zoom_for_room(seat)), height * most


def _zoom_for(seat: Seat, height: float | None) -> float:
    """Return the zoom at which a tile's head has a height, as nearly as it can follow."""
    reach, own = _reach(seat), seat.head_height
    if height is None or reach is None or own is None:
        return 1.0
    return min(max(height, reach[0]), reach[1]) / own


def _most_zoom(seat: Seat, height: float) -> float:
    """Return how far a tile may zoom in."""
    heads, moving = seat.framing.heads, seat.framing.moving
    width, high = seat.view(1.0)
    trust = min(max(0.0, (seat.framing.sure - _UNSURE) / (_SURE - _UNSURE)), 1.0)
    limits = [1 + (MOST_ZOOM - 1) * trust, 1 / seat.covering, _LARGEST_HEAD / height]
    needed = _around([head.region for head in heads])
    beside = _BESIDE * max(head.width for head in heads)
    limits.append(width / (needed.right - needed.left + 2 * beside))
    limits.append(high * (1 - HEAD_ROOM) / (needed.bottom - needed.top))
    if moving is not None:
        # Hands, and what they hold, stay to be seen.
        both = _around([needed, moving])
        limits.append(width / (both.right - both.left))
        limits.append(high / (both.bottom - both.top))
    return max(1.0, min(limits))


def _zoom_for_room(seat: Seat) -> float:
    """Return the zoom at which there is not too much room above the head."""
    top = min(head.top for head in seat.framing.heads)
    high = seat.view(1.0)[1]
    # The view ends with the picture, so its top lies at 1 - height.
    wanted = (1 - top) / (1 - _MOST_HEAD_ROOM)
    return min(max(1.0, high / max(wanted, 1e-6)), _ZOOM_FOR_ROOM)


def _corner(framing: Framing, width: float, height: float) -> tuple[float, float]:
    """Return left and top of the best view of a size."""
    heads, moving = framing.heads, framing.moving
    if not heads:
        if moving is None:
            return (1 - width) / 2, (1 - height) / 2
        # Of a player who does not fit, the upper end is shown: there the head is.
        top = min(moving.centre[1] - height / 2, moving.top - HEAD_ROOM * height)
        return _inside(moving.centre[0] - width / 2, width), _inside(top, height)
    needed = _around([head.region for head in heads])
    room = HEAD_ROOM
    if moving is not None and needed.bottom - needed.top > _LARGEST_HEAD * height:
        # So close that the hands are out of sight: they are worth more than room above.
        hidden = moving.bottom - (needed.top + (1 - room) * height)
        room = max(_LEAST_HEAD_ROOM, room - max(0.0, hidden) / height)
    top = needed.top - room * height
    left = needed.centre[0] - width / 2
    if moving is not None:
        # Between the head and what the hands do, as long as the head is well inside.
        left += (moving.centre[0] - needed.centre[0]) / 2
        beside = _BESIDE * max(head.width for head in heads)
        least, most = needed.right + beside - width, needed.left - beside
        left = min(max(left, least), most) if least <= most else (least + most) / 2
    return _inside(left, width), _inside(top, height)


def _around(regions: Sequence[Region]) -> Region:
    """Return what covers all regions, within the picture."""
    return Region(
        max(0.0, min(region.left for region in regions)),
        max(0.0, min(region.top for region in regions)),
        min(1.0, max(region.right for region in regions)),
        min(1.0, max(region.bottom for region in regions)),
    )


def _inside(begin: float, length: float) -> float:
    """Keep a view within the picture."""
    return min(max(begin, 0.0), max(0.0, 1.0 - length))
