"""Names: captions on the tiles, and the cards that stand in for a picture.

Everything here is drawn once for each tile, with Pillow, and then kept as yuv420p planes; a caption
is a pair of planes that say how much of the picture stays and what is added to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from syncvid.arrays import Plane, Planes
from syncvid.picture.colour import colour_to_yuv, parse_colour, planes_from_rgb
from syncvid.picture.pieces import LABEL_SEPARATOR, Rect
from syncvid.production.layouts import CaptionStyle, CardStyle

ELLIPSIS = "…"

# Letters smaller than this cannot be read in any font.
_SMALLEST_EM_PX = 12

# The largest caption, as a share of the whole picture's height (subtitling practice: 4 to 5 %).
_LARGEST_EM_SHARE = 0.042

# The rest of a caption's measures, in em: room left and right of the letters, height of the band,
# the stretch over which it fades out, the upright rule at its left, and how far the base line lies
# above the lower edge.
_PAD_EM, _BAND_EM, _FADE_EM, _RULE_EM, _BASE_EM = 0.5, 1.5, 1.0, 0.12, 0.46

# No caption is longer than this share of its tile.
_LONGEST_CAPTION = 0.92

# A card's measures as shares of the smaller of height and 9/16 of the width: letters of part and
# player, distance from base line to rule and from rule to the player's base line.
_PART, _PLAYER, _ABOVE_RULE, _BELOW_RULE = 0.125, 0.075, 0.075, 0.125
_RULE_WIDTH, _LONGEST_NAME = 0.24, 0.86

_WHOLE = 256  # one, in the fixed-point arithmetic of the blend


# Letters are drawn this many times larger and then reduced: their distances are not rounded to
# whole pixels, which shows in small tiles.
_FINER = 4


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


def caption_em_px(tile: Rect, style: CaptionStyle, picture_height: int) -> int:
    """Return the size of a caption's letters in pixels."""
    measure = min(tile.height, tile.width * 9 / 16 * 1.25)
    largest = max(_SMALLEST_EM_PX, round(_LARGEST_EM_SHARE * picture_height))
    return min(max(_SMALLEST_EM_PX, round(style.size * measure)), largest)


