"""What stands and hangs in the rooms: windows, shelves, plants, lamps, a piano, a bicycle."""

from __future__ import annotations

import math
from itertools import pairwise

import cairo
import numpy as np

from .canvas import (
    Colour,
    Context,
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
    wash,
)

LEAF, POT, OAK = colour("#4f7d55"), colour("#c2683f"), colour("#a9744a")
CREAM, APPLE, TRUNK = colour("#f6ead2"), colour("#d8442f"), colour("#6f4a35")
BOOKS = tuple(
    colour(code)
    for code in ("#b6493b", "#d9a441", "#3f6b74", "#6d8a57", "#8c4f6b", "#e0c79a", "#41527d")
)


def draw_wall(
    ctx: Context, top: Colour, bottom: Colour, *, width: float = 1280, height: float = 720
) -> None:
    """Paint the wall."""
    wash(ctx, (0, 0, width, height), top, bottom)


def draw_floor(
    ctx: Context, y: float, base: Colour, *, width: float = 1280, height: float = 720
) -> None:
    """Lay floor boards and a skirting board."""
    wash(ctx, (0, y, width, height - y), base, darker(base, 0.35))
    for step in range(-9, 10):
        x = width / 2 + step * 74
        line(ctx, [(x, y), (width / 2 + step * 150, height)], 2, darker(base, 0.4), 0.5)
    ctx.rectangle(0, y - 20, width, 20)
    fill(ctx, lighter(base, 0.55))
    line(ctx, [(0, y), (width, y)], 3, darker(base, 0.5), 0.7)


def draw_tree(ctx: Context, x: float, ground: float, size: float, leaf: Colour) -> None:
    """Grow an apple tree."""
    limb(ctx, [(x, ground), (x + 2, ground - 50 * size), (x - 3, ground - 92 * size)],
         [17 * size, 11 * size, 9 * size], TRUNK)  # fmt: skip
    for dx, dy, r in ((-34, -96, 34), (32, -100, 36), (0, -132, 40), (-4, -92, 32)):
        oval(ctx, x + dx * size, ground + dy * size, r * size, r * 0.88 * size)
        shade(ctx, leaf, ink=0.8)
    for dx, dy in ((-44, -92), (-18, -118), (14, -96), (40, -112), (6, -146), (-8, -80), (30, -84)):
        oval(ctx, x + dx * size, ground + dy * size, 5.5 * size, 5.5 * size)
        shade(ctx, APPLE, ink=0.6)


def draw_window(
    ctx: Context, x: float, y: float, w: float, h: float, sky: tuple[Colour, Colour], leaf: Colour
) -> None:
    """Open a window onto the orchard."""
    box(ctx, x - 14, y - 14, w + 28, h + 28, 8)
    shade(ctx, CREAM)
    ctx.save()
    ctx.rectangle(x, y, w, h)
    ctx.clip()
    wash(ctx, (x, y, w, h), *sky)
    glow(ctx, x + 0.72 * w, y + 0.28 * h, 0.5 * w, colour("#fff3c4"), 0.8)
    far, near = blend(leaf, sky[1], 0.5), lighter(leaf, 0.2)
    for tops, base in (((0.62, 0.58, 0.60, 0.58), far), ((0.82, 0.78, 0.77, 0.83), near)):
        ridge = zip((-0.1, 0.3, 0.7, 1.1), tops, strict=True)
        curve(ctx, [(x + across * w, y + down * h) for across, down in ridge])
        ctx.line_to(x + 1.1 * w, y + h)
        ctx.line_to(x - 0.1 * w, y + h)
        ctx.close_path()
        fill(ctx, base)
    draw_tree(ctx, x + 0.27 * w, y + 0.88 * h, h / 260, leaf)
    draw_tree(ctx, x + 0.78 * w, y + 0.94 * h, h / 215, darker(leaf, 0.08))
    ctx.restore()
    for bar_x, bar_y, bar_w, bar_h in ((x + w / 2 - 5, y, 10, h), (x, y + 0.46 * h, w, 9)):
        ctx.rectangle(bar_x, bar_y, bar_w, bar_h)
        fill(ctx, CREAM)
    box(ctx, x - 26, y + h + 10, w + 52, 17, 5)
    shade(ctx, lighter(CREAM, 0.4))


