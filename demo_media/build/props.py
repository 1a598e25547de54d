"""The instruments, as drawn. Each returns or takes the points that hands must reach."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .canvas import (
    Colour,
    Context,
    Point,
    along,
    aside,
    blend,
    box,
    colour,
    curve,
    darker,
    fill,
    glow,
    lighter,
    limb,
    line,
    oval,
    polygon,
    rod,
    shade,
)

SILVER, EBONY, PEAR = colour("#c9d2dc"), colour("#2c2730"), colour("#c98a4b")
VIOLIN, VIOLA, CELLO = colour("#b5602b"), colour("#9a4a26"), colour("#a9542a")
ROSEWOOD, BRASS, HAIR = colour("#8d3f2e"), colour("#d9a94a"), colour("#f4ecd8")

# Eight finger patterns are enough for the eye: neighbouring pitches always differ.
_PATTERNS = (0b111111, 0b111110, 0b111100, 0b111000, 0b110000, 0b100000, 0b011011, 0b101101)


def finger_lifts(pitch: float) -> list[float]:
    """Return how far each of six fingers is raised for a pitch, between pitches too."""
    low, share = math.floor(pitch), pitch - math.floor(pitch)
    here, there = _PATTERNS[low % 8], _PATTERNS[(low + 1) % 8]
    return [
        (1 - share) * (1 - (here >> bit & 1)) + share * (1 - (there >> bit & 1))
        for bit in range(5, -1, -1)
    ]


def draw_flute(ctx: Context, head: Point, foot: Point, lifts: list[float]) -> None:
    """Draw a flute from its head to its foot, with keys that follow the fingers."""
    rod(ctx, head, foot, (15, 14), SILVER)
    nx, ny = aside(head, foot, 1.0)
    for share in (0.02, 0.29, 0.33, 0.80, 0.83, 0.985):
        x, y = along(head, foot, share)
        line(
            ctx,
            [(x + nx * 8.5, y + ny * 8.5), (x - nx * 8.5, y - ny * 8.5)],
            4.5,
            lighter(SILVER, 0.5),
        )
    for index, share in enumerate((0.40, 0.45, 0.50, 0.60, 0.65, 0.70)):
        x, y = along(head, foot, share)
        open_by = 4.0 * lifts[index]
        oval(ctx, x, y - 3 - open_by, 7.5, 4.5)
        shade(ctx, darker(SILVER, 0.18), ink=1.2)
    x, y = along(head, foot, 0.115)
    box(ctx, x - 15, y - 10, 30, 9, 4)
    shade(ctx, SILVER, ink=1.2)


def draw_reed_pipe(ctx: Context, top: Point, bottom: Point, *, wood: Colour, keys: bool) -> None:
    """Draw a clarinet (with keys) or a recorder (without)."""
    neck = along(top, bottom, 0.17)
    if keys:
        rod(ctx, top, neck, (11, 21), darker(wood, 0.2))
    else:
        rod(ctx, top, neck, (24, 24), wood)
        x, y = along(top, bottom, 0.12)
        box(ctx, x - 6, y - 5, 12, 9, 2)
        fill(ctx, darker(wood, 0.7))
    flare = along(top, bottom, 0.86)
    rod(ctx, neck, flare, (20, 24), wood)
    end_width = 62 if keys else 30
    nx, ny = aside(flare, bottom, 1.0)
    side = end_width / 2
    curve(ctx, [(flare[0] + nx * 12, flare[1] + ny * 12),
                (bottom[0] + nx * side, bottom[1] + ny * side),
                (bottom[0] - nx * side, bottom[1] - ny * side),
                (flare[0] - nx * 12, flare[1] - ny * 12)], closed=True)  # fmt: skip
    shade(ctx, wood)
    ring = SILVER if keys else HAIR
    for share in (0.17, 0.30, 0.56, 0.86):
        x, y = along(top, bottom, share)
        line(ctx, [(x + nx * 12, y + ny * 12), (x - nx * 12, y - ny * 12)], 5, ring)
    if keys:
        for share in (0.36, 0.48, 0.62, 0.74):
            x, y = along(top, bottom, share)
            line(ctx, [(x + nx * 13, y), (x + nx * 15, y + 26)], 3.5, SILVER)
            oval(ctx, x + nx * 14, y + 28, 6, 5)
            shade(ctx, SILVER, ink=1.0)


@dataclass(frozen=True, slots=True)
class Fiddle:
    """Geometry of a violin or viola: tail point, angle of its axis, size, colour."""

    tail: Point
    angle: float
    size: float
    wood: Colour

    def at(self, along_axis: float, across: float = 0.0) -> Point:
        """Turn a place on the instrument into a place in the picture."""
        c, s = math.cos(self.angle), math.sin(self.angle)
        x, y = along_axis * self.size, across * self.size
        return (self.tail[0] + x * c - y * s, self.tail[1] + x * s + y * c)


_BODY = [
    (0, 0), (4, -26), (22, -42), (48, -39), (66, -25), (86, -24), (104, -33), (128, -34),
    (146, -20), (150, 0), (146, 20), (128, 34), (104, 33), (86, 24), (66, 25), (48, 39),
    (22, 42), (4, 26),
]  # fmt: skip


def _enter(ctx: Context, fiddle: Fiddle) -> None:
    """Draw in the instrument's own units, its axis to the right."""
    ctx.save()
    ctx.translate(*fiddle.tail)
    ctx.rotate(fiddle.angle)
    ctx.scale(fiddle.size, fiddle.size)


