"""Laying out: from voices and a layout to the composition of a video."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

from syncvid.errors import ProductionError
from syncvid.picture.captions import words_fit
from syncvid.picture.composition import FADE_S, Composition, Words
from syncvid.picture.credits import choose_credits, plan_plates
from syncvid.picture.cropping import picture_rect
from syncvid.picture.fonts import choose_type
from syncvid.picture.headroom import Focus
from syncvid.picture.pieces import Piece, Voice
from syncvid.picture.plates import TitlePlate, reading_s
from syncvid.picture.scenes import Scene, lay_out
from syncvid.picture.typeset import Typeset
from syncvid.production.layouts import Layout
from syncvid.timeline import (
    Bars,
    FrameRate,
    Lead,
    picture_at,
    picture_start_s,
    pictures_to_cover,
)

# ITU-T H.264 and most players need at least this; more than 8192 few can show.
_SMALLEST_SIDE, _LARGEST_SIDE = 64, 8192

# How long a plate takes to give way.
_PLATE_DISSOLVE_S = 0.6

# Credits that stand for less than this share of the time that they take to read are told.
_HURRIED = 0.7


@dataclass(frozen=True, slots=True)
class Around:
    """What stands around the music: title and credits; and words during it.

    Attributes
    ----------
    title, subtitle : str
        Of the plate before the music.
    title_s : float
        How long it stands; 0: there is none.
    credits : tuple of str
        Lines after the music.
    credits_s : float
        How long each of their plates stands.
    captions : tuple of (from_s, to_s, text)
        Words at the foot of the picture, in reference seconds.
    """

    title: str = ""
    subtitle: str = ""
    title_s: float = 0.0
    credits: tuple[str, ...] = ()
    credits_s: float = 6.0
    captions: tuple[tuple[float, float, str], ...] = ()


NOTHING_AROUND = Around()

ViewOf = Callable[[Sequence[tuple[Piece, tuple[int, int]]]], Sequence[tuple[Focus, float]]]
"""Chooses focus and zoom for clips that are seen together, given each with the size it covers."""


def compose(
    voices: Sequence[Voice],
    layout: Layout,
    *,
    size: tuple[int, int],
    frame_rate: FrameRate,
    duration_s: float,
    starts_s: float = 0.0,
    window_s: tuple[float, float] | None = None,
    bars: Bars | None = None,
    leads: Sequence[Lead] = (),
    absent: Collection[str] = (),
    around: Around = NOTHING_AROUND,
    view_of: ViewOf | None = None,
) -> Composition:
    """Place every voice and find fonts for all that is written.

    Parameters
    ----------
    voices : sequence of Voice
        In score order; at least one.
    layout : Layout
        How it is to look.
    size : (int, int)
        Width and height of the output in pixels.
    frame_rate : Fraction
        Pictures per second.
    duration_s : float
        The reference second at which the music ends.
    starts_s : float
        The one at which it begins; 0 where there is a finished mix.
    window_s : (float, float) or None
        Reference seconds of an excerpt, without title and credits; None: all of it.
    bars : Bars or None
        Where the bars lie on the reference.
    leads : sequence of Lead
        Who leads when, for layouts that follow.
    absent : collection of str
        Parts and groups that a layout may name although they have no voice.
    around : Around
        Title, credits and captions.
    view_of : callable or None
        Chooses where to look in clips that are seen together; None: as the pieces say.

    Returns
    -------
    Composition

    Raises
    ------
    ProductionError
        No voice at all, a size that cannot be encoded, tiles that would be too small, or an excerpt
        outside of the music.
    """
    _check(voices, size, duration_s - starts_s)
    first, last = _window(window_s, (starts_s, duration_s), frame_rate)
    voices = tuple(_in_order(voice) for voice in voices)
    scenes, remarks = lay_out(voices, layout, size=size, beats=bars, leads=leads, absent=absent)
    if view_of is not None:
        scenes = tuple(_viewed(scene, voices, layout, view_of) for scene in scenes)
    captions = [*around.captions, *((s.from_s, s.to_s, s.caption) for s in scenes if s.caption)]
    texts = [*(voice.label for voice in voices), *(text for _, _, text in captions)]
    types, complaints = choose_type(texts)
    too_long = _too_long(captions, types[len(voices) :], size)
    composition = Composition(
        size=size,
        frame_rate=frame_rate,
        duration_s=duration_s,
        voices=voices,
        layout=layout,
        scenes=scenes,
        labels=types[: len(voices)],
        first=first,
        last=last,
        words=tuple(
            Words(max(starts_s, from_s) + FADE_S, min(duration_s, to_s) - FADE_S, words)
            for (from_s, to_s, _), words in zip(captions, types[len(voices) :], strict=True)
        ),
        warnings=(*remarks, *complaints, *too_long),
    )
    return composition if window_s else with_plates(composition, around)


def with_plates(composition: Composition, around: Around) -> Composition:
    """Return a composition with a title before and credits after the music."""
    scenes, warnings = list(composition.scenes), list(composition.warnings)
    rate, end_s = composition.frame_rate, picture_start_s(composition.last, composition.frame_rate)
    first, last = composition.first, composition.last
    if around.title_s > 0.0 and (around.title or around.subtitle):
        (title,), notes = choose_type([around.title])
        (subtitle,), more = choose_type([around.subtitle], italic=True)
        warnings += [*notes, *more]
        change_s = picture_start_s(first, rate) - _PLATE_DISSOLVE_S / 2
        first -= pictures_to_cover(around.title_s, rate)
        scenes[0] = replace(scenes[0], from_s=change_s, dissolve_s=_PLATE_DISSOLVE_S)
        plate = TitlePlate(title, subtitle)
        scenes.insert(0, Scene(-math.inf, change_s, (), plate=plate))
    credits, notes = choose_credits(around.credits)
    warnings += notes
    plates = plan_plates(credits, composition.size) if around.credits_s > 0.0 else ()
    needed_s = max(map(reading_s, plates), default=0.0)
    if around.credits_s < _HURRIED * needed_s:
        warnings.append(
            f"The credits stand for {around.credits_s:g} s; to read them takes about "
            f"{needed_s:.0f} s: set `credits_s` in production.toml."
        )
    for number, roll in enumerate(plates):
        from_s = end_s + number * around.credits_s + _PLATE_DISSOLVE_S / 2
        scenes[-1] = replace(scenes[-1], to_s=from_s)
        scenes.append(Scene(from_s, math.inf, (), _PLATE_DISSOLVE_S, plate=roll))
        last = composition.last + pictures_to_cover((number + 1) * around.credits_s, rate)
    return replace(
        composition, scenes=tuple(scenes), first=first, last=last, warnings=tuple(warnings)
    )


def _too_long(
    captions: Sequence[tuple[float, float, str]], types: Sequence[Typeset], size: tuple[int, int]
) -> list[str]:
    """Name the words at the foot that have no room."""
    return [
        f"These words are too long for two lines of a picture of {size[0]}x{size[1]}, so their end "
        f"is left out: {text!r}.  Give the rest a caption of its own."
        for (_, _, text), words in zip(captions, types, strict=True)
        if not words_fit(words, size)
    ]


def _check(voices: Sequence[Voice], size: tuple[int, int], duration_s: float) -> None:
    """Refuse what no video can be made of."""
    if not voices:
        raise ProductionError(
            "There is nothing to show.", fix="Add clips, or name parts in production.toml."
        )
    if any(side % 2 or not _SMALLEST_SIDE <= side <= _LARGEST_SIDE for side in size):
        raise ProductionError(
            f"A picture of {size[0]}x{size[1]} pixels cannot be made.",
            fix=f"Choose even numbers from {_SMALLEST_SIDE} to {_LARGEST_SIDE}, as 1920x1080.",
        )
    if not duration_s > 0:
        raise ProductionError("The video would have no length: the sound is empty.")


def _viewed(scene: Scene, voices: Sequence[Voice], layout: Layout, view_of: ViewOf) -> Scene:
    """Return a scene whose clips are looked at as is best for the tiles seen together."""
    items = [(place, piece) for place in scene.places for piece in voices[place.voice].pieces]
    rects = [picture_rect(piece.shape, place.rect, layout.tile) for place, piece in items]
    views = view_of(
        [(piece, (r.width, r.height)) for (_, piece), r in zip(items, rects, strict=True)]
    )
    looked = iter(
        replace(piece, focus=focus, zoom=zoom)
        for (_, piece), (focus, zoom) in zip(items, views, strict=True)
    )
    return replace(
        scene,
        places=tuple(
            replace(place, pieces=tuple(next(looked) for _ in voices[place.voice].pieces))
            for place in scene.places
        ),
    )


def _window(
    window_s: tuple[float, float] | None, music_s: tuple[float, float], frame_rate: FrameRate
) -> tuple[int, int]:
    """Return the first output picture and the one after the last."""
    starts_s, duration_s = music_s
    whole = pictures_to_cover(duration_s, frame_rate)
    if window_s is None:
        return picture_at(starts_s, frame_rate), whole
    from_s, to_s = max(starts_s, window_s[0]), min(duration_s, window_s[1])
    if not from_s < to_s:
        raise ProductionError(
            f"There is no music from {window_s[0]:g} to {window_s[1]:g} s: "
            f"it lasts from {starts_s:g} to {duration_s:.1f} s.",
            fix="Choose an excerpt inside of it.",
        )
    # Both ends lie at the picture that is then on screen: the first note is whole, the one after
    # the end is not heard, and excerpts that follow each other join.
    first = min(picture_at(from_s, frame_rate), whole - 1)
    last = whole if to_s >= duration_s else picture_at(to_s, frame_rate)
    return first, max(first + 1, last)


def _in_order(voice: Voice) -> Voice:
    """Sort a voice's pieces and end each where the next begins."""
    pieces = sorted((p for p in voice.pieces if p.to_s > p.from_s), key=lambda p: p.from_s)
    ends = [*(piece.from_s for piece in pieces[1:]), float("inf")]
    return replace(
        voice,
        pieces=tuple(
            replace(piece, to_s=min(piece.to_s, end))
            for piece, end in zip(pieces, ends, strict=False)
            if end > piece.from_s
        ),
    )