def draw_curtain(ctx: Context, x: float, y: float, w: float, h: float, base: Colour) -> None:
    """Hang a curtain in folds."""
    for step in range(4):
        left, right = x + step * w / 4, x + (step + 1) * w / 4
        middle, low = y + h / 2, y + h
        edge = [(left, y), (right + 4, y), (right + 9, middle), (right + 3, low), (left - 2, low)]
        curve(ctx, [*edge, (left + 5, middle)], closed=True)
        shade(ctx, base, ink=0.8)


def draw_shelf(ctx: Context, x: float, y: float, w: float, rows: int, seed: int) -> None:
    """Build a bookcase and fill it."""
    rng = np.random.default_rng(seed)
    height = 116
    box(ctx, x - 12, y - 12, w + 24, rows * height + 20, 5)
    shade(ctx, OAK)
    for row in range(rows):
        top = y + row * height
        ctx.rectangle(x, top, w, height - 12)
        fill(ctx, darker(OAK, 0.55))
        at = x + 4.0
        while at < x + w - 30:
            thick, tall = rng.uniform(13, 27), rng.uniform(62, 96)
            if rng.random() < 0.14:
                at += rng.uniform(20, 40)
                continue
            base = BOOKS[int(rng.integers(len(BOOKS)))]
            box(ctx, at, top + height - 12 - tall, thick, tall, 2)
            shade(ctx, base, ink=0.9)
            band_y = top + height - tall + 4
            band = [(at + 3, band_y), (at + thick - 3, band_y)]
            line(ctx, band, 2.4, lighter(base, 0.5), 0.8)
            at += thick + 1


def draw_plant(ctx: Context, x: float, y: float, size: float, leaf: Colour = LEAF) -> None:
    """Set a leafy plant in a pot; (x, y) is the foot of the pot."""
    for step in range(9):
        angle = math.radians(-164 + 18.5 * step)
        reach = size * (92 + 26 * math.sin(2.3 * step))
        end = (x + reach * math.cos(angle), y - 62 * size + reach * math.sin(angle))
        middle = (x + 0.45 * (end[0] - x), y - 74 * size + 0.62 * (end[1] - y + 62 * size))
        nx, ny = (end[1] - y + 60 * size) * 0.16, -(end[0] - x) * 0.16
        curve(ctx, [(x, y - 54 * size), (middle[0] + nx, middle[1] + ny), end,
                    (middle[0] - nx, middle[1] - ny)], closed=True)  # fmt: skip
        shade(ctx, blend(leaf, colour("#86a85c"), 0.12 * (step % 4)), ink=1.0)
    polygon(ctx, [(x - 36 * size, y - 62 * size), (x + 36 * size, y - 62 * size),
                  (x + 26 * size, y), (x - 26 * size, y)])  # fmt: skip
    shade(ctx, POT)
    box(ctx, x - 40 * size, y - 72 * size, 80 * size, 16 * size, 4)
    shade(ctx, lighter(POT, 0.1))


def draw_picture(ctx: Context, x: float, y: float, w: float, h: float, kind: str) -> None:
    """Hang a framed picture: a ``pear``, an ``apple`` or ``hills``."""
    box(ctx, x - 10, y - 10, w + 20, h + 20, 4)
    shade(ctx, OAK)
    ctx.rectangle(x, y, w, h)
    fill(ctx, CREAM)
    cx, cy = x + w / 2, y + h / 2
    if kind == "hills":
        for step, base in enumerate(("#8fb3b0", "#6f9a7c", "#4f7d55")):
            top = y + h * (0.45 + 0.17 * step)
            curve(
                ctx,
                [(x, top + 8), (x + 0.35 * w, top - 8), (x + 0.7 * w, top + 6), (x + w, top - 4)],
            )
            ctx.line_to(x + w, y + h)
            ctx.line_to(x, y + h)
            ctx.close_path()
            fill(ctx, colour(base))
        oval(ctx, x + 0.72 * w, y + 0.26 * h, 0.1 * w, 0.1 * w)
        fill(ctx, colour("#e9a63a"))
        return
    fruit = APPLE if kind == "apple" else colour("#b9b04a")
    neck = 0.16 if kind == "apple" else 0.34
    curve(ctx, [(cx, cy - neck * h), (cx + 0.2 * w, cy - 0.08 * h), (cx + 0.22 * w, cy + 0.2 * h),
                (cx, cy + 0.3 * h), (cx - 0.22 * w, cy + 0.2 * h), (cx - 0.2 * w, cy - 0.08 * h)],
          closed=True)  # fmt: skip
    shade(ctx, fruit)
    line(ctx, [(cx, cy - neck * h), (cx + 4, cy - (neck + 0.1) * h)], 4, TRUNK)


