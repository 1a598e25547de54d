"""Setting a line: from words and faces to a mask of their letters.

Three ways, the best that is there:

- Pillow with the library raqm, which orders, joins and kerns letters in every script. On Linux it
  is there wherever FriBiDi is; Pillow's packages for macOS and Windows do without.
- matplotlib from 3.11 on, which brings the same on every system.
- Pillow alone: right for Latin, Greek, Cyrillic, Hebrew and East Asian letters, wrong for scripts
  whose letters join or change places, which `shaping_advice` tells the user.
"""

from __future__ import annotations

import functools
import importlib.metadata
import threading
import unicodedata
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from PIL import Image, ImageDraw, ImageFont, features

from syncvid.picture.direction import stretches
from syncvid.picture.typeset import Face, Typeset, clusters

# Letters are drawn this many times larger and then reduced: their distances are not rounded to
# whole pixels, which shows in small tiles.
_FINER = 4

# Room above and below the base line, in em: tall enough for Thai, Devanagari and Nastaliq.
_ABOVE_EM, _BELOW_EM, _BESIDE_EM = 1.9, 1.3, 0.6

# The first matplotlib that shapes text.
_SHAPING_MATPLOTLIB = (3, 11)

# matplotlib counts in fractions of a pixel.
_PER_PIXEL = 64

# Scripts whose letters join, stack or change places: Arabic to N'Ko; India, Sri Lanka, Thailand,
# Laos, Tibet, Burma; Ethiopic excepted; Khmer, Mongolian; Arabic presentation forms.
_SHAPED = ((0x0600, 0x07FF), (0x0860, 0x109F), (0x1780, 0x18AF), (0xFB50, 0xFDFF), (0xFE70, 0xFEFC))

# What stands mirrored in text from right to left.
_MIRRORED = str.maketrans("()[]{}<>«»‹›", ")(][}{><»«›‹")

Shaper = Literal["raqm", "matplotlib", "none"]


@dataclass(frozen=True, slots=True)
class Piece:
    """Letters of one face and one direction."""

    text: str
    face: Face
    from_right: bool


@dataclass(frozen=True, slots=True, eq=False)
class Mask:
    """The letters of a line.

    Attributes
    ----------
    image : Image
        Mode L: 255 where there is ink.
    left, top : int
        Where its upper left corner lies, in pixels from where the base line was asked to start.
    """

    image: Image.Image
    left: int
    top: int


@functools.cache
def shaper() -> Shaper:
    """Return by what means letters are ordered and joined on this computer."""
    if features.check("raqm"):
        return "raqm"
    version = importlib.metadata.version("matplotlib").split(".")[:2]
    if tuple(int(number) for number in version) >= _SHAPING_MATPLOTLIB:
        return "matplotlib"
    return "none"


def shaping_advice(text: str) -> str:
    """Return what the user should know about a text that cannot be set well here; else empty."""
    joins = any(low <= ord(letter) <= high for letter in text for low, high in _SHAPED)
    if not joins or shaper() != "none":
        return ""
    return (
        f"The letters of {text!r} join or change places, which this computer cannot do yet: "
        "they will look wrong. Run: pip install --upgrade matplotlib (3.11 or later)."
    )


def length_px(words: Typeset, em_px: float) -> float:
    """Return how long a line is in pixels."""
    return _length_px(words, em_px, shaper())


@functools.lru_cache(maxsize=4096)
def _length_px(words: Typeset, em_px: float, by: Shaper) -> float:
    """Return a length, once measured: lines are broken by trying."""
    return sum(_advance(piece, em_px * _FINER) for piece in pieces(words)) / _FINER


def draw_line(words: Typeset, em_px: float, x_px: float = 0.0) -> Mask:
    """Draw a line of words.

    Parameters
    ----------
    words : Typeset
        What to set.
    em_px : float
        Size of the letters.
    x_px : float
        Where the line starts on its base line; the fraction matters, for the letters' edges.

    Returns
    -------
    Mask
        Its corner is relative to (0, 0), the base line to y = 0.
    """
    left, top = int(x_px - _BESIDE_EM * em_px), int(_ABOVE_EM * em_px) + 1
    width = int(length_px(words, em_px) + 2 * _BESIDE_EM * em_px) + 3
    height = top + int(_BELOW_EM * em_px) + 1
    large = Image.new("L", (width * _FINER, height * _FINER), 0)
    x = (x_px - left) * _FINER
    for piece in pieces(words):
        _draw(large, x, top * _FINER, piece, em_px * _FINER)
        x += _advance(piece, em_px * _FINER)
    return Mask(large.reduce(_FINER), left, -top)


