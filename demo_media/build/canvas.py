"""Colours, soft shapes and shading: the common hand of all drawings.

Drawings use design units: 1280 x 720 for a landscape picture, 720 x 1280 for a portrait one. Light
falls from the upper left. Contours are a darker shade of the colour inside, never black.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import cairo
import numpy as np

Colour = tuple[float, float, float]
Point = tuple[float, float]
Context = cairo.Context

INK = 0.42


def colour(code: str) -> Colour:
    """Read ``#rrggbb``."""
    return tuple(int(code[at : at + 2], 16) / 255.0 for at in (1, 3, 5))  # type: ignore[return-value]


def blend(one: Colour, other: Colour, share: float) -> Colour:
    """Go from one colour to another."""
    return tuple(a + (b - a) * share for a, b in zip(one, other, strict=True))  # type: ignore[return-value]


def lighter(base: Colour, share: float = 0.25) -> Colour:
    """Go towards warm light."""
    return blend(base, (1.0, 0.96, 0.86), share)


def darker(base: Colour, share: float = 0.3) -> Colour:
    """Go towards a cool shadow."""
    return blend(base, (0.13, 0.10, 0.22), share)


def along(start: Point, end: Point, share: float) -> Point:
    """Return a point on the way from start to end."""
    return (start[0] + (end[0] - start[0]) * share, start[1] + (end[1] - start[1]) * share)


