"""A name in one font: as `syncvid.picture.captions` and `cards`, for a label and a font file."""

from __future__ import annotations

from pathlib import Path

from syncvid.arrays import Planes
from syncvid.picture import cards
from syncvid.picture.captions import draw_name, plan_names
from syncvid.picture.overlay import Overlay
from syncvid.picture.pieces import Rect
from syncvid.picture.typeset import Face, Run, Typeset
from syncvid.production.layouts import CaptionStyle, CardStyle

__all__ = ["Overlay", "draw_caption", "draw_card"]


def draw_caption(
    label: str, font: Path, tile: Rect, style: CaptionStyle, *, rule: str, picture_height: int
) -> Overlay | None:
    """Draw a name for the lower left corner of a tile; None where the tile is too small for it."""
    names = plan_names([_typeset(label, font)], [tile], style, picture_height=picture_height)
    return draw_name(names[0], tile, style, rule=rule) if names else None


def draw_card(label: str, font: Path, width: int, height: int, style: CardStyle) -> Planes:
    """Draw the card that stands in for a picture."""
    return cards.draw_card(_typeset(label, font), width, height, style)


def _typeset(label: str, font: Path) -> Typeset:
    """Return a label in one font."""
    face = Face(str(font), identity=font.name)
    return Typeset((Run(label, face),), face)
