"""The composition: a pure function from an output picture to what each tile shows.

Output pictures are counted on the reference: picture k is on screen from k / rate to (k + 1) / rate
reference seconds and shows the middle of that stretch; a title before the music has negative
numbers.  Where a tile has no clip there is a card with the name, which dissolves into the first
picture of the clip before that begins; after a clip has ended its last picture stays for a moment
and then dissolves into the card.
"""

from __future__ import annotations

import bisect
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from syncvid.picture.cropping import picture_rect
from syncvid.picture.pieces import Piece, Rect, Voice
from syncvid.picture.scenes import Place, Scene
from syncvid.picture.typeset import Typeset
from syncvid.production.layouts import Layout
from syncvid.timeline import (
    FrameRate,
    middle_of_picture_s,
    picture_start_s,
    pictures_to_cover,
)

# Words fade in and out within the stretch that they are given.
FADE_S = 0.25

# Within so long, words and scenes have come in.
_SETTLES_S = 1.0

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

    def settled(self, picture: int) -> int:
        """Return the first picture from one on in which nothing comes in or goes, if it is near."""
        for later in range(picture, min(self.last, picture + round(_SETTLES_S * self.frame_rate))):
            stages, words = self.stages(later), self.words_at(later)
            if len(stages) == 1 and all(share == 1.0 for _, share in words):
                return later
        return picture

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
