"""One picture of one clip: room, player, music stand and lamp panel."""

from __future__ import annotations

import cairo
import numpy as np

from .canvas import Context, box, colour, darker, lighter, polygon, rod, shade
from .counter import PITCH, Panel, draw_panel
from .interiors import LIFE, ROOMS
from .motion import Line
from .plan import Clip, seen_in
from .players import LOOKS, PLAYERS

LANDSCAPE, PORTRAIT = (1280.0, 720.0), (720.0, 1280.0)
# Landscape stages are moved and enlarged into a portrait picture by this much.
_PORTRAIT_SCALE, _PORTRAIT_MOVE = 1.1, (360.0 - 640.0 * 1.1, 230.0)
_STAND_WOOD = colour("#6b4a3a")
_STAND_Y = 598.0
# High enough to stay in view when the upright picture is cropped to a nearly square tile.
_PORTRAIT_STAND_Y = 876.0


class Scene:
    """Everything that stays the same through a clip, and how to draw one of its pictures.

    Parameters
    ----------
    clip : Clip
        What to draw.
    """

    def __init__(self, clip: Clip) -> None:
        self.clip = clip
        self.line = Line(seen_in(clip), clip.seed)
        self.look = LOOKS[clip.player]
        self.width, self.height = clip.camera.upright_size
        self.portrait = self.height > self.width
        self.design = PORTRAIT if self.portrait else LANDSCAPE
        self._background = self._draw_background()

    @property
    def panel(self) -> Panel:
        """Where the lamp panel stands, in design units."""
        if self.portrait:
            return Panel(self.design[0] / 2 - 3.5 * PITCH, _PORTRAIT_STAND_Y)
        return Panel(self.design[0] / 2 - 3.5 * PITCH, _STAND_Y)

    def _context(self, surface: cairo.ImageSurface) -> Context:
        """Return a context in design units."""
        ctx = cairo.Context(surface)
        ctx.scale(self.width / self.design[0], self.height / self.design[1])
        return ctx

    def _draw_background(self) -> cairo.ImageSurface:
        """Draw the room, once."""
        surface = cairo.ImageSurface(cairo.FORMAT_RGB24, self.width, self.height)
        ROOMS[self.clip.part, self.clip.take](self._context(surface))
        return surface

    def draw(self, clip_s: float, index: int) -> np.ndarray:
        """Draw the picture of a clip second.

        Returns
        -------
        ndarray, shape (height, width, 4), uint8
            Blue, green, red and an unused byte, upright.
        """
        surface = cairo.ImageSurface(cairo.FORMAT_RGB24, self.width, self.height)
        plain = cairo.Context(surface)
        plain.set_source_surface(self._background)
        plain.paint()
        ctx = self._context(surface)
        at_s = float(self.clip.music_at(clip_s))
        LIFE.get((self.clip.part, self.clip.take), _still)(ctx, at_s)
        ctx.save()
        if self.portrait:
            ctx.translate(*_PORTRAIT_MOVE)
            ctx.scale(_PORTRAIT_SCALE, _PORTRAIT_SCALE)
        PLAYERS[self.clip.part](ctx, self.line, self.look, at_s)
        ctx.restore()
        if self.clip.part != "Marimba":
            _draw_stand(ctx, self.panel)
        draw_panel(ctx, self.panel, index)
        surface.flush()
        stride = surface.get_stride()
        pixels = np.frombuffer(surface.get_data(), np.uint8).reshape(self.height, stride // 4, 4)
        return pixels[:, : self.width]


def _still(ctx: Context, at_s: float) -> None:
    """Move nothing: most rooms are quiet."""


def _draw_stand(ctx: Context, panel: Panel) -> None:
    """Draw the back of a music stand with sheets looking over its edge."""
    middle, top = panel.x + 3.5 * PITCH, panel.y - 34
    foot = top + 396
    for side in (-1, 1):
        rod(ctx, (middle, foot - 40), (middle + side * 74, foot), (11, 9), darker(_STAND_WOOD, 0.4))
    rod(ctx, (middle, top + 60), (middle, foot), (14, 16), darker(_STAND_WOOD, 0.4))
    for turn, shift in ((-0.05, -58.0), (0.04, 46.0)):
        ctx.save()
        ctx.translate(middle + shift, top - 4)
        ctx.rotate(turn)
        ctx.rectangle(-62, -15, 124, 40)
        shade(ctx, colour("#fbf4e2"), depth=0.4, ink=1.0)
        ctx.restore()
    polygon(ctx, [(middle - 142, top), (middle + 142, top), (middle + 156, top + 104),
                  (middle - 156, top + 104)])  # fmt: skip
    shade(ctx, _STAND_WOOD, depth=0.8)
    box(ctx, middle - 164, top + 98, 328, 15, 6)
    shade(ctx, lighter(_STAND_WOOD, 0.1))
