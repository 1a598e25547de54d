"""The composition: a pure function from an output picture to what each tile shows.

Output pictures are counted on the reference: picture k is on screen from k / rate to (k + 1) / rate
reference seconds and shows the middle of that stretch; a title before the music has negative
numbers.  Where a tile has no clip there is a card with the name; after a clip has ended its last
picture stays for a moment and then dissolves into the card.
"""

from __future__ import annotations

import bisect
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from syncvid.errors import ProductionError
from syncvid.picture.cropping import picture_rect
from syncvid.picture.fonts import find_font
from syncvid.picture.pieces import Piece, Rect, Voice
from syncvid.picture.scenes import Place, Scene, lay_out
from syncvid.production.layouts import Layout
from syncvid.timeline import (
    Bars,
    FrameRate,
    Lead,
    middle_of_picture_s,
    picture_start_s,
    pictures_to_cover,
)

# ITU-T H.264 and most players need at least this; more than 8192 few can show.
_SMALLEST_SIDE, _LARGEST_SIDE = 64, 8192

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
    fonts : tuple of Path
        The font file for each voice's name.
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
    fonts: tuple[Path, ...]
    first: int
    last: int
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
        """Reference second at which the sound of the video ends: not after the music."""
        return min(self.duration_s, picture_start_s(self.last, self.frame_rate))

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

    def picture_rect(self, tile: Rect, piece: Piece) -> Rect:
        """Return the part of a tile that a clip's picture covers."""
        return picture_rect(piece.shape, tile, self.layout.tile)

    def tiles_between(self, from_s: float, to_s: float) -> Iterator[tuple[Scene, Place]]:
        """Yield every tile that stands at some moment of a stretch, with its scene."""
        for number, scene in enumerate(self.scenes):
            after = self.scenes[number + 1 : number + 2]
            leaves_s = scene.to_s + (after[0].dissolve_s / 2 if after else 0.0)
            if scene.from_s - scene.dissolve_s / 2 < to_s and leaves_s > from_s:
                for place in scene.places:
                    yield scene, place

    def without(self, unwanted: Callable[[Piece], bool]) -> Composition:
        """Return the same picture without some of the clips; their tiles stay, as cards."""
        voices = tuple(
            replace(voice, pieces=tuple(piece for piece in voice.pieces if not unwanted(piece)))
            for voice in self.voices
        )
        return replace(self, voices=voices)

    def _scene_at(self, reference_s: float) -> int:
        """Return the scene of a moment."""
        return max(0, bisect.bisect_right(self.scenes, reference_s, key=lambda s: s.from_s) - 1)

    def _tiles(self, scene: int, reference_s: float) -> tuple[Shown, ...]:
        """Return the tiles of a scene at a moment; those still to enter are left out."""
        shown = []
        for place in self.scenes[scene].places:
            presence = self._presence(place, reference_s)
            if presence > 0.0:
                layers = _layers(self.voices[place.voice], reference_s, self.layout)
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
) -> Composition:
    """Place every voice and find fonts for the names.

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
        Reference seconds of an excerpt; None: all of it.
    bars : Bars or None
        Where the bars lie on the reference.
    leads : sequence of Lead
        Who leads when, for layouts that follow.

    Returns
    -------
    Composition

    Raises
    ------
    ProductionError
        No voice at all, a size that cannot be encoded, tiles that would be too small, or an excerpt
        outside of the music.
    """
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
    first, last = _window(window_s, duration_s, frame_rate)
    voices = tuple(_in_order(voice) for voice in voices)
    scenes, remarks = lay_out(voices, layout, size=size, beats=bars, leads=leads)
    fonts, complaints = _fonts(voices)
    return Composition(
        size=size,
        frame_rate=frame_rate,
        duration_s=duration_s,
        voices=voices,
        layout=layout,
        scenes=scenes,
        fonts=fonts,
        first=first,
        last=last,
        warnings=(*remarks, *complaints),
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
    first = min(whole, pictures_to_cover(from_s, frame_rate)) if from_s else 0
    return min(first, whole - 1), max(
        min(first, whole - 1) + 1, pictures_to_cover(to_s, frame_rate)
    )


def _fonts(voices: Sequence[Voice]) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Return a font for every name, and what to say where letters are missing."""
    found = [find_font(voice.label) for voice in voices]
    complaints = tuple(
        f"No font on this computer has the letters {missing!r} of {voice.label!r}; "
        "they are shown as boxes. Install a font that has them."
        for voice, (_, missing) in zip(voices, found, strict=True)
        if missing
    )
    return tuple(path for path, _ in found), complaints


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


def _layers(voice: Voice, reference_s: float, layout: Layout) -> tuple[Layer, ...]:
    """Return what lies upon each other in a voice's tile at a moment."""
    index = bisect.bisect_right(voice.pieces, reference_s, key=lambda piece: piece.from_s) - 1
    later = voice.pieces[index + 1 : index + 2]
    below = _alone(voice.pieces[index], reference_s, layout) if index >= 0 else (CARD,)
    if later and later[0].from_s - reference_s < later[0].dissolve_s / 2:
        return (*below, _taking_over(later[0], reference_s))
    if index > 0 and reference_s - voice.pieces[index].from_s < voice.pieces[index].dissolve_s / 2:
        before = _alone(voice.pieces[index - 1], reference_s, layout)
        return (*before, _taking_over(voice.pieces[index], reference_s))
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
