"""Heads, bodies, arms and hands: one family of picture-book people.

A head is drawn around its own centre, about 140 units high, so that it can turn and nod. Sides are
the viewer's: ``left`` is on the left of the picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from .canvas import (
    Colour,
    Context,
    Point,
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
    shade,
)

_EYE, _WHITE, _BLUSH = colour("#2a2028"), colour("#ffffff"), colour("#e8684f")
_TROUSERS, _SHOES = colour("#45506b"), colour("#8a4a35")


@dataclass(frozen=True, slots=True)
class Look:
    """What a player looks like.

    Attributes
    ----------
    skin, hair, top, accent : Colour
        Colours; the accent is for collars, stripes and scarves.
    style : str
        Of the hair: ``bun``, ``curls``, ``short``, ``long``, ``bob``, ``tuft`` or ``plaits``.
    top_style : str
        ``stripes``, ``cardigan``, ``dots``, ``plain``, ``dungarees`` or ``scarf``.
    glasses, beard : bool
    """

    skin: Colour
    hair: Colour
    top: Colour
    accent: Colour
    style: str
    top_style: str
    glasses: bool = False
    beard: bool = False


@dataclass(frozen=True, slots=True)
class Face:
    """What a face does: eyelids, brows (0 to 1), gaze (-1 to 1) and mouth."""

    blink: float
    brows: float
    gaze: float
    mouth: str


def draw_body(ctx: Context, look: Look, neck: Point, *, breath: float, half_width: float) -> None:
    """Draw neck and torso below a neck point; a breath lifts the shoulders and widens the chest."""
    x, y = neck
    lift, wide = -5.0 * breath, half_width + 4.0 * breath
    for side in (-1, 1):
        oval(ctx, x + side * 62, y + 578, 46, 20)
        shade(ctx, _SHOES)
        limb(ctx, [(x + side * 46, y + 280), (x + side * 50, y + 530)], [92, 74], _TROUSERS)
    limb(ctx, [(x, y - 40), (x, y + 28 + lift)], [44, 52], blend(look.skin, _BLUSH, 0.14))
    outline_points = [
        (x - 26, y + 8 + lift), (x - wide * 0.72, y + 24 + lift), (x - wide, y + 62 + lift),
        (x - wide * 0.97, y + 190), (x - wide * 1.02, y + 318), (x, y + 330),
        (x + wide * 1.02, y + 318), (x + wide * 0.97, y + 190), (x + wide, y + 62 + lift),
        (x + wide * 0.72, y + 24 + lift), (x + 26, y + 8 + lift), (x, y + 24 + lift),
    ]  # fmt: skip
    curve(ctx, outline_points, closed=True)
    shade(ctx, look.top, depth=0.9)
    ctx.save()
    curve(ctx, outline_points, closed=True)
    ctx.clip()
    _draw_top(ctx, look, x, y + lift, wide)
    ctx.restore()


def _draw_top(ctx: Context, look: Look, x: float, y: float, wide: float) -> None:
    """Decorate the torso; the caller has clipped to it."""
    if look.top_style == "stripes":
        for step in range(8):
            at = y + 66 + 34 * step
            line(ctx, [(x - wide - 8, at), (x, at + 9), (x + wide + 8, at)], 11, look.accent, 0.85)
    elif look.top_style == "dots":
        for row in range(9):
            for column in range(-4, 5):
                at_x = x + 34 * column + (17 if row % 2 else 0)
                oval(ctx, at_x, y + 58 + 29 * row, 4.6, 4.6)
                fill(ctx, look.accent, 0.9)
    elif look.top_style == "cardigan":
        curve(ctx, [(x - 27, y), (x - 8, y + 120), (x - 14, y + 470), (x + 14, y + 470),
                    (x + 8, y + 120), (x + 27, y)], closed=True)  # fmt: skip
        shade(ctx, look.accent, depth=0.6)
        for step in range(4):
            oval(ctx, x - 19, y + 130 + 46 * step, 5, 5)
            shade(ctx, lighter(look.accent, 0.5), ink=1.0)
    elif look.top_style == "dungarees":
        for side in (-1, 1):
            limb(ctx, [(x + side * 50, y + 14), (x + side * 44, y + 130)], [24, 24], look.accent)
        box(ctx, x - 66, y + 118, 132, 360, 14)
        shade(ctx, look.accent, depth=0.8)
        for side in (-1, 1):
            oval(ctx, x + side * 45, y + 132, 6, 6)
            shade(ctx, colour("#f0c75e"), ink=1.0)
    line(ctx, [(x - 34, y + 2), (x, y + 30), (x + 34, y + 2)], 11, darker(look.accent, 0.1))
    if look.top_style == "scarf":
        curve(ctx, [(x - 44, y - 4), (x, y + 26), (x + 44, y - 4), (x + 40, y + 26),
                    (x, y + 54), (x - 40, y + 26)], closed=True)  # fmt: skip
        shade(ctx, look.accent)
        limb(
            ctx, [(x + 20, y + 36), (x + 34, y + 90), (x + 28, y + 150)], [30, 32, 34], look.accent
        )


def draw_head(
    ctx: Context, look: Look, at: Point, *, tilt: float, scale: float, face: Face
) -> None:
    """Draw a head around its centre."""
    ctx.save()
    ctx.translate(*at)
    ctx.rotate(tilt)
    ctx.scale(scale, scale)
    _draw_back_hair(ctx, look)
    for side in (-1, 1):
        oval(ctx, side * 57, 8, 11, 15)
        shade(ctx, look.skin, ink=1.4, warm=True)
    _trace_face(ctx)
    shade(ctx, look.skin, depth=0.8, warm=True)
    for side in (-1, 1):
        glow(ctx, side * 33, 27, 21, _BLUSH, 0.36)
    if look.beard:
        _draw_beard(ctx, look)
    _draw_features(ctx, look, face)
    _draw_front_hair(ctx, look)
    if look.glasses:
        _draw_glasses(ctx)
    ctx.restore()


def _trace_face(ctx: Context) -> None:
    """Trace the outline of a face."""
    curve(ctx, [(0, -68), (42, -54), (58, -10), (52, 30), (28, 62), (0, 71), (-28, 62), (-52, 30),
                (-58, -10), (-42, -54)], closed=True)  # fmt: skip


def _draw_features(ctx: Context, look: Look, face: Face) -> None:
    """Draw eyes, brows, nose and mouth."""
    for side in (-1, 1):
        x = side * 24 + 3 * face.gaze
        if face.blink > 0.55:
            line(ctx, [(x - 9, 2), (x, 6), (x + 9, 2)], 3.2, _EYE)
        else:
            oval(ctx, x, 0, 8.2, 10.5 * (1 - 0.75 * face.blink))
            fill(ctx, _EYE)
            oval(ctx, x - 2.6, -3.8, 2.9, 3.3 * (1 - face.blink))
            fill(ctx, _WHITE)
            line(ctx, [(x - 11, -6), (x, -12.5), (x + 11, -6)], 2.6, darker(look.hair, 0.35))
        brow = -24 - 6 * face.brows
        line(ctx, [(side * 14, brow + 1), (side * 25, brow - 3), (side * 37, brow + 3)], 4.4,
             darker(look.hair, 0.2))  # fmt: skip
    line(ctx, [(-5, 19), (0, 25), (6, 20)], 3.0, blend(look.skin, colour("#7a2f22"), 0.5), 0.9)
    _draw_mouth(ctx, look, face.mouth)


def _draw_mouth(ctx: Context, look: Look, mouth: str) -> None:
    """Draw lips: pursed for blowing, otherwise a small smile."""
    lips = blend(look.skin, colour("#96243a"), 0.66)
    if mouth == "blow":
        oval(ctx, 0, 43, 9.5, 5.5)
        shade(ctx, lips, ink=1.2)
        oval(ctx, 0, 43, 3.2, 1.6)
        fill(ctx, darker(lips, 0.6))
    elif mouth == "open":
        curve(ctx, [(-12, 41), (0, 44), (12, 41), (6, 52), (-6, 52)], closed=True)
        shade(ctx, darker(lips, 0.35), ink=1.2)
    else:
        line(ctx, [(-15, 41), (-6, 46), (6, 46), (15, 41)], 3.8, darker(lips, 0.25))


def _draw_glasses(ctx: Context) -> None:
    """Draw round glasses."""
    frame = colour("#5b3a29")
    for side in (-1, 1):
        oval(ctx, side * 25, 0, 19, 18)
        ctx.set_source_rgba(1, 1, 1, 0.13)
        ctx.fill_preserve()
        ctx.set_line_width(3.2)
        ctx.set_source_rgb(*frame)
        ctx.stroke()
        line(ctx, [(side * 44, -3), (side * 57, -6)], 3, frame)
    line(ctx, [(-6, -3), (0, -6), (6, -3)], 3, frame)


def _draw_beard(ctx: Context, look: Look) -> None:
    """Draw a full beard with room for the mouth."""
    curve(ctx, [(-57, 4), (-40, 34), (-18, 33), (0, 30), (18, 33), (40, 34), (57, 4), (54, 48),
                (30, 82), (0, 92), (-30, 82), (-54, 48)], closed=True)  # fmt: skip
    shade(ctx, look.hair, depth=0.8)
    oval(ctx, 0, 44, 17, 8)
    fill(ctx, darker(look.skin, 0.1))


def _draw_back_hair(ctx: Context, look: Look) -> None:
    """Draw the hair behind the head."""
    hair = darker(look.hair, 0.14)
    if look.style == "long":
        curve(ctx, [(0, -86), (62, -58), (78, 20), (84, 120), (40, 132), (0, 120), (-40, 132),
                    (-84, 120), (-78, 20), (-62, -58)], closed=True)  # fmt: skip
        shade(ctx, hair)
    elif look.style == "bob":
        curve(ctx, [(0, -84), (60, -60), (76, 10), (70, 62), (0, 50), (-70, 62), (-76, 10),
                    (-60, -60)], closed=True)  # fmt: skip
        shade(ctx, hair)
    elif look.style == "bun":
        oval(ctx, 8, -92, 33, 29)
        shade(ctx, hair)
        oval(ctx, 0, -22, 66, 62)
        shade(ctx, hair)
    elif look.style == "curls":
        for step in range(13):
            angle = math.pi * (0.82 + 1.36 * step / 12)
            oval(ctx, 62 * math.cos(angle), -14 + 64 * math.sin(angle), 25, 24)
            shade(ctx, hair, ink=1.2)
    elif look.style == "plaits":
        oval(ctx, 0, -18, 66, 62)
        shade(ctx, hair)
        for side in (-1, 1):
            for step in range(5):
                oval(ctx, side * (66 + 3 * step), 36 + 24 * step, 16 - step, 16)
                shade(ctx, look.hair, ink=1.4)
            oval(ctx, side * 79, 150, 9, 7)
            shade(ctx, look.accent, ink=1.2)


def _draw_front_hair(ctx: Context, look: Look) -> None:
    """Draw the hair over the forehead."""
    fringes = {
        "long": [(-61, 6), (-60, -40), (-30, -76), (8, -82), (44, -68), (62, -30), (61, 8),
                 (48, -28), (14, -50), (-24, -38), (-48, -18)],
        "bob": [(-64, 22), (-64, -36), (-34, -76), (0, -84), (36, -76), (64, -36), (64, 22),
                (52, -24), (26, -32), (0, -30), (-26, -32), (-52, -24)],
        "bun": [(-60, -4), (-58, -42), (-28, -76), (10, -80), (46, -64), (61, -28), (58, -4),
                (44, -38), (6, -58), (-34, -42)],
        "curls": [(-60, -10), (-56, -48), (-24, -78), (12, -80), (46, -64), (60, -24), (48, -42),
                  (24, -50), (4, -42), (-20, -52), (-44, -38)],
        "short": [(-61, 0), (-62, -38), (-40, -74), (2, -86), (46, -74), (64, -34), (60, 2),
                  (52, -30), (36, -44), (-6, -40), (-40, -52), (-52, -28)],
        "tuft": [(-60, -2), (-60, -40), (-36, -72), (-20, -98), (2, -84), (24, -96), (44, -70),
                 (62, -34), (58, 0), (48, -34), (18, -44), (-10, -38), (-38, -46), (-50, -28)],
        "plaits": [(-62, 8), (-60, -38), (-32, -76), (0, -82), (32, -76), (60, -38), (62, 8),
                   (50, -22), (30, -44), (0, -64), (-30, -44), (-50, -22)],
    }  # fmt: skip
    curve(ctx, fringes[look.style], closed=True)
    shade(ctx, look.hair, depth=0.9)
    shine = lighter(look.hair, 0.4)
    line(ctx, [(-38, -56), (-18, -69), (6, -72)], 4.5, shine, 0.55)


def elbow(shoulder: Point, hand: Point, lengths: tuple[float, float], hint: Point) -> Point:
    """Find the elbow of an arm from shoulder to hand, on the side to which ``hint`` points."""
    upper, fore = lengths
    dx, dy = hand[0] - shoulder[0], hand[1] - shoulder[1]
    distance = math.hypot(dx, dy) or 1.0
    reach = min(max(distance, abs(upper - fore) + 1.0), upper + fore - 1.0)
    forward = (upper**2 - fore**2 + reach**2) / (2 * reach)
    out = math.sqrt(max(upper**2 - forward**2, 0.0))
    ux, uy = dx / distance, dy / distance
    side = 1.0 if -uy * hint[0] + ux * hint[1] >= 0 else -1.0
    return (
        shoulder[0] + ux * forward - uy * out * side,
        shoulder[1] + uy * forward + ux * out * side,
    )


def draw_arm(
    ctx: Context,
    look: Look,
    shoulder: Point,
    hand: Point,
    *,
    hint: Point,
    lengths: tuple[float, float] = (132.0, 124.0),
) -> None:
    """Draw a sleeved arm and the bare wrist; hands are drawn apart, over the instrument."""
    bend = elbow(shoulder, hand, lengths, hint)
    wrist = (bend[0] + (hand[0] - bend[0]) * 0.80, bend[1] + (hand[1] - bend[1]) * 0.80)
    limb(ctx, [wrist, hand], [27, 25], look.skin)
    limb(ctx, [shoulder, bend, wrist], [60, 54, 40], look.top)
    nx, ny = aside(bend, wrist, 17.0)
    line(ctx, [(wrist[0] + nx, wrist[1] + ny), (wrist[0] - nx, wrist[1] - ny)], 10, look.accent)


def draw_fist(ctx: Context, skin: Colour, at: Point, turn: float) -> None:
    """Draw a hand that holds a stick or a bow: a rounded back and four knuckles."""
    ctx.save()
    ctx.translate(*at)
    ctx.rotate(turn)
    oval(ctx, 0, 2, 20, 17)
    shade(ctx, skin, warm=True)
    for step in range(4):
        limb(ctx, [(-13 + 9 * step, -7), (-12 + 9 * step, 8)], [10, 9], skin)
    limb(ctx, [(-17, 10), (-5, 16)], [10, 9], skin)
    ctx.restore()


def draw_palm(ctx: Context, skin: Colour, at: Point, turn: float = 0.0) -> None:
    """Draw the back of a hand; fingers follow by :func:`draw_finger`."""
    oval(ctx, at[0], at[1], 22, 18, turn)
    shade(ctx, skin, warm=True)


def draw_finger(ctx: Context, skin: Colour, root: Point, tip: Point, *, lift: float) -> None:
    """Draw one finger from its root to where its tip presses, raised by ``lift`` (0 to 1)."""
    raised = (tip[0] + (root[0] - tip[0]) * 0.25 * lift, tip[1] - 13.0 * lift)
    middle = ((root[0] + raised[0]) / 2, (root[1] + raised[1]) / 2 - 5 - 4 * lift)
    limb(ctx, [root, middle, raised], [12, 11.5, 10], skin)
