"""The rooms, as drawn: one function to a room, and what moves in it by itself.

A room is drawn once per clip and then lies behind the player in every picture; the little that
moves in it by itself is drawn anew. The orchard of the title is seen through every window, each at
another hour.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from .canvas import (
    Context,
    blend,
    box,
    colour,
    curve,
    darker,
    fill,
    glow,
    limb,
    line,
    oval,
    polygon,
    rod,
    shade,
    wash,
)
from .furniture import (
    APPLE,
    BOOKS,
    OAK,
    draw_bicycle,
    draw_curtain,
    draw_dots,
    draw_floor,
    draw_floor_lamp,
    draw_globe,
    draw_jar,
    draw_kettle,
    draw_lights,
    draw_piano,
    draw_picture,
    draw_plant,
    draw_shelf,
    draw_spades,
    draw_sunbeam,
    draw_wall,
    draw_window,
)


def living_room(ctx: Context) -> None:
    """Morning: a window with curtains, a bookcase, a plant."""
    draw_wall(ctx, colour("#f3d9a4"), colour("#e8bd84"))
    draw_dots(ctx, colour("#d9a568"))
    draw_floor(ctx, 600, colour("#b98252"))
    draw_window(ctx, 92, 92, 250, 330, (colour("#bfe3ee"), colour("#f7efcf")), colour("#5e9455"))
    draw_curtain(ctx, 44, 56, 66, 440, colour("#d3674c"))
    draw_curtain(ctx, 334, 56, 66, 440, colour("#d3674c"))
    rod(ctx, (30, 56), (414, 56), (10, 10), OAK)
    draw_shelf(ctx, 946, 100, 250, 4, 4)
    draw_picture(ctx, 764, 96, 92, 112, "pear")
    draw_plant(ctx, 900, 640, 1.1)
    draw_sunbeam(ctx, [(110, 100), (340, 100), (860, 720), (420, 720)], 0.24)


def evening_living_room(ctx: Context) -> None:
    """Dusk in the other corner of the living room: a lit lamp, a sofa, a cat."""
    draw_wall(ctx, colour("#c98a6a"), colour("#a8644f"))
    draw_dots(ctx, colour("#b4765c"))
    draw_floor(ctx, 610, colour("#8f5d3f"))
    draw_window(ctx, 936, 84, 236, 300, (colour("#5d6ba8"), colour("#f0a46c")), colour("#3f6a57"))
    draw_curtain(ctx, 890, 52, 60, 430, colour("#e3b04e"))
    draw_curtain(ctx, 1164, 52, 60, 430, colour("#e3b04e"))
    rod(ctx, (874, 52), (1240, 52), (10, 10), OAK)
    draw_picture(ctx, 428, 84, 84, 84, "apple")
    draw_picture(ctx, 318, 120, 76, 96, "hills")
    box(ctx, 36, 430, 330, 220, 40)
    shade(ctx, colour("#4f7a78"))
    box(ctx, 10, 500, 84, 150, 30)
    shade(ctx, colour("#5b8a86"))
    box(ctx, 104, 470, 110, 96, 24)
    shade(ctx, colour("#e3b04e"))
    draw_floor_lamp(ctx, 206, 176, colour("#f2cf8b"), foot=470)


def sleeping_cat(ctx: Context, at_s: float) -> None:
    """Curl up a cat on the sofa; it breathes, and now and then the tail twitches."""
    x, y, fur = 290.0, 478.0, colour("#e0a05a")
    breath = math.sin(2 * math.pi * at_s / 3.4)
    twitch = 7 * max(0.0, math.sin(2 * math.pi * at_s / 11.0)) ** 12
    oval(ctx, x, y - 14 - 1.5 * breath, 56, 32 + 1.5 * breath)
    shade(ctx, fur)
    tail = [(x + 44, y + 4), (x + 10, y + 20), (x - 28, y + 12 - twitch)]
    limb(ctx, tail, [18, 16, 11], darker(fur, 0.12))
    for side in (-1, 1):
        ear = x - 38 + side * 13
        polygon(ctx, [(ear - 8, y - 20), (ear + 8, y - 20), (ear + side * 3, y - 42)])
        shade(ctx, fur, ink=1.0)
    oval(ctx, x - 38, y - 8, 26, 21)
    shade(ctx, fur)
    for side in (-1, 1):
        eye = x - 38 + side * 10
        line(ctx, [(eye - 5, y - 9), (eye, y - 6), (eye + 5, y - 9)], 2.2, darker(fur, 0.7))


def twinkling_stars(ctx: Context, at_s: float) -> None:
    """Let three stars twinkle over the orchard."""
    for step, (x, y) in enumerate(((158, 106), (204, 126), (256, 102))):
        shine = 0.45 + 0.35 * math.sin(1.9 * at_s + 2.1 * step)
        glow(ctx, x, y, 11, colour("#fff6d8"), shine)


def steam(ctx: Context, at_s: float) -> None:
    """Let the kettle steam."""
    for step in range(3):
        age = (at_s / 3.0 + step / 3) % 1.0
        x = 350 + 10 * math.sin(5 * age + 2 * step) + 16 * age
        glow(ctx, x, 466 - 90 * age, 14 + 22 * age, colour("#ffffff"), 0.5 * (1 - age))


def attic(ctx: Context) -> None:
    """Portrait, 720 x 1280: slanting roof, a skylight, strings of lights, boxes."""
    draw_wall(ctx, colour("#dfe6d8"), colour("#c3d0c0"), width=720, height=1280)
    draw_floor(ctx, 1090, colour("#9c7a58"), width=720, height=1280)
    polygon(ctx, [(0, 0), (250, 0), (0, 560)])
    shade(ctx, colour("#c99b6b"), depth=0.6)
    polygon(ctx, [(470, 0), (720, 0), (720, 560)])
    shade(ctx, colour("#b88958"), depth=0.6)
    for x0, x1, y1 in ((250, 0, 560), (470, 720, 560)):
        rod(ctx, (x0, -4), (x1, y1), (26, 26), colour("#8a5f3e"))
    rod(ctx, (-10, 132), (730, 132), (30, 30), colour("#8a5f3e"))
    draw_window(ctx, 258, 176, 204, 220, (colour("#9fd0e6"), colour("#eef3da")), colour("#6b9a55"))
    draw_lights(ctx, [(40, 330), (190, 168), (360, 148), (530, 168), (680, 330)])
    draw_shelf(ctx, 30, 858, 150, 2, 11)
    draw_plant(ctx, 104, 846, 0.62, colour("#6d8f4e"))
    box(ctx, 536, 900, 184, 18, 4)
    shade(ctx, OAK)
    for x in (556, 700):
        rod(ctx, (x, 918), (x, 1100), (18, 14), OAK)
    box(ctx, 560, 700, 130, 96, 4)
    shade(ctx, colour("#c99f6b"))
    line(ctx, [(560, 730), (690, 730)], 5, colour("#a97d4c"), 0.8)
    box(ctx, 548, 796, 160, 104, 4)
    shade(ctx, colour("#bf9360"))
    draw_plant(ctx, 628, 1140, 1.1)
    draw_sunbeam(ctx, [(262, 178), (460, 178), (620, 1200), (180, 1200)], 0.26)


def study(ctx: Context) -> None:
    """Blue wall, tall window on the right, desk, globe and books."""
    draw_wall(ctx, colour("#5f8fa3"), colour("#47728a"))
    draw_floor(ctx, 610, colour("#a87a52"))
    draw_window(ctx, 980, 80, 216, 350, (colour("#d5e8ee"), colour("#f3e9d2")), colour("#7a9a4c"))
    draw_shelf(ctx, 44, 66, 260, 3, 21)
    draw_picture(ctx, 396, 84, 110, 82, "hills")
    box(ctx, -20, 470, 350, 26, 6)
    shade(ctx, OAK)
    for x in (20, 290):
        rod(ctx, (x, 494), (x, 720), (20, 16), OAK)
    draw_globe(ctx, 232, 414)
    for step, base in enumerate(BOOKS[:3]):
        box(ctx, 44 + 5 * step, 452 - 18 * step, 112 - 10 * step, 18, 3)
        shade(ctx, base)
    draw_plant(ctx, 1120, 470, 0.56, colour("#6fa05d"))
    draw_sunbeam(ctx, [(990, 90), (1190, 90), (900, 720), (480, 720)], 0.2)


def bedroom(ctx: Context) -> None:
    """Night: stars in the window, a bed with a quilt, a lamp."""
    draw_wall(ctx, colour("#54507f"), colour("#3f4170"))
    for step in range(26):
        x, y = (step * 211) % 1280, 30 + (step * 97) % 380
        oval(ctx, x, y, 3.2, 3.2)
        fill(ctx, colour("#8d86b8"), 0.6)
    draw_floor(ctx, 616, colour("#6b5468"))
    draw_window(ctx, 110, 84, 240, 300, (colour("#20285a"), colour("#5b6aa5")), colour("#35594f"))
    oval(ctx, 300, 116, 17, 17)
    fill(ctx, colour("#fff3cf"))
    draw_curtain(ctx, 66, 50, 60, 400, colour("#8d5a8c"))
    draw_curtain(ctx, 336, 50, 60, 400, colour("#8d5a8c"))
    box(ctx, 900, 400, 420, 90, 26)
    shade(ctx, OAK)
    box(ctx, 880, 470, 460, 190, 34)
    shade(ctx, colour("#5d86a8"))
    quilt = ("#d97d5b", "#e3b565", "#7fa08a", "#b26a8a")
    for row in range(2):
        for column in range(6):
            box(ctx, 900 + 66 * column, 500 + 68 * row, 58, 60, 8)
            shade(ctx, colour(quilt[(row * 3 + column) % 4]), ink=1.0)
    draw_floor_lamp(ctx, 1010, 150, colour("#f4c777"), foot=410)
    draw_picture(ctx, 806, 108, 84, 106, "pear")


def music_room(ctx: Context) -> None:
    """Green panelling, a piano, a large window, a rug."""
    draw_wall(ctx, colour("#8fae8b"), colour("#6f9374"))
    draw_floor(ctx, 588, colour("#b5834f"))
    for step in range(7):
        box(ctx, 20 + 184 * step, 424, 150, 134, 6)
        ctx.set_line_width(4)
        ctx.set_source_rgba(*darker(colour("#7d9f7e"), 0.3), 0.6)
        ctx.stroke()
    draw_window(ctx, 890, 66, 290, 318, (colour("#cfe6ec"), colour("#fbe7c2")), colour("#d0803a"))
    draw_curtain(ctx, 842, 34, 60, 470, colour("#f0e2c4"))
    draw_curtain(ctx, 1180, 34, 60, 470, colour("#f0e2c4"))
    draw_piano(ctx)
    oval(ctx, 640, 690, 520, 74)
    shade(ctx, colour("#b5483e"), depth=0.6)
    oval(ctx, 640, 690, 430, 54)
    fill(ctx, colour("#d98f54"), 0.8)
    draw_picture(ctx, 430, 92, 88, 108, "apple")
    draw_sunbeam(ctx, [(900, 70), (1170, 70), (860, 720), (380, 720)], 0.2)


def garage(ctx: Context) -> None:
    """Brick, an open door to the garden, a bicycle, spades, string lights."""
    draw_wall(ctx, colour("#d8b79c"), colour("#bd9478"))
    for row in range(13):
        for column in range(11):
            if (row * 7 + column * 5) % 11 < 4:
                box(ctx, column * 128 - (64 if row % 2 else 0), row * 44 + 6, 118, 34, 4)
                fill(ctx, colour("#c9a083"), 0.7)
    draw_floor(ctx, 606, colour("#9a958c"))
    draw_window(ctx, 936, 110, 270, 500, (colour("#a9dbe8"), colour("#f4f3cf")), colour("#5f9a4d"))
    draw_bicycle(ctx, 196, 470)
    box(ctx, 380, 150, 150, 12, 3)
    shade(ctx, OAK)
    for step, base in enumerate(("#d8563f", "#3f6b74", "#e3b04e", "#6d8a57")):
        box(ctx, 388 + 35 * step, 108, 28, 42, 4)
        shade(ctx, colour(base))
    draw_spades(ctx)
    draw_lights(ctx, [(-10, 56), (320, 84), (640, 62), (960, 84), (1290, 50)])
    draw_plant(ctx, 876, 620, 0.9)
    draw_sunbeam(ctx, [(940, 112), (1200, 112), (960, 720), (430, 720)], 0.2)


def kitchen(ctx: Context) -> None:
    """Tiles, shelves with jars, a hanging lamp, a kettle."""
    draw_wall(ctx, colour("#f2e3c9"), colour("#e7cfae"))
    for row in range(5):
        for column in range(18):
            box(ctx, column * 74 - (37 if row % 2 else 0), 330 + row * 44, 69, 39, 4)
            fill(ctx, blend(colour("#8fbfb2"), colour("#bcd9cc"), ((row * 5 + column * 3) % 7) / 6))
    box(ctx, -10, 548, 1300, 30, 4)
    shade(ctx, OAK)
    wash(ctx, (0, 578, 1280, 142), colour("#d9694a"), colour("#b04f38"))
    for step in range(5):
        box(ctx, 16 + 256 * step, 600, 226, 160, 8)
        shade(ctx, colour("#e07a58"), depth=0.6)
    draw_window(ctx, 930, 70, 240, 220, (colour("#bfe3ee"), colour("#f9f0cf")), colour("#6b9a4f"))
    for y in (150, 268):
        box(ctx, 80, y, 350, 15, 4)
        shade(ctx, OAK)
    for step in range(6):
        draw_jar(ctx, 100 + 54 * step, 150, BOOKS[step])
    for step in range(5):
        x = 120 + 64 * step
        curve(ctx, [(x - 27, 224), (x + 27, 224), (x + 17, 262), (x - 17, 262)], closed=True)
        shade(ctx, colour(("#f4ead6", "#7fa9b8", "#e3b04e", "#f4ead6", "#c96f5a")[step]))
    line(ctx, [(724, -10), (724, 70)], 4, colour("#4a3d36"))
    glow(ctx, 724, 130, 240, colour("#ffe2a0"), 0.5)
    curve(ctx, [(724, 62), (772, 96), (790, 130), (724, 136), (658, 130), (676, 96)], closed=True)
    shade(ctx, colour("#3f7a78"))
    draw_kettle(ctx, 262, 548)
    draw_plant(ctx, 1050, 548, 0.6, colour("#6fa05d"))
    for dx in (0, 36, 18):
        oval(ctx, 1160 + dx, 530 - (16 if dx == 18 else 0), 20, 19)
        shade(ctx, APPLE)


ROOMS: dict[tuple[str, int], Callable[[Context], None]] = {
    ("Flute", 1): living_room,
    ("Flute", 2): evening_living_room,
    ("Clarinet", 1): attic,
    ("Violin", 1): study,
    ("Viola", 1): bedroom,
    ("Cello", 1): music_room,
    ("Marimba", 1): garage,
    ("Recorder", 1): kitchen,
}

# What moves in a room by itself, drawn in every picture.
LIFE: dict[tuple[str, int], Callable[[Context, float], None]] = {
    ("Flute", 2): sleeping_cat,
    ("Viola", 1): twinkling_stars,
    ("Recorder", 1): steam,
}
