"""From the letters of a line to something that can be laid over a picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from syncvid.picture.colour import colour_to_yuv
from syncvid.picture.overlay import Overlay, even_up, stack
from syncvid.picture.pieces import Rect
from syncvid.picture.setting import draw_line
from syncvid.picture.typeset import Typeset


def ink(letters: NDArray[np.float64], words: Typeset, em_px: float, at: tuple[float, int]) -> None:
    """Set a line into an array of opacities; what lies outside is cut off.

    Parameters
    ----------
    letters : ndarray, shape (height, width), float64
        0 to 1; changed.
    words : Typeset
        The line.
    em_px : float
        Size of the letters.
    at : (float, int)
        Where the line starts on its base line.
    """
    mask = draw_line(words, em_px, at[0])
    sheet = Image.new("L", (letters.shape[1], letters.shape[0]), 0)
    sheet.paste(mask.image, (mask.left, at[1] + mask.top))
    np.maximum(letters, np.asarray(sheet) / 255.0, out=letters)


def line_overlay(
    words: Typeset, em_px: float, at: tuple[float, int], colour: str, size: tuple[int, int]
) -> Overlay | None:
    """Set a line as an overlay that is no larger than its letters.

    Parameters
    ----------
    words : Typeset
        The line.
    em_px : float
        Size of the letters.
    at : (float, int)
        Where the line starts on its base line, in pixels of the canvas.
    colour : str
        Of the letters, ``#rrggbb``.
    size : (int, int)
        Width and height of the canvas; what lies outside is cut off.

    Returns
    -------
    Overlay or None
        None where there is nothing to see.
    """
    mask = draw_line(words, em_px, at[0])
    box = mask.image.getbbox()
    if box is None:
        return None
    left, top = mask.left + box[0], at[1] + mask.top + box[1]
    right, bottom = mask.left + box[2], at[1] + mask.top + box[3]
    x, y = max(0, left // 2 * 2), max(0, top // 2 * 2)
    rect = Rect(x, y, min(even_up(right), size[0]) - x, min(even_up(bottom), size[1]) - y)
    if rect.width <= 0 or rect.height <= 0:
        return None
    letters = np.zeros((rect.height, rect.width))
    ink(letters, words, em_px, (at[0] - x, at[1] - y))
    return stack(rect, (letters, colour_to_yuv(colour)))
