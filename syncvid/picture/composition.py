"""The composition: a pure function from an output picture to what each tile shows.

Output pictures are counted on the reference: picture k is on screen from k / rate to (k + 1) / rate
reference seconds and shows the middle of that stretch; a title before the music has negative
numbers.  Where a tile has no clip there is a card with the name, which dissolves into the first
picture of the clip before that begins; after a clip has ended its last picture stays for a moment
and then dissolves into the card.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace

from syncvid.errors import ProductionError
from syncvid.picture.captions import words_fit
from syncvid.picture.credits import choose_credits, plan_plates
from syncvid.picture.cropping import picture_rect
from syncvid.picture.fonts import choose_type
from syncvid.picture.headroom import Focus
from syncvid.picture.pieces import Piece, Rect, Voice
from syncvid.picture.plates import TitlePlate, reading_s
from syncvid.picture.scenes import Place, Scene, lay_out
from syncvid.picture.typeset import Typeset
from syncvid.production.layouts import Layout
from syncvid.timeline import (
    Bars,
    FrameRate,
    Lead,
    middle_of_picture_s,
    picture_at,
    picture_start_s,
    pictures_to_cover,
)

# ITU-T H.264 and most players need at least this; more than 8192 few can show.
_SMALLEST_SIDE, _LARGEST_SIDE = 64, 8192

# Words fade in and out within the stretch that they are given; plates dissolve.
FADE_S, _PLATE_DISSOLVE_S = 0.25, 0.6

# Credits that stand for less than this share of the time that they take to read are told.
_HURRIED = 0.7

# A held picture is asked for this long before the clip's end, inside the last picture.
_BEFORE_END_S = 0.002


@dataclass(frozen=True, slots=True)
class Layer:
    """One of the pictures that lie upon each other in a tile.

    Attributes
    ----------
    piece : Piece or None
        The clip; None: the card.
    clip_s : float
        The moment of the clip, in clip seconds.
    share : float
        How much of it covers what lies below, 0 to 1; the lowest covers all.
    """

    piece: Piece | None
    clip_s: float = 0.0
    share: float = 1.0


CARD = Layer(None)


@dataclass(frozen=True, slots=True)
class Shown:
    """What one tile shows in one output picture.

    Attributes
    ----------
    voice : int
        Whose tile it is: an index into the voices.
    rect : Rect
        Where it stands.
    layers : tuple of Layer
        From the lowest to the highest.
    named : bool
        Whether it carries its name.
    presence : float
        How far it has come in, 0 to 1.
    """

    voice: int
    rect: Rect
    layers: tuple[Layer, ...]
    named: bool = True
    presence: float = 1.0


@dataclass(frozen=True, slots=True)
class Stage:
    """A whole picture of one scene.

    Attributes
    ----------
    scene : int
        Which scene: an index into the composition's.
    share : float
        How much of it covers the stage before it, 0 to 1; the first one covers all.
    tiles : tuple of Shown
        Its tiles.
    """

    scene: int
    share: float
    tiles: tuple[Shown, ...]


@dataclass(frozen=True, slots=True)
class Words:
    """Words at the foot of the picture, fading in and out.

    Attributes
    ----------
    from_s, to_s : float
        Reference seconds.
    text : Typeset
        The words.
    """

    from_s: float
    to_s: float
    text: Typeset

    def share(self, reference_s: float) -> float:
        """Return how far they have come in at a moment, 0 to 1."""
        away_s = max(self.from_s - reference_s, reference_s - self.to_s)
        return min(1.0, max(0.0, 1.0 - away_s / FADE_S)) if away_s < FADE_S else 0.0


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


@dataclass(frozen=True)
class Composition:
    """Everything that the picture of a video consists of.

    Attributes
    ----------
    size : (int, int)
        Width and height of the output in pixels, even.
    frame_rate : Fraction
        Pictures per second.
    duration_s : float
        Length of the music in reference seconds.
    voices : tuple of Voice
        In score order.
    layout : Layout
        Looks.
    scenes : tuple of Scene
        Where the tiles stand, in the order of time, without gaps.
    labels : tuple of Typeset
        The name of each voice, ready to be set.
    words : tuple of Words
        What is written at the foot of the picture.
    first, last : int
        The first output picture, and the first one after the end, counted on the reference.
    warnings : tuple of str
        What the user should know, in sentences.
    """

    size: tuple[int, int]
    frame_rate: FrameRate
    duration_s: float
    voices: tuple[Voice, ...]
    layout: Layout
    scenes: tuple[Scene, ...]
    labels: tuple[Typeset, ...]
    first: int
    last: int
    words: tuple[Words, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def picture_count(self) -> int:
        """How many output pictures there are."""
        return self.last - self.first

    @property
    def from_s(self) -> float:
        """Reference second at which the video begins."""
        return picture_start_s(self.first, self.frame_rate)

    @property
    def to_s(self) -> float:
        """Reference second at which the sound of the video ends."""
        end_s = picture_start_s(self.last, self.frame_rate)
        # The last picture of the music may last longer than the sound does.
        just_ends = self.last == pictures_to_cover(self.duration_s, self.frame_rate)
        return min(self.duration_s, end_s) if just_ends else end_s

    def stages(self, picture: int) -> tuple[Stage, ...]:
        """Return the scene of an output picture, or the two between which it dissolves."""
        reference_s = middle_of_picture_s(picture, self.frame_rate)
        index = self._scene_at(reference_s)
        later = index + 1 if index + 1 < len(self.scenes) else index
        if later > index and _share(self.scenes[later], reference_s) > 0.0:
            pair = index, later
        elif index and _share(self.scenes[index], reference_s) < 1.0:
            pair = index - 1, index
        else:
            return (Stage(index, 1.0, self._tiles(index, reference_s)),)
        share = _share(self.scenes[pair[1]], reference_s)
        return (
            Stage(pair[0], 1.0, self._tiles(pair[0], reference_s)),
            Stage(pair[1], share, self._tiles(pair[1], reference_s)),
        )

    def words_at(self, picture: int) -> tuple[tuple[Words, float], ...]:
        """Return the words of an output picture, each with how far it has come in, 0 to 1."""
        reference_s = middle_of_picture_s(picture, self.frame_rate)
        return tuple(
            (words, share) for words in self.words if (share := words.share(reference_s)) > 0.0
        )

    def words_below(self, words: Words) -> tuple[Words, ...]:
        """Return the words that share some time with others and stand below them at the foot."""
        number = self.words.index(words)
        return tuple(
            other
            for other in self.words[:number]
            if other.from_s - FADE_S < words.to_s + FADE_S
            and words.from_s - FADE_S < other.to_s + FADE_S
        )

    def picture_rect(self, tile: Rect, piece: Piece) -> Rect:
        """Return the part of a tile that a clip's picture covers."""
        return picture_rect(piece.shape, tile, self.layout.tile)

    def pieces_of(self, place: Place) -> tuple[Piece, ...]:
        """Return what a tile shows over time."""
        return place.pieces or self.voices[place.voice].pieces

    def scenes_between(self, from_s: float, to_s: float) -> Iterator[Scene]:
        """Yield every scene that is seen at some moment of a stretch."""
        for number, scene in enumerate(self.scenes):
            after = self.scenes[number + 1 : number + 2]
            leaves_s = scene.to_s + (after[0].dissolve_s / 2 if after else 0.0)
            if scene.from_s - scene.dissolve_s / 2 < to_s and leaves_s > from_s:
                yield scene

    def tiles_between(self, from_s: float, to_s: float) -> Iterator[tuple[Scene, Place]]:
        """Yield every tile that stands at some moment of a stretch, with its scene."""
        for scene in self.scenes_between(from_s, to_s):
            for place in scene.places:
                yield scene, place

    def without(self, unwanted: Callable[[Piece], bool]) -> Composition:
        """Return the same picture without some of the clips; their tiles stay, as cards."""

        def rest(pieces: tuple[Piece, ...]) -> tuple[Piece, ...]:
            return tuple(piece for piece in pieces if not unwanted(piece))

        return replace(
            self,
            voices=tuple(replace(voice, pieces=rest(voice.pieces)) for voice in self.voices),
            scenes=tuple(
                replace(
                    scene,
                    places=tuple(replace(p, pieces=rest(p.pieces)) for p in scene.places),
                )
                for scene in self.scenes
            ),
        )

    def _scene_at(self, reference_s: float) -> int:
        """Return the scene of a moment."""
        return max(0, bisect.bisect_right(self.scenes, reference_s, key=lambda s: s.from_s) - 1)

    def _tiles(self, scene: int, reference_s: float) -> tuple[Shown, ...]:
        """Return the tiles of a scene at a moment; those still to enter are left out."""
        shown = []
        for place in self.scenes[scene].places:
            presence = self._presence(place, reference_s)
            if presence > 0.0:
                layers = _layers(self.pieces_of(place), reference_s, self.layout)
                shown.append(Shown(place.voice, place.rect, layers, place.named, presence))
        return tuple(shown)

    def _presence(self, place: Place, reference_s: float) -> float:
        """Return how far a tile has come in."""
        ready_s, takes_s = reference_s - place.enters_s, self.layout.tile.dissolve_s
        if ready_s < 0.0:
            return 0.0
        return min(1.0, ready_s / takes_s) if takes_s else 1.0