def draw_caption(
    label: str, font: Path, tile: Rect, style: CaptionStyle, *, rule: str, picture_height: int
) -> Overlay | None:
    """Draw a name for the lower left corner of a tile.

    Parameters
    ----------
    label : str
        The name; it is shortened with an ellipsis if it is too long.
    font : Path
        The font file.
    tile : Rect
        The tile.
    style : CaptionStyle
        Colours and size.
    rule : str
        Colour of the upright line at the left.
    picture_height : int
        Height of the whole output picture in pixels.

    Returns
    -------
    Overlay or None
        None where the tile is too small for letters.
    """
    em = caption_em_px(tile, style, picture_height)
    band_height = _even_up(_BAND_EM * em)
    if band_height > tile.height // 3 or tile.width < 4 * em:
        return None
    face = ImageFont.truetype(str(font), em * _FINER)
    room = _LONGEST_CAPTION * tile.width - (_PAD_EM + _FADE_EM + _RULE_EM) * em
    text = shortened(label, face, room * _FINER)
    length = face.getlength(text) / _FINER
    width = min(_even_up(length + (_PAD_EM + _FADE_EM + _RULE_EM) * em), tile.width // 2 * 2)
    rect = Rect(tile.x, tile.y + tile.height - band_height, width, band_height)
    left = (_RULE_EM + _PAD_EM) * em
    letters = _letters(
        (width, band_height), (left, band_height - _BASE_EM * em), text, face, anchor="ls"
    )
    band = np.full(width, style.opacity)
    fade = max(1, round(_FADE_EM * em))
    band[-fade:] *= 0.5 + 0.5 * np.cos(np.linspace(0, np.pi, fade))
    ruled = np.zeros((band_height, width))
    ruled[:, : _even_up(_RULE_EM * em)] = 1.0
    return _overlay(
        rect,
        (np.broadcast_to(band, ruled.shape), colour_to_yuv(style.band)),
        (ruled, colour_to_yuv(rule)),
        (np.asarray(letters) / 255.0, colour_to_yuv(style.ink)),
    )


def draw_card(label: str, font: Path, width: int, height: int, style: CardStyle) -> Planes:
    """Draw the quiet card that stands in for a picture: the part, a thin rule, the player.

    Parameters
    ----------
    label : str
        The name; what stands after the middle dot goes below the rule.
    font : Path
        The font file.
    width, height : int
        Size in pixels, even.
    style : CardStyle
        Colours.

    Returns
    -------
    Planes
        The whole card.
    """
    part, _, player = label.partition(LABEL_SEPARATOR)
    image = Image.new("RGB", (width, height), parse_colour(style.background))
    pen = ImageDraw.Draw(image)
    measure, middle, room = min(height, width * 9 / 16), width / 2, _LONGEST_NAME * width
    rule_y = round(height / 2 + (0.0 if player else 0.25) * _PART * measure)
    lines = [(part, _PART, rule_y - _ABOVE_RULE * measure, style.ink)]
    if player:
        lines.append((player, _PLAYER, rule_y + _BELOW_RULE * measure, style.player))
    for text, em, y, ink in lines:
        face = ImageFont.truetype(str(font), max(_SMALLEST_EM_PX, round(em * measure)) * _FINER)
        words = shortened(text, face, room * _FINER)
        letters = _letters((width, height), (middle, y), words, face, anchor="ms")
        image.paste(parse_colour(ink), (0, 0), letters)
    half, thick = _RULE_WIDTH * measure / 2, max(2, round(0.006 * measure))
    pen.rectangle(
        (middle - half, rule_y, middle + half, rule_y + thick - 1), fill=parse_colour(style.rule)
    )
    return planes_from_rgb(np.asarray(image))


def _letters(
    size: tuple[int, int], at: tuple[float, float], text: str, face: Any, *, anchor: str
) -> Image.Image:
    """Draw words into a mask; `face` is `_FINER` times as large as they will be."""
    large = Image.new("L", (size[0] * _FINER, size[1] * _FINER), 0)
    place = (at[0] * _FINER, at[1] * _FINER)
    ImageDraw.Draw(large).text(place, text, font=face, fill=255, anchor=anchor)
    return large.reduce(_FINER)


def shortened(text: str, face: Any, room_px: float) -> str:
    """Return a text that fits, with an ellipsis in place of what had to go."""
    if face.getlength(text) <= room_px:
        return text
    for length in range(len(text) - 1, 0, -1):
        candidate = text[:length].rstrip(" ·,-") + ELLIPSIS
        if face.getlength(candidate) <= room_px:
            return candidate
    return ELLIPSIS


def _overlay(rect: Rect, *layers: tuple[NDArray[np.float64], tuple[int, int, int]]) -> Overlay:
    """Stack layers of (opacity, colour), the last on top, into one blend for each plane."""
    keeps: list[NDArray[np.uint16]] = []
    adds: list[NDArray[np.uint16]] = []
    for plane in range(3):
        keep: NDArray[np.float64] = np.ones((rect.height, rect.width))
        add: NDArray[np.float64] = np.zeros((rect.height, rect.width))
        for opacity, colour in layers:
            keep, add = keep * (1 - opacity), add * (1 - opacity) + colour[plane] * opacity
        if plane:
            keep, add = _halved(keep), _halved(add)
        stays = np.round(keep * _WHOLE)
        keeps.append(stays.astype(np.uint16))
        adds.append((np.round(add * _WHOLE) + _WHOLE // 2).astype(np.uint16))
    return Overlay(rect, tuple(keeps), tuple(adds))


def _halved(mask: NDArray[np.float64]) -> NDArray[np.float64]:
    """Average a mask over squares of two by two pixels, for the chroma planes."""
    height, width = mask.shape
    return np.asarray(mask.reshape(height // 2, 2, width // 2, 2).mean(axis=(1, 3)))


def _even_up(value: float) -> int:
    """Return the next even number at or above a value."""
    return 2 * int(-(-value // 2))


def flat(colour: tuple[int, int, int], width: int, height: int) -> Planes:
    """Return planes of one colour."""
    luma: Plane = np.full((height, width), colour[0], np.uint8)
    u, v = (np.full((height // 2, width // 2), value, np.uint8) for value in colour[1:])
    return luma, u, v
