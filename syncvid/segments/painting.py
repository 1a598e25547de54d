"""Painting output pictures: fetch what each tile is due, put it on the canvas, lay names over it.

One painter paints several compositions of the same music at once (a wide one, a tall one): each
clip is decoded once for all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from typing import Any, NamedTuple

from syncvid.media.pictures import Crop
from syncvid.picture.canvas import Canvas
from syncvid.picture.composition import Composition, Stage
from syncvid.picture.pieces import Piece
from syncvid.segments.clips import (
    ClipFailed,
    ClipKey,
    ClipNote,
    Clips,
    Fetched,
    Keeping,
    OpenPictures,
    Want,
    key_of,
    open_pictures,
    size_wanted,
)
from syncvid.segments.staging import Backdrop, Drawings, Supply, crop_of

__all__ = ["ClipFailed", "ClipNote", "OpenPictures", "Painter", "open_pictures"]


class Habits(NamedTuple):
    """How a painter works.

    Attributes
    ----------
    open_clip : callable
        Opens a piece's clip.
    threads : int
        How many clips may be decoded at once.
    fast : bool
        Whether decoding may have small errors.
    keeping : Keeping
        What is done with the tile cache.
    """

    open_clip: OpenPictures
    threads: int = 1
    fast: bool = False
    keeping: Keeping = Keeping()


class _Order(NamedTuple):
    """What is to be fetched of one clip for one output picture."""

    piece: Piece
    clip_s: float
    crops: dict[Crop, None]


class Painter:
    """Paints compositions, picture after picture; clips stay open between calls.

    Parameters
    ----------
    compositions : sequence of Composition
        What to paint: of the same voices and at the same rate.
    habits : Habits
        How.

    Attributes
    ----------
    given : tuple
        Both arguments: a painter may be kept for as long as they are the same.
    check, mark : callable
        Called before each picture that is decoded, and around each use of a clip.
    """

    def __init__(self, compositions: Sequence[Composition], habits: Habits) -> None:
        self.given = (tuple(compositions), habits)
        self._clips = Clips(habits.open_clip, fast=habits.fast, keeping=habits.keeping)
        self._easels = [_Easel(composition) for composition in compositions]
        self._pool = ThreadPoolExecutor(habits.threads) if habits.threads > 1 else None
        self.mark: Callable[[int, int | None], None] = _nothing
        self._numbers = _piece_numbers(compositions)
        self._stages: dict[int, list[tuple[Stage, ...]]] = {}

    @property
    def check(self) -> Callable[[], None]:
        """Called before each picture that is decoded; may raise."""
        return self._clips.check

    @check.setter
    def check(self, check: Callable[[], None]) -> None:
        self._clips.check = check

    @property
    def used_kept(self) -> bool:
        """Whether the segment shows tiles from the cache."""
        return self._clips.used_kept

    def begin_segment(self, first: int, last: int, which: Sequence[int]) -> None:
        """Prepare for pictures `first` to `last` - 1 of some of the compositions."""
        easels = [self._easels[index] for index in which]
        self._stages = {
            k: [easel.composition.stages(k) for easel in easels] for k in range(first, last)
        }
        wants: dict[ClipKey, Want] = {}
        for rows in self._stages.values():
            for key, order in _orders(easels, rows).items():
                want = wants.setdefault(key, Want(order.piece))
                want.times_s.append(order.clip_s)
                want.sizes.update(size_wanted(order.piece, crop) for crop in order.crops)
        self._clips.begin_segment(wants)

    def paint(self, picture: int, which: Sequence[int]) -> list[Canvas]:
        """Bring the canvases of some of the compositions up to an output picture.

        Raises
        ------
        ClipFailed
            A clip that this picture needs cannot be decoded at all.
        Cancelled
            If `check` says so.
        TileLost
            A kept tile is damaged or gone: `begin_segment` again.
        """
        easels, rows = [self._easels[index] for index in which], self._stages[picture]
        orders = _orders(easels, rows)
        self._clips.begin_picture(orders.keys())
        fetched = self._map(self._fetch, orders.items())
        supply = dict(zip(orders, fetched, strict=True))
        return [
            easel.paint(picture, stages, supply) for easel, stages in zip(easels, rows, strict=True)
        ]

    def notes(self) -> tuple[ClipNote, ...]:
        """Return what was noticed in the segment."""
        return self._clips.notes()

    def keep_tiles(self, token: str) -> None:
        """Write the new tiles of a segment that is done."""
        self._clips.keep_tiles(token)

    def close(self) -> None:
        """Close all clips."""
        if self._pool is not None:
            self._pool.shutdown()
        self._clips.close()

    def _map(self, work: Callable[[Any], Any], items: Iterable[Any]) -> list[Any]:
        """Do the work for all clips, side by side if there are threads for it.

        If it fails for one, nothing is raised before the others have come to an end: whoever gets
        the error may close their files, and a decoder that loses its file crashes the process.
        """
        if self._pool is None:
            return [work(item) for item in items]
        going = [self._pool.submit(work, item) for item in items]
        wait(going)
        return [future.result() for future in going]

    def _fetch(self, item: tuple[ClipKey, _Order]) -> Fetched:
        """Fetch one clip's picture."""
        key, order = item
        self.mark(key.voice, self._numbers[key])
        try:
            return self._clips.fetch(key, order.clip_s, list(order.crops))
        finally:
            self.mark(key.voice, None)


