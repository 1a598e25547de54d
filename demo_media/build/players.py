"""The players: each instrument's person, posed by the notes of a moment.

Players are drawn on a landscape stage of 1280 x 720 design units, the head above its middle.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from . import props
from .canvas import Colour, Context, Point, along, colour, limb
from .motion import Line
from .people import (
    Face,
    Look,
    draw_arm,
    draw_body,
    draw_finger,
    draw_fist,
    draw_head,
    draw_palm,
)

LOOKS = {
    "Ines": Look(colour("#e9b58f"), colour("#4a2c22"), colour("#3f7f8c"), colour("#f2d9a0"),
                 "bun", "stripes"),
    "Bram": Look(colour("#f2c9a5"), colour("#d98a3c"), colour("#4f6fa0"), colour("#e8dcc0"),
                 "tuft", "cardigan", glasses=True),
    "Oda": Look(colour("#8a5638"), colour("#2a1d1c"), colour("#e0a23c"), colour("#b8473c"),
                "curls", "dots"),
    "Teo": Look(colour("#d9a37a"), colour("#33262a"), colour("#8fae7f"), colour("#d9774f"),
                "short", "scarf", beard=True),
    "Mirre": Look(colour("#f5d3b5"), colour("#e3c27a"), colour("#a8455a"), colour("#f3e6cf"),
                  "long", "plain"),
    "Jonah": Look(colour("#6f452f"), colour("#211818"), colour("#f0e0bd"), colour("#3f6f8f"),
                  "short", "dungarees", glasses=True),
    "Wen": Look(colour("#f0c8a0"), colour("#241f26"), colour("#6a8f5a"), colour("#f0d070"),
                "bob", "plain"),
}  # fmt: skip

_TROUSERS = colour("#3d4a66")


def _face(line: Line, at_s: float, mouth: str) -> Face:
    """Read a face off the movement."""
    note = line.last(at_s)
    brows = (note.level if note else 0.3) * line.playing(at_s) + 0.6 * line.pulse(at_s)
    return Face(line.blink(at_s), brows, math.sin(0.4 * at_s), mouth)


def _tilt(line: Line, at_s: float) -> float:
    """Return the turn of the head in radians."""
    return 0.035 * line.sway(at_s) + 0.03 * line.pulse(at_s)


def _finger_row(
    ctx: Context, skin: Colour, palm: Point, tips: list[Point], lifts: list[float]
) -> None:
    """Draw the fingers of a hand from its palm to the holes."""
    count = len(tips)
    for index, (tip, lift) in enumerate(zip(tips, lifts, strict=True)):
        spread = (index - (count - 1) / 2) * 9
        toward = along(palm, tip, 0.22)
        across = (tips[-1][0] - tips[0][0], tips[-1][1] - tips[0][1])
        length = math.hypot(*across) or 1.0
        root = (toward[0] + across[0] / length * spread, toward[1] + across[1] / length * spread)
        draw_finger(ctx, skin, root, tip, lift=lift)


def draw_flutist(ctx: Context, line: Line, look: Look, at_s: float) -> None:
    """Draw the flute player: fingers and keys by pitch, breath before phrases, a lift on onsets."""
    sway, breath, pulse = line.sway(at_s), line.breath(at_s), line.pulse(at_s)
    at_mouth = line.playing(at_s)
    neck = (640 + 7 * sway, 322.0)
    head = (640 + 11 * sway, 232 - 4 * breath + 3 * pulse)
    lower = 46 * (1 - at_mouth)
    mouth = (head[0] + 2, head[1] + 47 + lower)
    crown = (mouth[0] + 42, mouth[1] - 8)
    foot = (mouth[0] - 312, mouth[1] + 44 - 16 * pulse + 0.6 * lower - 6 * sway)
    draw_body(ctx, look, neck, breath=breath, half_width=98)
    lips = "blow" if at_mouth > 0.85 else "smile"
    draw_head(
        ctx, look, head, tilt=_tilt(line, at_s) - 0.05, scale=1.08, face=_face(line, at_s, lips)
    )
    far, near = along(crown, foot, 0.66), along(crown, foot, 0.46)
    palms = ((far[0] - 6, far[1] + 30), (near[0] + 12, near[1] + 30))
    draw_arm(ctx, look, (neck[0] - 88, 384 - 4 * breath), palms[0], hint=(-0.4, 1))
    draw_arm(
        ctx, look, (neck[0] + 84, 384 - 4 * breath), palms[1], hint=(0.5, 1), lengths=(122, 150)
    )
    for palm in palms:
        draw_palm(ctx, look.skin, palm)
    lifts = props.finger_lifts(line.pitch(at_s))
    props.draw_flute(ctx, crown, foot, lifts)
    shares = (0.40, 0.45, 0.50, 0.60, 0.65, 0.70)
    tips = [(x, y - 5) for x, y in (along(crown, foot, share) for share in shares)]
    _finger_row(ctx, look.skin, palms[1], tips[:3], lifts[:3])
    _finger_row(ctx, look.skin, palms[0], tips[3:], lifts[3:])


def _draw_piper(ctx: Context, line: Line, look: Look, at_s: float, *, clarinet: bool) -> None:
    """Draw somebody who blows a pipe held downwards."""
    sway, breath, pulse = line.sway(at_s), line.breath(at_s), line.pulse(at_s)
    at_mouth = line.playing(at_s)
    neck = (640 + 6 * sway, 312.0)
    head = (640 + 9 * sway, 222 - 4 * breath + 3 * pulse)
    draw_body(ctx, look, neck, breath=breath, half_width=100)
    mouth = "blow" if at_mouth > 0.85 else "smile"
    draw_head(ctx, look, head, tilt=_tilt(line, at_s), scale=1.08, face=_face(line, at_s, mouth))
    top = (head[0] + 1, head[1] + 46 + 40 * (1 - at_mouth))
    length = 258 if clarinet else 216
    swing = 20 * math.sin(0.9 * at_s) * at_mouth + 9 * sway
    bottom = (top[0] - 4 + swing, top[1] + length - 15 * pulse)
    wood = props.EBONY if clarinet else props.PEAR
    high, low = along(top, bottom, 0.40), along(top, bottom, 0.66)
    palms = ((high[0] + 30, high[1] + 8), (low[0] - 30, low[1] + 8))
    draw_arm(
        ctx, look, (neck[0] + 90, 376 - 4 * breath), palms[0], hint=(1, 0.6), lengths=(118, 104)
    )
    draw_arm(
        ctx, look, (neck[0] - 90, 376 - 4 * breath), palms[1], hint=(-1, 0.6), lengths=(118, 104)
    )
    draw_palm(ctx, look.skin, palms[0], 1.2)
    draw_palm(ctx, look.skin, palms[1], -1.2)
    props.draw_reed_pipe(ctx, top, bottom, wood=wood, keys=clarinet)
    lifts = props.finger_lifts(line.pitch(at_s))
    tips = [along(top, bottom, share) for share in (0.34, 0.41, 0.48, 0.59, 0.66, 0.73)]
    _finger_row(ctx, look.skin, palms[0], tips[:3], lifts[:3])
    _finger_row(ctx, look.skin, palms[1], tips[3:], lifts[3:])


def draw_clarinettist(ctx: Context, line: Line, look: Look, at_s: float) -> None:
    """Draw the clarinet player."""
    _draw_piper(ctx, line, look, at_s, clarinet=True)


def draw_recorder_player(ctx: Context, line: Line, look: Look, at_s: float) -> None:
    """Draw the recorder player."""
    _draw_piper(ctx, line, look, at_s, clarinet=False)


def _bow_ends(
    contact: Point, angle: float, length: float, bow: tuple[float, float]
) -> tuple[Point, Point]:
    """Return frog and tip of a bow that touches the string at a share of its hair."""
    share, lifted = bow
    dx, dy = math.cos(angle), math.sin(angle)
    touch = (contact[0] + 26 * lifted * dy, contact[1] - 34 * lifted)
    frog = (touch[0] - dx * share * length, touch[1] - dy * share * length)
    return frog, (frog[0] + dx * length, frog[1] + dy * length)


def _stopped_at(
    pitch: float, open_strings: tuple[int, ...], nut: float, step: float
) -> tuple[int, float]:
    """Return the string and the place on the fingerboard for a pitch."""
    string = max((i for i, midi in enumerate(open_strings) if midi <= pitch + 0.5), default=0)
    return string, nut - step * max(0.0, pitch - open_strings[string])


def _draw_fiddler(
    ctx: Context,
    line: Line,
    look: Look,
    at_s: float,
    *,
    size: float,
    wood: Colour,
    open_strings: tuple[int, ...],
) -> None:
    """Draw somebody who plays an instrument held at the chin."""
    sway, breath, pulse = line.sway(at_s), line.breath(at_s), line.pulse(at_s)
    neck = (618 + 7 * sway, 316.0)
    head = (622 + 12 * sway, 226 - 3 * breath + 3 * pulse)
    fiddle = props.Fiddle(
        (658 + 9 * sway, 316 - 4 * breath + 2 * pulse), 0.20 + 0.03 * sway, size, wood
    )
    string, stop = _stopped_at(line.pitch(at_s), open_strings, 240.0, 8.5)
    draw_body(ctx, look, neck, breath=breath, half_width=98)
    hand = fiddle.at(stop - 4, 26)
    draw_arm(ctx, look, (neck[0] + 92, 378 - 4 * breath), hand, hint=(0.2, 1), lengths=(118, 118))
    draw_palm(ctx, look.skin, hand, 0.3)
    props.draw_fiddle(ctx, fiddle)
    props.draw_chin_rest(ctx, fiddle)
    draw_head(
        ctx, look, head, tilt=0.16 + _tilt(line, at_s), scale=1.08, face=_face(line, at_s, "smile")
    )
    trill = 2.0 * math.sin(2 * math.pi * 5.6 * at_s) if line.sounding(at_s) else 0.0
    tips = [fiddle.at(stop + trill + 13 * k, -6 + 4 * string) for k in (1, 0, -1)]
    pressed = [0.0 if stop < 238 else 0.8, 0.9, 0.9]
    _finger_row(ctx, look.skin, hand, tips[::-1], pressed[::-1])
    contact = fiddle.at(86, -3 + 2 * string)
    frog, tip = _bow_ends(contact, -0.66 + 0.07 * (string - 1.5), 300, line.bow(at_s))
    grip = along(frog, tip, 0.015)
    draw_arm(ctx, look, (neck[0] - 90, 378 - 4 * breath), grip, hint=(-1, 0.8), lengths=(126, 118))
    props.draw_bow(ctx, frog, tip)
    draw_fist(ctx, look.skin, grip, -0.66)


def draw_violinist(ctx: Context, line: Line, look: Look, at_s: float) -> None:
    """Draw the violin player."""
    _draw_fiddler(ctx, line, look, at_s, size=1.0, wood=props.VIOLIN, open_strings=(55, 62, 69, 76))


def draw_violist(ctx: Context, line: Line, look: Look, at_s: float) -> None:
    """Draw the viola player."""
    _draw_fiddler(ctx, line, look, at_s, size=1.14, wood=props.VIOLA, open_strings=(48, 55, 62, 69))


def draw_cellist(ctx: Context, line: Line, look: Look, at_s: float) -> None:
    """Draw the cello player, seated behind the instrument."""
    sway, breath, pulse = line.sway(at_s), line.breath(at_s), line.pulse(at_s)
    neck = (618 + 7 * sway, 288.0)
    head = (606 + 13 * sway, 196 - 4 * breath + 3 * pulse)
    cello = props.Fiddle((650 + 2 * sway, 656.0), -1.475 + 0.008 * sway, 1.92, props.CELLO)
    draw_body(ctx, look, neck, breath=breath, half_width=98)
    draw_head(
        ctx, look, head, tilt=-0.09 + _tilt(line, at_s), scale=1.08, face=_face(line, at_s, "smile")
    )
    for side in (-1, 1):
        hip, knee = (640 + side * 64, 640.0), (646 + side * 172, 622.0)
        limb(ctx, [hip, knee, (knee[0] + side * 8, 760)], [100, 92, 70], _TROUSERS)
    props.draw_fiddle(ctx, cello)
    string, stop = _stopped_at(line.pitch(at_s), (36, 43, 50, 57), 238.0, 7.5)
    hand = cello.at(stop - 2, 17)
    draw_arm(ctx, look, (neck[0] + 92, 352 - 4 * breath), hand, hint=(1, 0.6), lengths=(112, 104))
    draw_palm(ctx, look.skin, hand, 1.2)
    shake = 1.3 * math.sin(2 * math.pi * 5.2 * at_s) if line.sounding(at_s) else 0.0
    tips = [cello.at(stop + shake + 7 * k, -5 + 3.3 * string) for k in (1, 0, -1)]
    _finger_row(ctx, look.skin, hand, tips, [0.9, 0.0 if stop < 236 else 0.8, 0.9])
    contact = cello.at(96, -4 + 2.6 * string)
    frog, tip = _bow_ends(contact, -0.09 + 0.05 * (string - 1.5), 318, line.bow(at_s))
    grip = along(frog, tip, 0.015)
    draw_arm(ctx, look, (neck[0] - 90, 352 - 4 * breath), grip, hint=(-1, -0.2), lengths=(138, 134))
    props.draw_bow(ctx, frog, tip)
    draw_fist(ctx, look.skin, grip, 0.1)


def draw_marimbist(ctx: Context, line: Line, look: Look, at_s: float) -> None:
    """Draw the marimba player behind the instrument; mallets meet their bars at the onsets."""
    sway, breath, pulse = line.sway(at_s), line.breath(at_s), line.pulse(at_s)
    neck = (640 + 9 * sway, 268.0)
    head = (640 + 14 * sway, 178 - 3 * breath + 4 * pulse)
    draw_body(ctx, look, neck, breath=breath, half_width=100)
    draw_head(ctx, look, head, tilt=_tilt(line, at_s), scale=1.08, face=_face(line, at_s, "smile"))
    props.draw_marimba(ctx, _struck(line, at_s))
    left, right = line.hands
    # The player's left hand has the low bars; both are on the viewer's right.
    for side, hand in ((1.0, left), (-1.0, right)):
        pitch, height = line.mallet(hand, at_s)
        x, y = props.mallet_target(pitch)
        mallet = (x, y - 15 - 96 * height)
        lean = 0.6 * side - 0.0012 * (x - 640)
        grip = (x + 112 * math.sin(lean), 368 - 38 * height)
        shoulder = (neck[0] + side * 92, 332 - 4 * breath)
        draw_arm(ctx, look, shoulder, grip, hint=(side, 0.5), lengths=(102, 92))
        props.draw_mallet(ctx, grip, mallet)
        draw_fist(ctx, look.skin, grip, 0.5 * side)


def _struck(line: Line, at_s: float) -> dict[int, float]:
    """Return how freshly each bar was struck."""
    recent = (note for note in line.played if 0.0 <= at_s - note.start_s < 0.9)
    return {note.midi: math.exp(-(at_s - note.start_s) / 0.22) for note in recent}


PLAYERS: dict[str, Callable[[Context, Line, Look, float], None]] = {
    "Flute": draw_flutist,
    "Clarinet": draw_clarinettist,
    "Violin": draw_violinist,
    "Viola": draw_violist,
    "Cello": draw_cellist,
    "Marimba": draw_marimbist,
    "Recorder": draw_recorder_player,
}
