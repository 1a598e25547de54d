"""What beat cards are drawn with: rings, a comma, lines of words, to be laid on a canvas."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from syncvid.picture.colour import colour_to_yuv
from syncvid.picture.overlay import Overlay, even_up, stack
from syncvid.picture.pieces import Rect
from syncvid.picture.setting import draw_line
from syncvid.picture.typeset import Typeset

# The comma of a breath, as shares of half its height: the pen's way from its head over a bend
# to its tip (x to the right, y down), and its radius there at the beginning and at the end.
_COMMA = ((-0.05, -0.5), (0.75, 0.1), (-0.35, 0.85))
_HEAD, _TIP, _STROKES = 0.38, 0.03, 48


def moved(overlay: Overlay | None, x: int, y: int) -> Overlay | None:
    """Return an overlay moved by even pixels."""
    if overlay is None:
        return None
    return replace(overlay, rect=replace(overlay.rect, x=overlay.rect.x + x, y=overlay.rect.y + y))


def ring(radius: float, thick: float, colour: str) -> Overlay:
    """Return a ring round (0, 0), or a disc where it is as thick as its radius."""
    half = even_up(radius + 2)
    offset = np.arange(-half, half) + 0.5
    distance = np.hypot(offset[:, np.newaxis], offset)
    mask = np.clip(radius - distance + 0.5, 0.0, 1.0)
    if thick < radius:
        mask = mask - np.clip(radius - thick - distance + 0.5, 0.0, 1.0)
    return stack(Rect(-half, -half, 2 * half, 2 * half), (mask, colour_to_yuv(colour)))


def comma(half: int, colour: str) -> Overlay:
    """Return a comma round (0, 0), `half` up and down: a pen goes along a bend and grows thin."""
    offset = np.arange(-half, half) + 0.5
    mask = np.zeros((2 * half, 2 * half))
    for t in np.linspace(0.0, 1.0, _STROKES):
        shares = ((1 - t) ** 2, 2 * t * (1 - t), t**2)
        x, y = (half * sum(s * point[axis] for s, point in zip(shares, _COMMA, strict=True))
                for axis in (0, 1))  # fmt: skip
        radius = half * (_HEAD + (_TIP - _HEAD) * t)
        distance = np.hypot(offset - x, (offset - y)[:, np.newaxis])
        mask = np.maximum(mask, np.clip(radius - distance + 0.5, 0.0, 1.0))
    return stack(Rect(-half, -half, 2 * half, 2 * half), (mask, colour_to_yuv(colour)))


def set_line(words: Typeset, em: float, colour: str) -> Overlay | None:
    """Return a line whose base line starts at (0, 0), set only once; None for nothing to see."""
    mask = draw_line(words, em)
    box = mask.image.getbbox()
    if box is None:
        return None
    left, top = mask.left + box[0], mask.top + box[1]
    letters = np.asarray(mask.image.crop(box)) / 255.0
    rect = Rect(left // 2 * 2, top // 2 * 2, 0, 0)
    before = (top - rect.y, left - rect.x)
    high, wide = (even_up(size + at) for size, at in zip(letters.shape, before, strict=True))
    sheet = np.zeros((high, wide))
    sheet[before[0] : before[0] + letters.shape[0], before[1] : before[1] + letters.shape[1]] = (
        letters
    )
    return stack(replace(rect, width=wide, height=high), (sheet, colour_to_yuv(colour)))


def inner_part(overlay: Overlay, place: Rect) -> Overlay | None:
    """Return the part of an overlay that lies within a place; None if nothing does."""
    rect = overlay.rect
    left, top = max(rect.x, place.x), max(rect.y, place.y)
    right = min(rect.x + rect.width, place.x + place.width)
    bottom = min(rect.y + rect.height, place.y + place.height)
    if left >= right or top >= bottom:
        return None
    inside = Rect(left, top, right - left, bottom - top)
    if inside == rect:
        return overlay
    x, y = left - rect.x, top - rect.y

    def cut(masks: tuple[NDArray[np.uint16], ...]) -> tuple[NDArray[np.uint16], ...]:
        # Y, then U and V at half the size.
        return tuple(
            mask[y // n : (y + inside.height) // n, x // n : (x + inside.width) // n]
            for mask, n in zip(masks, (1, 2, 2), strict=True)
        )

    return Overlay(inside, cut(overlay.keep), cut(overlay.add))