class _Easel:
    """One composition with the canvases of its scenes."""

    def __init__(self, composition: Composition) -> None:
        self.composition = composition
        self._drawings = Drawings(composition)
        self._backdrops: dict[int, Backdrop] = {}
        self._mixed: Canvas | None = None

    def paint(self, picture: int, stages: Sequence[Stage], supply: Supply) -> Canvas:
        """Paint the scene of a picture, or the two between which it dissolves."""
        wanted = {stage.scene for stage in stages}
        for scene in [scene for scene in self._backdrops if scene not in wanted]:
            del self._backdrops[scene]
        canvases = [self._backdrop(stage.scene).paint(stage, supply) for stage in stages]
        words = self.composition.words_at(picture)
        if len(canvases) == 1 and not words:
            return canvases[0]
        # Not on a scene's own canvas: what is dissolved or written there would stay.
        self._mixed = self._mixed or Canvas(*self.composition.size)
        share = stages[1].share if len(canvases) > 1 else 0.0
        self._mixed.mix(canvases[0], canvases[-1], share)
        for said, presence in words:
            overlay = self._drawings.words(said, stages[-1].scene)
            if overlay is not None:
                self._mixed.blend(overlay, presence)
        return self._mixed

    def _backdrop(self, scene: int) -> Backdrop:
        """Return a scene's canvas."""
        if scene not in self._backdrops:
            self._backdrops[scene] = Backdrop(self.composition, scene, self._drawings)
        return self._backdrops[scene]


def _orders(easels: Sequence[_Easel], rows: Sequence[Sequence[Stage]]) -> dict[ClipKey, _Order]:
    """Gather what an output picture needs of each clip, for all compositions."""
    orders: dict[ClipKey, _Order] = {}
    for easel, stages in zip(easels, rows, strict=True):
        for stage in stages:
            for shown in stage.tiles:
                for layer in shown.layers:
                    crop = crop_of(easel.composition, shown, layer)
                    if layer.piece is None or crop is None:
                        continue
                    key = key_of(shown.voice, layer.piece)
                    order = orders.setdefault(key, _Order(layer.piece, layer.clip_s, {}))
                    order.crops[crop] = None
    return orders


def _piece_numbers(compositions: Sequence[Composition]) -> dict[ClipKey, int]:
    """Return the number of each piece within its voice."""
    return {
        key_of(number, piece): index
        for composition in compositions
        for number, voice in enumerate(composition.voices)
        for index, piece in enumerate(voice.pieces)
    }


def _nothing(*ignored: object) -> None:
    """Do nothing."""