def draw_fiddle(ctx: Context, fiddle: Fiddle) -> None:
    """Draw a violin-shaped instrument from tail to scroll: violin, viola and cello alike."""
    _enter(ctx, fiddle)
    curve(ctx, [(x, y + 6) for x, y in _BODY], closed=True)
    shade(ctx, darker(fiddle.wood, 0.5))
    curve(ctx, _BODY, closed=True)
    shade(ctx, fiddle.wood)
    curve(ctx, [(75 + (x - 75) * 0.91, y * 0.87) for x, y in _BODY], closed=True)
    ctx.set_line_width(1.0)
    ctx.set_source_rgba(*darker(fiddle.wood, 0.6), 0.5)
    ctx.stroke()
    glow(ctx, 112, -12, 44, lighter(fiddle.wood, 0.7), 0.42)
    for side in (-1, 1):
        line(
            ctx,
            [(57, side * 15), (63, side * 20), (80, side * 15), (87, side * 19)],
            2.6,
            EBONY,
            0.9,
        )
    limb(ctx, [(246, 0), (262, -2), (268, -9), (261, -13)], [9, 10, 9, 7], darker(fiddle.wood, 0.1))
    polygon(ctx, [(148, -7), (246, -4.5), (246, 4.5), (148, 7)])
    shade(ctx, fiddle.wood, ink=1.0)
    polygon(ctx, [(98, -7.5), (246, -4.5), (246, 4.5), (98, 7.5)])
    shade(ctx, EBONY, ink=1.0)
    polygon(ctx, [(14, -5), (50, -8), (50, 8), (14, 5)])
    shade(ctx, EBONY, ink=1.0)
    polygon(ctx, [(70, -11), (74, -11), (74, 11), (70, 11)])
    shade(ctx, HAIR, ink=1.2)
    for string in range(4):
        across = (-6 + 4 * string, -3.3 + 2.2 * string)
        line(ctx, [(50, across[0]), (72, across[0] * 1.1), (246, across[1])], 0.9, HAIR, 0.9)
    for peg in range(4):
        side = -1 if peg % 2 else 1
        line(ctx, [(251 + 4 * peg, 0), (251 + 4 * peg, side * 13)], 3.4, EBONY)
    ctx.restore()


def draw_chin_rest(ctx: Context, fiddle: Fiddle) -> None:
    """Draw the chin rest over the body."""
    _enter(ctx, fiddle)
    oval(ctx, 14, -20, 17, 13)
    shade(ctx, EBONY, ink=1.0)
    ctx.restore()


def draw_bow(ctx: Context, frog: Point, tip: Point) -> None:
    """Draw a bow: stick, hair, frog and tip."""
    nx, ny = aside(frog, tip, 1.0)
    if ny > 0:
        nx, ny = -nx, -ny
    line(ctx, [along(frog, tip, 0.03), along(frog, tip, 0.985)], 3.6, HAIR)
    stick = [
        (
            frog[0] + (tip[0] - frog[0]) * share + nx * rise,
            frog[1] + (tip[1] - frog[1]) * share + ny * rise,
        )
        for share, rise in ((-0.05, 11), (0.2, 10), (0.55, 6), (0.85, 9), (0.97, 12), (1.0, 2))
    ]
    line(ctx, stick, 6.5, darker(ROSEWOOD, 0.45))
    line(ctx, stick, 3.8, ROSEWOOD)
    (x0, y0), (x1, y1) = along(frog, tip, 0.03), along(frog, tip, 0.12)
    up_x, up_y = nx * 12, ny * 12
    polygon(ctx, [(x0, y0), (x0 + up_x, y0 + up_y), (x1 + up_x, y1 + up_y), (x1, y1)])
    shade(ctx, EBONY, ink=1.0)