def compose(
    voices: Sequence[Voice],
    layout: Layout,
    *,
    size: tuple[int, int],
    frame_rate: FrameRate,
    duration_s: float,
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
        Length of the music in seconds.
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
    _check(voices, size, duration_s)
    first, last = _window(window_s, duration_s, frame_rate)
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
            Words(max(0.0, from_s) + FADE_S, min(duration_s, to_s) - FADE_S, words)
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
        first = -pictures_to_cover(around.title_s, rate)
        change_s = -_PLATE_DISSOLVE_S / 2
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
    window_s: tuple[float, float] | None, duration_s: float, frame_rate: FrameRate
) -> tuple[int, int]:
    """Return the first output picture and the one after the last."""
    whole = pictures_to_cover(duration_s, frame_rate)
    if window_s is None:
        return 0, whole
    from_s, to_s = max(0.0, window_s[0]), min(duration_s, window_s[1])
    if not from_s < to_s:
        raise ProductionError(
            f"There is no music from {window_s[0]:g} to {window_s[1]:g} s: "
            f"it lasts from 0 to {duration_s:.1f} s.",
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


def _share(scene: Scene, reference_s: float) -> float:
    """Return how far a scene has taken over from the one before it."""
    since_s = reference_s - scene.from_s + scene.dissolve_s / 2
    if scene.dissolve_s <= 0.0:
        return 1.0 if since_s >= 0.0 else 0.0
    return min(1.0, max(0.0, since_s / scene.dissolve_s))


def _layers(pieces: tuple[Piece, ...], reference_s: float, layout: Layout) -> tuple[Layer, ...]:
    """Return what lies upon each other in a tile at a moment."""
    index = bisect.bisect_right(pieces, reference_s, key=lambda piece: piece.from_s) - 1
    later = pieces[index + 1 : index + 2]
    below = _alone(pieces[index], reference_s, layout) if index >= 0 else (CARD,)
    if later and later[0].from_s - reference_s < later[0].dissolve_s / 2 and below != (CARD,):
        return (*below, _taking_over(later[0], reference_s))
    if index > 0 and reference_s - pieces[index].from_s < pieces[index].dissolve_s / 2:
        before = _alone(pieces[index - 1], reference_s, layout)
        if before != (CARD,):
            return (*before, _taking_over(pieces[index], reference_s))
    takes_s = layout.tile.dissolve_s
    if later and below == (CARD,) and later[0].from_s - reference_s < takes_s:
        # The card has gone when the clip begins: from then on every picture is the one that is due.
        first = Layer(later[0], later[0].placement.to_clip(later[0].from_s))
        if later[0].from_s < takes_s:
            # Where the music begins, a card that had no time to be seen would only flash up.
            return (first,)
        return first, Layer(None, share=(later[0].from_s - reference_s) / takes_s)
    return below


def _taking_over(piece: Piece, reference_s: float) -> Layer:
    """Return a piece's layer while it dissolves into the tile."""
    share = 0.5 + (reference_s - piece.from_s) / piece.dissolve_s
    return Layer(piece, piece.placement.to_clip(reference_s), min(1.0, max(0.0, share)))


def _alone(piece: Piece, reference_s: float, layout: Layout) -> tuple[Layer, ...]:
    """Return the layers of a tile whose latest clip this is: the clip, held, and then the card."""
    if reference_s < piece.to_s:
        return (Layer(piece, piece.placement.to_clip(reference_s)),)
    since_s = reference_s - piece.to_s - layout.tile.hold_s
    if since_s >= layout.tile.dissolve_s:
        return (CARD,)
    held = Layer(piece, piece.placement.to_clip(piece.to_s - _BEFORE_END_S))
    if since_s <= 0.0:
        return (held,)
    return held, Layer(None, share=since_s / layout.tile.dissolve_s)
