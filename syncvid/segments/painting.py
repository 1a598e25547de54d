"""Painting output pictures: fetch what each tile is due, put it on the canvas, lay names over it.

A tile is touched only when what it shows has changed: a clip of 25 pictures a second is not scaled
30 times, and a card is drawn once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Protocol

from syncvid.arrays import Planes
from syncvid.errors import MediaError
from syncvid.media.pictures import Crop, PictureFile
from syncvid.media.probe import probe
from syncvid.picture.canvas import Canvas
from syncvid.picture.colour import colour_to_yuv
from syncvid.picture.composition import Composition, Shown
from syncvid.picture.lettering import Overlay, draw_caption, draw_card
from syncvid.picture.pieces import Piece, Rect

# A clip whose pictures end this much before it should is told about.
_EARLY_END_S = 0.5


class Pictures(Protocol):
    """What the painter needs of an open clip; see `syncvid.media.pictures.PictureFile`."""

    damages: int
    ran_out: bool

    def advance(self, clip_s: float) -> int:
        """Go to a clip time; return what tells one picture from the next."""

    def planes_for(self, crops: Sequence[Crop]) -> list[Planes]:
        """Return the picture gone to, cropped and scaled for several tiles."""

    @property
    def shown_until_s(self) -> float:
        """When the last picture begins, once it `ran_out`."""

    def close(self) -> None:
        """Let go of the file."""


OpenPictures = Callable[[Piece, bool, Callable[[], None]], Pictures]
"""Opens a piece's clip; told whether to be fast, and what to call before each picture."""


def open_pictures(piece: Piece, fast: bool, check: Callable[[], None]) -> Pictures:
    """Open a piece's clip from its file."""
    return PictureFile(probe(piece.path), fast=fast, check=check)


class ClipFailed(Exception):  # noqa: N818 - it is handled by leaving the clip out
    """A clip cannot be decoded at all: the work must go on without it.

    Parameters
    ----------
    path : str
        The clip.
    reason : str
        Why, in a sentence.
    """

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(path, reason)
        self.path, self.reason = path, reason


@dataclass(frozen=True, slots=True)
class ClipNote:
    """What was noticed about a clip in one segment.

    Attributes
    ----------
    path : str
        The clip.
    damages : int
        Damaged places that were passed over.
    ended_s : float or None
        Clip time of its last picture, if it came much too early.
    """

    path: str
    damages: int = 0
    ended_s: float | None = None