def pieces(words: Typeset) -> list[Piece]:
    """Cut words into pieces of one face and direction, from left to right as they are seen."""
    found: list[Piece] = []
    edges = [0]
    for run in words.runs:
        edges.append(edges[-1] + len(run.text))
    for stretch in stretches(words.text, from_left=words.from_left):
        part = [
            Piece(
                run.text[max(0, stretch.start - start) : stretch.stop - start],
                run.face,
                stretch.from_right,
            )
            for run, start in zip(words.runs, edges, strict=False)
            if start < stretch.stop and start + len(run.text) > stretch.start
        ]
        found += reversed(part) if stretch.from_right else part
    return found


def _advance(piece: Piece, em_px: float) -> float:
    """Return how far a piece moves on along the base line."""
    if shaper() == "matplotlib":
        return float(_matplotlib_face(piece, em_px).get_width_height()[0]) / _PER_PIXEL
    text, options = _ordered(piece)
    return float(
        _pillow_face(piece.face, em_px, shaper(), threading.get_ident()).getlength(text, **options)
    )


def _draw(large: Image.Image, x: float, base_line: float, piece: Piece, em_px: float) -> None:
    """Draw a piece at its place."""
    if shaper() == "matplotlib":
        _draw_with_matplotlib(large, x, base_line, piece, em_px)
        return
    text, options = _ordered(piece)
    face = _pillow_face(piece.face, em_px, shaper(), threading.get_ident())
    ImageDraw.Draw(large).text((x, base_line), text, font=face, fill=255, anchor="ls", **options)


def _ordered(piece: Piece) -> tuple[str, dict[str, Any]]:
    """Return a piece's text as Pillow is to draw it, and with which options."""
    if shaper() == "raqm":
        return piece.text, {"direction": "rtl" if piece.from_right else "ltr"}
    if piece.from_right:
        return "".join(reversed(clusters(piece.text.translate(_MIRRORED)))), {}
    return piece.text, {}


@functools.lru_cache(maxsize=64)
def _pillow_face(face: Face, em_px: float, by: Shaper, thread: int) -> ImageFont.FreeTypeFont:
    """Open a face, one for each thread: FreeType's faces cannot be shared."""
    engine = ImageFont.Layout.RAQM if by == "raqm" else ImageFont.Layout.BASIC
    size = em_px * face.scale
    font = ImageFont.truetype(face.path, size, index=face.index, layout_engine=engine)
    if face.axes:
        font.set_variation_by_axes(list(face.axes))
    return font


def _matplotlib_face(piece: Piece, em_px: float) -> Any:
    """Return matplotlib's font with a piece set in it."""
    # Imported here: it takes a fifth of a second, and most computers have raqm.
    from matplotlib.ft2font import FT2Font, LoadFlags

    font = FT2Font(piece.face.path, face_index=piece.face.index)
    font.set_size(em_px * piece.face.scale, 72)
    text = piece.text
    if piece.from_right and not any(unicodedata.bidirectional(x) in ("R", "AL") for x in text):
        # It finds the direction itself, and signs alone have none.
        text = text.translate(_MIRRORED)[::-1]
    font.set_text(text, flags=LoadFlags.NO_HINTING)
    return font


def _draw_with_matplotlib(
    large: Image.Image, x: float, base_line: float, piece: Piece, em_px: float
) -> None:
    """Draw a piece at its place, by matplotlib."""
    font = _matplotlib_face(piece, em_px)
    font.draw_glyphs_to_bitmap()
    letters = np.asarray(font.get_image())
    if letters.size:
        below = font.get_descent() / _PER_PIXEL
        at = (round(x), round(base_line + below - letters.shape[0]))
        ink = Image.fromarray(letters)
        large.paste(255, at, ink)