def draw_floor_lamp(ctx: Context, x: float, top: float, base: Colour, *, foot: float = 720) -> None:
    """Stand a lamp that is lit."""
    rod(ctx, (x, top + 60), (x, foot), (9, 9), darker(OAK, 0.3))
    glow(ctx, x, top + 50, 250, colour("#ffd98a"), 0.62)
    polygon(ctx, [(x - 34, top), (x + 34, top), (x + 64, top + 84), (x - 64, top + 84)])
    shade(ctx, base, depth=0.5)
    glow(ctx, x, top + 60, 70, colour("#fff2c8"), 0.75)


def draw_sunbeam(ctx: Context, corners: list[tuple[float, float]], alpha: float = 0.16) -> None:
    """Let light fall slantwise into the room."""
    x0, y0 = corners[0]
    x1, y1 = corners[2]
    beam = cairo.LinearGradient(x0, y0, x1, y1)
    beam.add_color_stop_rgba(0, 1.0, 0.94, 0.72, alpha)
    beam.add_color_stop_rgba(1, 1.0, 0.94, 0.72, 0.0)
    polygon(ctx, corners)
    ctx.set_source(beam)
    ctx.fill()


def draw_dots(ctx: Context, base: Colour, *, step: float = 62, bottom: float = 560) -> None:
    """Print a quiet pattern of leaves on the wallpaper."""
    for row in range(int(bottom / step) + 1):
        for column in range(int(1280 / step) + 2):
            x = column * step + (step / 2 if row % 2 else 0)
            oval(ctx, x, row * step + 20, 6, 3, -0.7)
            fill(ctx, base, 0.5)


def draw_lights(ctx: Context, points: list[tuple[float, float]]) -> None:
    """Hang a string of small lamps."""
    line(ctx, points, 2.4, colour("#54483c"), 0.9)
    for start, end in pairwise(points):
        for share in (0.15, 0.5, 0.85):
            x = start[0] + (end[0] - start[0]) * share
            y = start[1] + (end[1] - start[1]) * share + 13
            glow(ctx, x, y, 34, colour("#ffd77a"), 0.6)
            oval(ctx, x, y, 6, 8)
            fill(ctx, colour("#fff0c0"))


def draw_globe(ctx: Context, x: float, y: float) -> None:
    """Put a globe on the desk."""
    rod(ctx, (x, y + 40), (x, y + 56), (10, 44), darker(OAK, 0.3))
    oval(ctx, x, y, 40, 40)
    shade(ctx, colour("#7fb6c4"))
    for dx, dy, rx, ry in ((-12, -12, 14, 10), (12, 6, 12, 16), (-14, 18, 9, 7)):
        oval(ctx, x + dx, y + dy, rx, ry, 0.4)
        fill(ctx, colour("#8fae62"))


