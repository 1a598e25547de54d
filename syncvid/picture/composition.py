"""The composition: a pure function from an output picture to what each tile shows.

Reference second 0 is output second 0.  Output picture k shows the moment in the middle of the
stretch in which it is on screen.  Where a tile has no clip there is a card with the name; after a
clip has ended its last picture stays for a moment and then dissolves into the card.
"""

from __future__ import annotations

import bisect
import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from syncvid.errors import ProductionError
from syncvid.picture.cropping import picture_rect
from syncvid.picture.fonts import find_font
from syncvid.picture.grid import place_grid
from syncvid.picture.pieces import Piece, Rect, Voice
from syncvid.picture.space import whole_space
from syncvid.production.layouts import Layout
from syncvid.timeline import FrameRate, first_picture_from, middle_of_picture_s, pictures_to_cover

REPORT_FORMAT = "syncvid.render/1"

# ITU-T H.264 and most players need at least this; more than 8192 few can show.
_SMALLEST_SIDE, _LARGEST_SIDE = 64, 8192

# A held picture is asked for this long before the clip's end, inside the last picture.
_BEFORE_END_S = 0.002


@dataclass(frozen=True, slots=True)
class Shown:
    """What one tile shows in one output picture.

    Attributes
    ----------
    rect : Rect
        The tile.
    piece : Piece or None
        The clip; None: the card alone.
    clip_s : float
        The moment of the clip, in clip seconds.
    card : float
        How much of the card covers the picture, 0 to 1.
    """

    rect: Rect
    piece: Piece | None
    clip_s: float = 0.0
    card: float = 0.0


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
        Length of the sound, which the picture covers.
    voices : tuple of Voice
        In score order, one tile each.
    layout : Layout
        Looks.
    rects : tuple of Rect
        The tiles.
    fonts : tuple of Path
        The font file for each voice's name.
    warnings : tuple of str
        What the user should know, in sentences.
    """

    size: tuple[int, int]
    frame_rate: FrameRate
    duration_s: float
    voices: tuple[Voice, ...]
    layout: Layout
    rects: tuple[Rect, ...]
    fonts: tuple[Path, ...]
    warnings: tuple[str, ...] = ()

    @property
    def picture_count(self) -> int:
        """How many output pictures there are."""
        return pictures_to_cover(self.duration_s, self.frame_rate)

    def shown(self, picture_index: int) -> tuple[Shown, ...]:
        """Return what each tile shows in an output picture."""
        reference_s = middle_of_picture_s(picture_index, self.frame_rate)
        return tuple(
            _shown(voice, rect, reference_s, self.layout)
            for voice, rect in zip(self.voices, self.rects, strict=True)
        )

    def picture_rect(self, tile: Rect, piece: Piece) -> Rect:
        """Return the part of a tile that a clip's picture covers."""
        return picture_rect(piece.shape, tile, self.layout.tile)

    def describe(self, first: int, last: int) -> dict[str, Any]:
        """Describe all that pictures `first` to `last` - 1 show, for a fingerprint.

        Two compositions that look the same in these pictures are described by equal records, even
        if they differ elsewhere.
        """
        return {
            "size": self.size,
            "rate": str(self.frame_rate),
            "pictures": [first, last],
            "look": _look(self.layout),
            "tiles": [
                {
                    "rect": _numbers(rect),
                    "label": voice.label,
                    "font": _known_font(font),
                    "pieces": self._describe_pieces(voice, first, last),
                }
                for voice, rect, font in zip(self.voices, self.rects, self.fonts, strict=True)
            ],
        }

    def pieces_between(self, voice: Voice, first: int, last: int) -> list[Piece]:
        """Return the pieces of which pictures `first` to `last` - 1 show something."""
        from_s = middle_of_picture_s(first, self.frame_rate)
        to_s = middle_of_picture_s(last - 1, self.frame_rate)
        linger_s = self.layout.tile.hold_s + self.layout.tile.dissolve_s
        return [
            piece
            for piece in voice.pieces
            if piece.from_s <= to_s and piece.to_s + linger_s > from_s
        ]

    def without(self, unwanted: Callable[[Piece], bool]) -> Composition:
        """Return the same picture without some of the clips; their tiles stay, as cards."""
        voices = tuple(
            replace(voice, pieces=tuple(piece for piece in voice.pieces if not unwanted(piece)))
            for voice in self.voices
        )
        return replace(self, voices=voices)

    def report(self) -> dict[str, Any]:
        """Return the record ``syncvid.render/1``: where and when each clip is to be seen."""
        return {
            "format": REPORT_FORMAT,
            "size": list(self.size),
            "fps": f"{self.frame_rate.numerator}/{self.frame_rate.denominator}",
            "duration_s": round(self.duration_s, 6),
            "pictures": self.picture_count,
            "reference_at_s": 0.0,
            "layout": self.layout.name,
            "tiles": [
                {
                    "file": piece.file,
                    "part": voice.part,
                    "label": voice.label,
                    **_corner_and_size(rect),
                    "from_s": round(max(0.0, piece.from_s), 6),
                    "to_s": round(min(self.duration_s, piece.to_s), 6),
                }
                for voice, rect in zip(self.voices, self.rects, strict=True)
                for piece in voice.pieces
                if max(0.0, piece.from_s) < min(self.duration_s, piece.to_s)
            ],
            "cards": [
                {"part": voice.part, "label": voice.label, **_corner_and_size(rect)}
                for voice, rect in zip(self.voices, self.rects, strict=True)
                if not voice.pieces
            ],
        }

    def _describe_pieces(self, voice: Voice, first: int, last: int) -> list[Any]:
        """Describe a voice's pieces as far as these pictures show them."""
        window_s = middle_of_picture_s(last, self.frame_rate)
        return [
            [
                piece.identity or str(piece.path),
                [piece.placement.offset_s, piece.placement.drift_ppm],
                piece.shape,
                piece.focus,
                max(first, first_picture_from(piece.from_s, self.frame_rate)),
                piece.to_s if piece.to_s < window_s else None,
            ]
            for piece in self.pieces_between(voice, first, last)
        ]


