"""Scenes: which tile stands where, from when to when.

A layout says what is seen from which moment on; here that meets the voices and the bars.  A scene
lasts to the next one's beginning.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from syncvid.errors import ProductionError
from syncvid.picture.arrangements import Ensemble, arrange
from syncvid.picture.leads import follow
from syncvid.picture.pieces import Piece, Rect, Voice
from syncvid.picture.plates import Plate
from syncvid.picture.roles import Roles, cast_roles
from syncvid.picture.space import Space, whole_space
from syncvid.production.captions import at_s
from syncvid.production.layouts import Layout, ScenePlan
from syncvid.timeline import Bars, Lead

# WCAG 2.2, success criterion 2.3.1: no more than three flashes in any second.  A change of the
# whole picture is half a flash at most; so this leaves room.
LEAST_SCENE_S = 1 / 3

# Names whose letters would be lower than this cannot be read, and are left out.
_LEAST_LETTERS_PX = 6.0


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
    pieces : tuple of Piece
        What it shows where that differs from the voice's: each looked at as this tile's shape asks
        for; otherwise none.
    """

    voice: int
    rect: Rect
    named: bool = True
    enters_s: float = -math.inf
    pieces: tuple[Piece, ...] = ()


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
    plate : TitlePlate or CreditsPlate or None
        What stands there in place of tiles.
    """

    from_s: float
    to_s: float
    places: tuple[Place, ...]
    dissolve_s: float = 0.0
    caption: str = ""
    plate: Plate | None = None


def lay_out(
    voices: Sequence[Voice],
    layout: Layout,
    *,
    size: tuple[int, int],
    beats: Bars | None = None,
    leads: Sequence[Lead] = (),
    absent: Collection[str] = (),
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
        Where the bars lie on the reference; None where no beats are known.
    leads : sequence of Lead
        Who leads when, for the arrangement `follow`; in any order.
    absent : collection of str
        Names of parts and groups that the production has, but that are not among the voices: a
        layout may name them.

    Returns
    -------
    (tuple of Scene, tuple of str)
        The scenes in the order of time, which together cover all of it, and what the user should
        know, in sentences.

    Raises
    ------
    ProductionError
        The layout names a part or a bar that there is not, its scenes follow each other too fast
        or not in the order of time, or the picture is too small for so many tiles.
    """
    space = whole_space(layout, size)
    warnings: list[str] = []
    scenes: list[Scene] = []
    for stretch in _stretches(layout, beats):
        plan = stretch.plan
        roles = cast_roles(voices, plan, stretch.where, absent)
        warnings += roles.warnings
        turns = [(stretch.from_s, roles.lead)]
        if plan.arrangement == "follow":
            turns = _followed(leads, roles, stretch, layout)
            if not leads:
                name = voices[roles.lead].part or voices[roles.lead].label
                warnings.append(f"It is not known who leads; {name} stays large.")
        ends = [*(from_s for from_s, _ in turns[1:]), stretch.to_s]
        for (from_s, lead), to_s in zip(turns, ends, strict=True):
            places = _places(voices, replace(roles, lead=lead), plan, layout, space)
            scenes.append(Scene(from_s, to_s, places, plan.dissolve_s, plan.caption))
    return _settled(scenes), tuple(dict.fromkeys(warnings))


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A stretch of the music for which the layout says one thing, and what to call it."""

    from_s: float
    to_s: float
    plan: ScenePlan
    where: str


def _stretches(layout: Layout, beats: Bars | None) -> list[_Stretch]:
    """Find the layout's scenes on the reference."""
    named = [(plan, f"layout {layout.name}, scene {n}") for n, plan in enumerate(layout.scenes, 1)]
    starts = [
        at_s(plan.begins, beats, where) if plan.begins else -math.inf for plan, where in named
    ]
    for (before_s, after_s), (plan, where) in zip(pairwise(starts), named[1:], strict=True):
        if after_s < before_s + LEAST_SCENE_S:
            raise _too_fast(plan, where, after_s - before_s)
    if starts and starts[0] <= 0.0:
        # What the top of the file says would never be seen.
        starts[0] = -math.inf
    else:
        starts = [-math.inf, *starts]
        named = [(layout.opening, f"layout {layout.name}"), *named]
    return [
        _Stretch(from_s, to_s, plan, where)
        for (from_s, to_s), (plan, where) in zip(pairwise([*starts, math.inf]), named, strict=True)
    ]


def _followed(
    leads: Sequence[Lead], roles: Roles, stretch: _Stretch, layout: Layout
) -> list[tuple[float, int]]:
    """Return from when on who is large.

    Before anybody leads that is the one whom the scene names, otherwise the first who will lead.
    """
    coming = sorted(
        (lead.from_s, lead.voice)
        for lead in leads
        if lead.voice in roles.shown and stretch.from_s < lead.to_s and lead.from_s < stretch.to_s
    )
    first = coming[0][1] if coming and not stretch.plan.lead else roles.lead
    return follow(leads, roles.shown, stretch.from_s, stretch.to_s, first, layout.least_lead_s)


def _too_fast(plan: ScenePlan, where: str, apart_s: float) -> ProductionError:
    """Return the error of scenes that are out of order, or flash."""
    if apart_s < 0:
        return ProductionError(
            f"The scene from {plan.begins} begins {-apart_s:g} s before the one above it.",
            where=where,
            fix="Write the scenes in the order of time.",
        )
    return ProductionError(
        f"The scene from {plan.begins} follows {apart_s:.3g} s after the one before it: pictures "
        "that change more than three times in a second can trigger seizures.",
        where=where,
        fix="Leave at least a third of a second between two scenes.",
    )


def _places(
    voices: Sequence[Voice], roles: Roles, plan: ScenePlan, layout: Layout, space: Space
) -> tuple[Place, ...]:
    """Place the voices of one scene, in score order."""
    shown = [voices[index] for index in roles.shown]
    ensemble = Ensemble(
        shapes=tuple(voice.shape for voice in shown),
        groups=tuple(voice.group for voice in shown),
        lead=roles.shown.index(roles.lead),
        pair=(roles.shown.index(roles.pair[0]), roles.shown.index(roles.pair[1])),
        side=plan.side,
    )
    rects = arrange(plan.arrangement, ensemble, space)
    return tuple(
        Place(
            roles.shown[index],
            rect,
            plan.names and rect.height * layout.caption.size >= _LEAST_LETTERS_PX,
            _enters_s(shown[index], layout),
        )
        for index, rect in sorted(rects.items())
    )


def _enters_s(voice: Voice, layout: Layout) -> float:
    """Return from when on a voice's tile is there."""
    if not layout.tile.enter or voice.enters_s is None:
        return -math.inf
    return voice.enters_s


def _settled(scenes: Sequence[Scene]) -> tuple[Scene, ...]:
    """Join scenes that show the same, and keep each dissolve within the scenes it joins."""
    kept: list[Scene] = []
    for scene in scenes:
        if kept and (kept[-1].places, kept[-1].caption) == (scene.places, scene.caption):
            kept[-1] = replace(kept[-1], to_s=scene.to_s)
        else:
            kept.append(scene)
    return tuple(
        replace(
            scene,
            # Half of it lies in either scene, where the half of another may lie too.
            dissolve_s=min(scene.dissolve_s, before.to_s - before.from_s, scene.to_s - scene.from_s)
            if before
            else 0.0,
        )
        for before, scene in zip([None, *kept], kept, strict=False)
    )