def aside(start: Point, end: Point, distance: float) -> Point:
    """Return the vector of a length at right angles to a line, to its left on screen."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = math.hypot(dx, dy) or 1.0
    return (dy / length * distance, -dx / length * distance)


def curve(ctx: Context, points: Sequence[Point], *, closed: bool = False) -> None:
    """Trace a smooth curve through points (Catmull-Rom)."""
    count = len(points)
    at = (lambda i: points[i % count]) if closed else (lambda i: points[min(max(i, 0), count - 1)])
    ctx.move_to(*points[0])
    for index in range(count if closed else count - 1):
        before, start, end, after = (at(index + step) for step in (-1, 0, 1, 2))
        ctx.curve_to(
            start[0] + (end[0] - before[0]) / 6,
            start[1] + (end[1] - before[1]) / 6,
            end[0] - (after[0] - start[0]) / 6,
            end[1] - (after[1] - start[1]) / 6,
            end[0],
            end[1],
        )
    if closed:
        ctx.close_path()


def oval(ctx: Context, x: float, y: float, rx: float, ry: float, turn: float = 0.0) -> None:
    """Trace an ellipse."""
    ctx.save()
    ctx.translate(x, y)
    ctx.rotate(turn)
    ctx.scale(max(rx, 0.01), max(ry, 0.01))
    ctx.new_sub_path()
    ctx.arc(0, 0, 1, 0, 2 * math.pi)
    ctx.restore()


def box(ctx: Context, x: float, y: float, w: float, h: float, radius: float = 0.0) -> None:
    """Trace a rectangle with round corners."""
    r = min(radius, w / 2, h / 2)
    ctx.new_sub_path()
    ctx.arc(x + w - r, y + r, r, -math.pi / 2, 0)
    ctx.arc(x + w - r, y + h - r, r, 0, math.pi / 2)
    ctx.arc(x + r, y + h - r, r, math.pi / 2, math.pi)
    ctx.arc(x + r, y + r, r, math.pi, 1.5 * math.pi)
    ctx.close_path()


def polygon(ctx: Context, points: Sequence[Point]) -> None:
    """Trace straight lines around an area."""
    ctx.move_to(*points[0])
    for point in points[1:]:
        ctx.line_to(*point)
    ctx.close_path()


def fill(ctx: Context, base: Colour, alpha: float = 1.0) -> None:
    """Fill the path with one flat colour."""
    ctx.set_source_rgba(*base, alpha)
    ctx.fill()


def shade(
    ctx: Context, base: Colour, *, depth: float = 1.0, ink: float = 1.8, warm: bool = False
) -> None:
    """Fill the path as a soft solid thing: light above left, shadow below right, a quiet contour.

    ``warm`` keeps the shadow red, as skin does.
    """
    dark = blend(base, (0.52, 0.16, 0.12), 0.26 * depth) if warm else darker(base, 0.30 * depth)
    x0, y0, x1, y1 = ctx.path_extents()
    light = cairo.LinearGradient(x0, y0, x0 + 0.6 * (x1 - x0), y1)
    light.add_color_stop_rgb(0.0, *lighter(base, 0.22 * depth))
    light.add_color_stop_rgb(0.45, *base)
    light.add_color_stop_rgb(1.0, *dark)
    ctx.set_source(light)
    ctx.fill_preserve()
    outline(ctx, base, ink)


def outline(ctx: Context, base: Colour, width: float = 1.8) -> None:
    """Draw the contour of the path in a darker shade of its colour, and drop the path."""
    if width <= 0:
        ctx.new_path()
        return
    ctx.set_line_width(width)
    ctx.set_line_join(cairo.LINE_JOIN_ROUND)
    ctx.set_source_rgba(*darker(base, 0.62), INK + 0.2)
    ctx.stroke()


def line(
    ctx: Context, points: Sequence[Point], width: float, base: Colour, alpha: float = 1.0
) -> None:
    """Draw a smooth line with round ends."""
    curve(ctx, points)
    ctx.set_line_width(width)
    ctx.set_line_cap(cairo.LINE_CAP_ROUND)
    ctx.set_line_join(cairo.LINE_JOIN_ROUND)
    ctx.set_source_rgba(*base, alpha)
    ctx.stroke()


def rod(ctx: Context, start: Point, end: Point, widths: tuple[float, float], base: Colour) -> None:
    """Draw a straight tapered rod with a highlight along it: a tube, a stick, a leg."""
    nx, ny = aside(start, end, 1.0)
    a, b = widths[0] / 2, widths[1] / 2
    polygon(ctx, [
        (start[0] + nx * a, start[1] + ny * a), (end[0] + nx * b, end[1] + ny * b),
        (end[0] - nx * b, end[1] - ny * b), (start[0] - nx * a, start[1] - ny * a),
    ])  # fmt: skip
    across = cairo.LinearGradient(
        start[0] + nx * a, start[1] + ny * a, start[0] - nx * a, start[1] - ny * a
    )
    across.add_color_stop_rgb(0.0, *lighter(base, 0.12))
    across.add_color_stop_rgb(0.3, *lighter(base, 0.42))
    across.add_color_stop_rgb(0.55, *base)
    across.add_color_stop_rgb(1.0, *darker(base, 0.45))
    ctx.set_source(across)
    ctx.fill_preserve()
    outline(ctx, base, 1.4)


def limb(ctx: Context, joints: Sequence[Point], widths: Sequence[float], base: Colour) -> None:
    """Draw a soft tapered tube with round ends through joints: a sleeve, a neck, a tail.

    Drawn twice as a chain of round strokes, first a little wider as the contour: a bent tube has no
    outline of its own that could cross itself.
    """
    span = max(math.dist(start, end) for start, end in pairwise(joints))
    steps = 4 + int(span / 16)
    samples = [(float(x), float(y)) for x, y in _spline(np.asarray(joints, float), steps)]
    reach = np.interp(np.linspace(0, len(widths) - 1, len(samples)), np.arange(len(widths)), widths)
    xs, ys = zip(*samples, strict=True)
    half = float(max(widths)) / 2
    light = cairo.LinearGradient(min(xs) - half, min(ys) - half, max(xs) + half, max(ys) + half)
    light.add_color_stop_rgb(0.0, *lighter(base, 0.20))
    light.add_color_stop_rgb(0.5, *base)
    light.add_color_stop_rgb(1.0, *darker(base, 0.28))
    ctx.set_line_cap(cairo.LINE_CAP_ROUND)
    ctx.set_source_rgb(*darker(base, 0.5))
    _chain(ctx, samples, reach + 2.2)
    ctx.set_source(light)
    _chain(ctx, samples, reach)


def _chain(ctx: Context, points: Sequence[Point], widths: np.ndarray) -> None:
    """Stroke a path whose width changes along it."""
    for start, end, width in zip(points, points[1:], (widths[1:] + widths[:-1]) / 2, strict=False):
        ctx.set_line_width(float(width))
        ctx.move_to(*start)
        ctx.line_to(*end)
        ctx.stroke()


def _spline(joints: np.ndarray, steps: int) -> np.ndarray:
    """Sample a Catmull-Rom curve through joints."""
    padded = np.concatenate([2 * joints[:1] - joints[1:2], joints, 2 * joints[-1:] - joints[-2:-1]])
    share = np.linspace(0, 1, steps, endpoint=False)[:, None]
    pieces = []
    for a, b, c, d in zip(padded, padded[1:], padded[2:], padded[3:], strict=False):
        pieces.append(
            0.5 * (2 * b + (c - a) * share + (2 * a - 5 * b + 4 * c - d) * share**2
                   + (3 * b - a - 3 * c + d) * share**3)
        )  # fmt: skip
    return np.concatenate([*pieces, joints[-1:]])


def glow(ctx: Context, x: float, y: float, radius: float, base: Colour, alpha: float) -> None:
    """Lay a round pool of light."""
    pool = cairo.RadialGradient(x, y, 0, x, y, radius)
    for at, share in ((0.0, 1.0), (0.35, 0.55), (0.7, 0.16), (1.0, 0.0)):
        pool.add_color_stop_rgba(at, *base, alpha * share)
    ctx.set_source(pool)
    ctx.rectangle(x - radius, y - radius, 2 * radius, 2 * radius)
    ctx.fill()


def wash(
    ctx: Context, area: tuple[float, float, float, float], top: Colour, bottom: Colour
) -> None:
    """Fill a rectangle from one colour above to another below."""
    x, y, w, h = area
    fade = cairo.LinearGradient(0, y, 0, y + h)
    fade.add_color_stop_rgb(0, *top)
    fade.add_color_stop_rgb(1, *bottom)
    ctx.set_source(fade)
    ctx.rectangle(x, y, w, h)
    ctx.fill()
