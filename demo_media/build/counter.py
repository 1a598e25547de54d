"""The lamp panel on every music stand: 16 lamps that say which picture of the file this is.

Two rows of eight lamps, most significant bit first, row by row; a lit lamp is a 1. The bits are
the Gray code of the picture's index: from one picture to the next a single lamp changes, so a
panel that was blended from two neighbours is wrong by one picture at most.
"""

from __future__ import annotations

from dataclasses import dataclass

from .canvas import Context, box, colour, fill, shade

COLUMNS, ROWS = 8, 2
PITCH, LAMP = 26.0, 22.0
_WOOD = colour("#4a342b")
_LIT, _DARK, _FRAME = colour("#fffdf4"), colour("#0c0b10"), colour("#15131a")


@dataclass(frozen=True, slots=True)
class Panel:
    """Where the panel's first lamp has its centre, in design units."""

    x: float
    y: float

    def fractions(self, width: float, height: float) -> dict[str, float | int]:
        """Return the geometry in fractions of the upright picture."""
        return {
            "first_x": round(self.x / width, 6),
            "first_y": round(self.y / height, 6),
            "pitch_x": round(PITCH / width, 6),
            "pitch_y": round(PITCH / height, 6),
            "columns": COLUMNS,
            "rows": ROWS,
        }


def gray_bits(index: int) -> list[bool]:
    """Return the 16 bits of a picture index in Gray code, most significant first."""
    code = index ^ (index >> 1)
    return [bool(code >> bit & 1) for bit in range(COLUMNS * ROWS - 1, -1, -1)]


def index_of(bits: list[bool]) -> int:
    """Return the index that Gray-coded bits stand for."""
    value = 0
    for bit in bits:
        value = value << 1 | (value & 1 ^ int(bit))
    return value


def draw_panel(ctx: Context, panel: Panel, index: int) -> None:
    """Draw the panel with the lamps of one picture."""
    x, y = panel.x - PITCH / 2, panel.y - PITCH / 2
    w, h = COLUMNS * PITCH, ROWS * PITCH
    box(ctx, x - 11, y - 11, w + 22, h + 22, 9)
    shade(ctx, _WOOD)
    box(ctx, x - 4, y - 4, w + 8, h + 8, 4)
    fill(ctx, _FRAME)
    for position, lit in enumerate(gray_bits(index)):
        row, column = divmod(position, COLUMNS)
        at_x, at_y = panel.x + column * PITCH, panel.y + row * PITCH
        box(ctx, at_x - LAMP / 2, at_y - LAMP / 2, LAMP, LAMP, 3)
        fill(ctx, _LIT if lit else _DARK)
