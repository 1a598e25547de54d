"""The plain records that a composition is made of: rectangles, pieces, voices."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from syncvid.timeline import Placement

# The middle: what the phone was pointed at.
DEFAULT_FOCUS = (0.5, 0.5)

# Between part and player in a voice's label.
LABEL_SEPARATOR = " · "


@dataclass(frozen=True, slots=True)
class Rect:
    """A rectangle in output pixels; all four numbers are even, as 4:2:0 needs.

    Attributes
    ----------
    x, y : int
        Upper left corner.
    width, height : int
        Size.
    """

    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of the music in which a tile shows one clip.

    Attributes
    ----------
    file : str
        The path as the user gave it.
    path : Path
        Where to open it.
    placement : Placement
        The clip's clock on the reference.
    from_s, to_s : float
        Reference seconds between which the clip is shown: where its picture starts and ends, or
        where a change of take cuts.
    shape : (int, int)
        Upright width and height with square pixels.
    identity : str
        What the file's content is known by; a changed file has another one.
    focus : (float, float)
        The point to keep when the picture is cropped, as shares of width and height.
    dissolve_s : float
        How long it takes to take over from the piece before it in the same tile, centred on
        `from_s`; 0: it cuts.  Both clips have pictures for that long.
    """

    file: str
    path: Path
    placement: Placement
    from_s: float
    to_s: float
    shape: tuple[int, int]
    identity: str = ""
    focus: tuple[float, float] = DEFAULT_FOCUS
    dissolve_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Voice:
    """One part, which has one tile.

    Attributes
    ----------
    label : str
        Its name as a caption, ``Flute · Ines``.
    part : str
        The part's name alone.
    pieces : tuple of Piece
        What its tile shows, in the order of time, none overlapping; empty for a card.
    enters_s : float or None
        Reference second at which it first plays; None where nobody asked.
    """

    label: str
    part: str
    pieces: tuple[Piece, ...] = ()
    enters_s: float | None = None

    @property
    def shape(self) -> tuple[int, int] | None:
        """Shape of its first clip, or None for a card."""
        return self.pieces[0].shape if self.pieces else None