class Painter:
    """Paints one composition, picture after picture; clips stay open between calls.

    Parameters
    ----------
    composition : Composition
        What to paint.
    open_clip : callable
        Opens a piece's clip.
    threads : int
        How many clips may be decoded at once.
    fast : bool
        Whether decoding may have small errors.

    Attributes
    ----------
    given : tuple
        The four arguments: a painter may be kept for as long as they are the same.
    check, mark : callable
        Called before each picture that is decoded, and around each use of a tile's clip.
    """

    def __init__(
        self, composition: Composition, open_clip: OpenPictures, threads: int, fast: bool
    ) -> None:
        self.given = (composition, open_clip, threads, fast)
        self.composition = composition
        self._open_clip, self._fast = open_clip, fast
        self.canvas = Canvas(*composition.size)
        self.check: Callable[[], None] = _nothing
        self.mark: Callable[[int, int | None], None] = _nothing
        self._open: dict[tuple[int, Piece], Pictures] = {}
        self._drawn: list[object] = [None] * len(composition.voices)
        self._overlays: dict[int, Overlay | None] = {}
        self._cards: dict[int, Planes] = {}
        self._notes: dict[str, ClipNote] = {}
        self._used: set[tuple[int, Piece]] = set()
        self._pool = ThreadPoolExecutor(threads) if threads > 1 else None
        whole = Rect(0, 0, *composition.size)
        self.canvas.fill(whole, colour_to_yuv(composition.layout.canvas.background))

    def paint(self, picture_index: int) -> Canvas:
        """Bring the canvas up to an output picture.

        Raises
        ------
        ClipFailed
            A clip that this picture needs cannot be decoded at all.
        Cancelled
            If `check` says so.
        """
        shown = self.composition.shown(picture_index)
        fetched = self._map(self._fetch, enumerate(shown))
        for tile, (what, (state, planes)) in enumerate(zip(shown, fetched, strict=True)):
            if state != self._drawn[tile]:
                self._paint_tile(tile, what, planes)
                self._drawn[tile] = state
        return self.canvas

    def end_segment(self) -> tuple[ClipNote, ...]:
        """Close the clips that the segment did not use; return what was noticed."""
        for key in [key for key in self._open if key not in self._used]:
            self._open.pop(key).close()
        self._used.clear()
        notes = tuple(self._notes.values())
        self._notes.clear()
        return notes

    def close(self) -> None:
        """Close all clips."""
        for pictures in self._open.values():
            pictures.close()
        self._open.clear()
        if self._pool is not None:
            self._pool.shutdown()

    def _map(self, work: Callable[[Any], Any], items: Iterable[Any]) -> Iterable[Any]:
        """Do the work for all tiles, side by side if there are threads for it."""
        return list((self._pool.map if self._pool else map)(work, items))

    def _fetch(self, item: tuple[int, Shown]) -> tuple[object, Planes | None]:
        """Return what a tile is to show, as a value that can be compared, and its new picture."""
        tile, shown = item
        piece = shown.piece
        if piece is None:
            return "card", None
        self.mark(tile, self.composition.voices[tile].pieces.index(piece))
        try:
            pictures = self._pictures(tile, piece)
            before = pictures.damages
            ticks = pictures.advance(shown.clip_s)
            self._note(piece, shown, pictures, pictures.damages - before)
            state = (piece, ticks, shown.card)
            if state == self._drawn[tile]:
                return state, None
            rect = self.composition.picture_rect(shown.rect, piece)
            crop = Crop(rect.width, rect.height, piece.focus)
            return state, pictures.planes_for([crop])[0]
        except MediaError as exc:
            raise ClipFailed(str(piece.path), exc.what) from exc
        finally:
            self.mark(tile, None)

    def _pictures(self, tile: int, piece: Piece) -> Pictures:
        """Return a piece's open clip."""
        key = (tile, piece)
        if key not in self._open:
            self._open[key] = self._open_clip(piece, self._fast, lambda: self.check())
        self._used.add(key)
        return self._open[key]

    def _note(self, piece: Piece, shown: Shown, pictures: Pictures, damages: int) -> None:
        """Remember damage, and pictures that ended before they should."""
        early = pictures.ran_out and shown.clip_s - pictures.shown_until_s > _EARLY_END_S
        if damages or early:
            path = str(piece.path)
            old = self._notes.get(path, ClipNote(path))
            ended_s = pictures.shown_until_s if early else old.ended_s
            self._notes[path] = ClipNote(path, old.damages + damages, ended_s)

    def _paint_tile(self, tile: int, shown: Shown, planes: Planes | None) -> None:
        """Paint one tile anew."""
        if shown.piece is None or planes is None:
            self.canvas.put(shown.rect, self._card(tile))
            return
        rect = self.composition.picture_rect(shown.rect, shown.piece)
        if rect != shown.rect:
            ground = colour_to_yuv(self.composition.layout.tile.background)
            self.canvas.fill(shown.rect, ground)
        self.canvas.put(rect, planes)
        overlay = self._overlay(tile)
        if overlay is not None:
            self.canvas.blend(overlay)
        if shown.card:
            self.canvas.dissolve(shown.rect, self._card(tile), shown.card)

    def _overlay(self, tile: int) -> Overlay | None:
        """Return a tile's caption, drawn the first time."""
        if tile not in self._overlays:
            look, voice = self.composition.layout, self.composition.voices[tile]
            self._overlays[tile] = (
                draw_caption(
                    voice.label,
                    self.composition.fonts[tile],
                    self.composition.rects[tile],
                    look.caption,
                    rule=look.card.rule,
                    picture_height=self.composition.size[1],
                )
                if look.caption.show and voice.label
                else None
            )
        return self._overlays[tile]

    def _card(self, tile: int) -> Planes:
        """Return a tile's card, drawn the first time."""
        if tile not in self._cards:
            rect = self.composition.rects[tile]
            self._cards[tile] = draw_card(
                self.composition.voices[tile].label,
                self.composition.fonts[tile],
                rect.width,
                rect.height,
                self.composition.layout.card,
            )
        return self._cards[tile]


def _nothing(*ignored: object) -> None:
    """Do nothing."""