def compose(
    voices: Sequence[Voice],
    layout: Layout,
    *,
    size: tuple[int, int],
    frame_rate: FrameRate,
    duration_s: float,
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
        Length of the sound in seconds.

    Returns
    -------
    Composition

    Raises
    ------
    ProductionError
        No voice at all, a size that cannot be encoded, or tiles that would be too small.
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
    voices = tuple(_in_order(voice) for voice in voices)
    found = [find_font(voice.label) for voice in voices]
    return Composition(
        size=size,
        frame_rate=frame_rate,
        duration_s=duration_s,
        voices=voices,
        layout=layout,
        rects=place_grid([voice.shape for voice in voices], whole_space(layout, size)),
        fonts=tuple(path for path, _ in found),
        warnings=tuple(
            f"No font on this computer has the letters {missing!r} of {voice.label!r}; "
            "they are shown as boxes. Install a font that has them."
            for voice, (_, missing) in zip(voices, found, strict=True)
            if missing
        ),
    )


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


def _shown(voice: Voice, rect: Rect, reference_s: float, layout: Layout) -> Shown:
    """Return what one tile shows at a moment."""
    index = bisect.bisect_right(voice.pieces, reference_s, key=lambda piece: piece.from_s) - 1
    if index < 0:
        return Shown(rect, None)
    piece = voice.pieces[index]
    if reference_s < piece.to_s:
        return Shown(rect, piece, piece.placement.to_clip(reference_s))
    since_s = reference_s - piece.to_s - layout.tile.hold_s
    if since_s >= layout.tile.dissolve_s:
        return Shown(rect, None)
    card = max(0.0, since_s / layout.tile.dissolve_s) if layout.tile.dissolve_s else 0.0
    return Shown(rect, piece, piece.placement.to_clip(piece.to_s - _BEFORE_END_S), card)


def _look(layout: Layout) -> Any:
    """Return the layout's looks without its name."""
    return [repr(part) for part in (layout.canvas, layout.tile, layout.caption, layout.card)]


@functools.cache
def _known_font(path: Path) -> tuple[str, int]:
    """Return what a font is known by: name and size of its file."""
    return path.name, path.stat().st_size


def _numbers(rect: Rect) -> list[int]:
    """Return a rectangle as a list."""
    return [rect.x, rect.y, rect.width, rect.height]


def _corner_and_size(rect: Rect) -> dict[str, int]:
    """Return a rectangle under the names that the report uses."""
    return {"x": rect.x, "y": rect.y, "w": rect.width, "h": rect.height}