_NATURALS = (0, 2, 4, 5, 7, 9, 11)
# From G3 to F5. The player stands behind, so low bars lie on the viewer's right.
BAR_LOW, BAR_HIGH = 55, 77
BAR_LEFT, BAR_RIGHT, BAR_Y, BAR_Y_SHARP = 292.0, 988.0, 486.0, 542.0


def _natural_place(midi: int) -> float:
    """Return the place of a pitch on the row of naturals; sharps lie between."""
    octave, step = divmod(midi, 12)
    if step in _NATURALS:
        return octave * 7 + _NATURALS.index(step)
    return octave * 7 + _NATURALS.index(step - 1) + 0.5


def bar_at(midi: int) -> Point:
    """Return the middle of a marimba bar."""
    low, high = _natural_place(BAR_LOW), _natural_place(BAR_HIGH)
    share = (_natural_place(midi) - low) / (high - low)
    sharp = midi % 12 not in _NATURALS
    return (BAR_RIGHT - 24 - share * (BAR_RIGHT - BAR_LEFT - 48), BAR_Y_SHARP if sharp else BAR_Y)


def mallet_target(pitch: float) -> Point:
    """Return where a mallet head meets a bar, between pitches too."""
    low = math.floor(pitch)
    return along(bar_at(low), bar_at(low + 1), pitch - low)


def draw_marimba(ctx: Context, glows: dict[int, float]) -> None:
    """Draw the marimba; ``glows`` gives the bars that were struck and how fresh the stroke is."""
    for midi in range(BAR_LOW, BAR_HIGH + 1):
        x, _ = bar_at(midi)
        length = 215 - 3.6 * (midi - BAR_LOW)
        if midi % 12 in _NATURALS:
            rod(ctx, (x, 540), (x, 540 + length), (37, 37), BRASS)
    for y in (452.0, 512.0, 570.0):
        rod(ctx, (BAR_LEFT - 34, y), (BAR_RIGHT + 34, y), (13, 13), colour("#5a3d31"))
    for sharp in (False, True):
        for midi in range(BAR_LOW, BAR_HIGH + 1):
            if (midi % 12 not in _NATURALS) == sharp:
                _draw_bar(ctx, midi, glows.get(midi, 0.0))
    for x in (BAR_LEFT - 34, BAR_RIGHT + 34):
        rod(ctx, (x, 440), (x, 724), (26, 26), colour("#6b4636"))


def _draw_bar(ctx: Context, midi: int, fresh: float) -> None:
    """Draw one bar, lit for a moment after it was struck."""
    x, y = bar_at(midi)
    half = (34 if midi % 12 in _NATURALS else 27) + 0.25 * (BAR_HIGH - midi)
    wide = 21.0 if midi % 12 in _NATURALS else 17.5
    wood = blend(ROSEWOOD, colour("#ffcf7a"), 0.75 * fresh)
    box(ctx, x - wide, y - half + 2.5 * fresh, 2 * wide, 2 * half, 5)
    shade(ctx, wood)
    for side in (-1, 1):
        oval(ctx, x, y + side * (half - 9), 2.6, 2.6)
        fill(ctx, darker(wood, 0.6))


def draw_mallet(ctx: Context, hand: Point, head: Point) -> None:
    """Draw a mallet with a wound head."""
    back = along(hand, head, -0.18)
    line(ctx, [back, head], 6.5, colour("#8a6a45"))
    line(ctx, [back, head], 3.6, colour("#d9b98a"))
    oval(ctx, head[0], head[1], 17, 15)
    shade(ctx, colour("#e0574f"))
    thread = [(head[0] - 11, head[1] + 3), (head[0], head[1] - 3), (head[0] + 11, head[1] + 2)]
    line(ctx, thread, 1.6, lighter(colour("#e0574f"), 0.5), 0.8)