def draw_piano(ctx: Context) -> None:
    """Push an upright piano against the wall, with a vase."""
    wood = colour("#5d3a2c")
    box(ctx, 40, 262, 330, 330, 8)
    shade(ctx, wood)
    box(ctx, 24, 246, 362, 22, 6)
    shade(ctx, lighter(wood, 0.15))
    box(ctx, 64, 296, 282, 92, 5)
    shade(ctx, darker(wood, 0.2))
    box(ctx, 30, 424, 350, 34, 5)
    shade(ctx, lighter(wood, 0.1))
    ctx.rectangle(50, 408, 310, 26)
    fill(ctx, CREAM)
    for step in range(21):
        line(ctx, [(50 + 14.8 * step, 409), (50 + 14.8 * step, 433)], 1.4, colour("#8a7c68"))
        if step % 7 not in (2, 6):
            ctx.rectangle(60 + 14.8 * step, 408, 8, 15)
            fill(ctx, colour("#2a2226"))
    for x in (62, 348):
        rod(ctx, (x, 456), (x, 596), (26, 20), wood)
    for dx, dy, base in ((-22, -86, "#e8a33d"), (4, -104, "#d8563f"), (28, -84, "#f0d27a")):
        line(ctx, [(306, 214), (306 + dx * 0.6, 214 + dy * 0.5), (306 + dx, 244 + dy)], 4, LEAF)
        for petal in range(6):
            angle = petal * math.pi / 3
            oval(ctx, 306 + dx + 11 * math.cos(angle), 244 + dy + 11 * math.sin(angle), 8, 8)
            shade(ctx, colour(base), ink=0.8)
        oval(ctx, 306 + dx, 244 + dy, 6, 6)
        fill(ctx, colour("#7a4a2a"))
    curve(
        ctx, [(292, 196), (320, 196), (330, 226), (320, 246), (292, 246), (282, 226)], closed=True
    )
    shade(ctx, colour("#6f9fb0"))


def draw_bicycle(ctx: Context, x: float, y: float) -> None:
    """Lean a bicycle against the wall."""
    for dx in (-98, 98):
        oval(ctx, x + dx, y + 66, 74, 74)
        ctx.set_line_width(9)
        ctx.set_source_rgb(*colour("#3a3436"))
        ctx.stroke()
        for step in range(8):
            angle = step * math.pi / 8
            line(ctx, [(x + dx - 70 * math.cos(angle), y + 66 - 70 * math.sin(angle)),
                       (x + dx + 70 * math.cos(angle), y + 66 + 70 * math.sin(angle))], 1.4,
                 colour("#8d8884"), 0.8)  # fmt: skip
    frame = colour("#3f8a7d")
    back, seat, head, crank = (x - 98, y + 66), (x - 34, y - 24), (x + 70, y - 30), (x + 4, y + 66)
    fork = ((x + 98, y + 66), (x + 66, y - 58))
    tubes = ((back, seat), (seat, head), (back, crank), (crank, seat), (crank, head), fork)
    for start, end in tubes:
        rod(ctx, start, end, (9, 9), frame)
    line(ctx, [(x + 44, y - 66), (x + 66, y - 62), (x + 92, y - 72)], 8, colour("#4a3a32"))
    limb(ctx, [(x - 62, y - 36), (x - 14, y - 38)], [20, 11], colour("#6b4430"))


def draw_spades(ctx: Context) -> None:
    """Hang a few garden spades."""
    for x in (404, 452, 500):
        rod(ctx, (x, 196), (x, 420), (8, 8), OAK)
    for step in range(5):
        line(ctx, [(388 + 8 * step, 420), (386 + 9 * step, 462)], 4, colour("#7d858c"))
    line(ctx, [(386, 420), (422, 420)], 6, colour("#7d858c"))
    curve(ctx, [(436, 410), (468, 410), (470, 452), (452, 478), (434, 452)], closed=True)
    shade(ctx, colour("#8d959c"))
    polygon(ctx, [(482, 416), (518, 416), (522, 440), (478, 440)])
    shade(ctx, colour("#8d959c"))


def draw_jar(ctx: Context, x: float, foot: float, inside: Colour) -> None:
    """Stand a jar of something on the shelf."""
    box(ctx, x, foot - 62, 42, 62, 9)
    shade(ctx, blend(inside, CREAM, 0.25))
    box(ctx, x + 3, foot - 74, 36, 14, 4)
    shade(ctx, OAK)
    box(ctx, x + 9, foot - 40, 24, 20, 3)
    fill(ctx, CREAM)


def draw_kettle(ctx: Context, x: float, foot: float) -> None:
    """Put the kettle on the worktop."""
    limb(
        ctx,
        [(x + 40, foot - 34), (x + 74, foot - 54), (x + 84, foot - 74)],
        [22, 14, 10],
        colour("#c94f45"),
    )
    oval(ctx, x, foot - 42, 58, 44)
    shade(ctx, colour("#d8574c"))
    line(ctx, [(x - 40, foot - 74), (x, foot - 118), (x + 40, foot - 74)], 8, colour("#4a3a35"))
    oval(ctx, x, foot - 86, 14, 8)
    shade(ctx, colour("#4a3a35"))
