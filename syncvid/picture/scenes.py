"""Scenes: which tile stands where, from when to when."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from syncvid.picture.grid import place_grid
from syncvid.picture.pieces import Rect, Voice
from syncvid.production.layouts import Layout
from syncvid.timeline import Bars


@dataclass(frozen=True, slots=True)
class Place:
    """One tile of a scene.

    Attributes
    ----------
    voice : int
        Whose it is: an index into the voices.
    rect : Rect
        Where it stands.
    named : bool
        Whether it carries its name.
    enters_s : float
        The reference second from which it is there; minus infinity: always.
    """

    voice: int
    rect: Rect
    named: bool = True
    enters_s: float = -math.inf


@dataclass(frozen=True, slots=True)
class Scene:
    """A stretch of the music in which the tiles stay where they are.

    Attributes
    ----------
    from_s, to_s : float
        Reference seconds; infinite at the ends.
    places : tuple of Place
        The tiles.
    dissolve_s : float
        How long the picture takes to change into this scene, centred on `from_s`; 0 cuts.
    caption : str
        Words at the foot of the picture.
    """

    from_s: float
    to_s: float
    places: tuple[Place, ...]
    dissolve_s: float = 0.0
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Lead:
    """A stretch of the music in which one voice leads.

    Attributes
    ----------
    from_s, to_s : float
        Reference seconds.
    voice : int
        Who leads: an index into the voices.
    """

    from_s: float
    to_s: float
    voice: int


def lay_out(
    voices: Sequence[Voice],
    layout: Layout,
    *,
    size: tuple[int, int],
    beats: Bars | None = None,
    leads: Sequence[Lead] = (),
) -> tuple[tuple[Scene, ...], tuple[str, ...]]:
    """Place every voice in every scene.

    Parameters
    ----------
    voices : sequence of Voice
        In score order; at least one.
    layout : Layout
        How it is to look.
    size : (int, int)
        Width and height of the output in pixels, even.
    beats : Bars or None
        Where the bars lie on the reference; None where there is no guide.
    leads : sequence of Lead
        Who leads when, in the order of time.

    Returns
    -------
    (tuple of Scene, tuple of str)
        The scenes in the order of time, which together cover all of it, and what the user should
        know, in sentences.

    Raises
    ------
    ProductionError
        The picture is too small for so many tiles.
    """
    rects = place_grid([voice.shape for voice in voices], layout, size=size)
    places = tuple(Place(index, rect) for index, rect in enumerate(rects))
    return (Scene(-math.inf, math.inf, places),), ()
