"""One picture of a composition, at once: from the tile cache where it can be."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import BrokenExecutor

from syncvid.arrays import Planes
from syncvid.errors import MediaError, RenderError
from syncvid.picture.composition import Composition
from syncvid.picture.pieces import Piece
from syncvid.segments.clips import Keeping, Pictures
from syncvid.segments.engine import Tiles
from syncvid.segments.lanes import Lane
from syncvid.segments.painting import ClipFailed, Habits, OpenPictures, Painter, open_pictures
from syncvid.segments.tiles import TileLost


def paint_still(
    composition: Composition,
    picture: int,
    *,
    tiles: Tiles,
    fast: bool = False,
    open_clip: OpenPictures = open_pictures,
) -> Planes:
    """Paint one picture.

    Where all its tiles are kept they are read here; otherwise a process of its own decodes, which a
    file that breaks a decoder may take down.

    Parameters
    ----------
    composition : Composition
        What the video shows.
    picture : int
        Which picture, counted on the reference.
    tiles : Tiles
        The tile cache.
    fast : bool
        Whether decoding may have small errors.
    open_clip : callable
        Opens a piece's clip; must be picklable.

    Returns
    -------
    Planes
        The whole picture.

    Raises
    ------
    RenderError
        A clip breaks its decoder.
    MediaError
        A clip cannot be decoded.
    """
    keeping = Keeping(tiles.folder, tiles.use_kept, room=0)
    if tiles.folder is not None and tiles.use_kept:
        try:
            return _paint(composition, picture, Habits(_open_nothing, 1, fast, keeping))
        except ClipFailed:
            pass
    habits = Habits(open_clip, 1, fast, keeping)
    lane = Lane()
    try:
        return lane.submit(_paint, composition, picture, habits).result()
    except ClipFailed as exc:
        raise MediaError(exc.reason, where=exc.path) from exc
    except BrokenExecutor as exc:
        raise RenderError(
            f"A clip breaks its decoder: {exc}.", fix="Render the video: it finds out which one."
        ) from exc
    finally:
        lane.shutdown(cancel_futures=True)


def _paint(composition: Composition, picture: int, habits: Habits) -> Planes:
    """Paint one picture, here and now."""
    painter = Painter([composition], habits)
    try:
        while True:
            painter.begin_segment(picture, picture + 1, [0])
            try:
                (canvas,) = painter.paint(picture, [0])
            except TileLost:
                continue
            luma, u, v = canvas.planes
            return luma.copy(), u.copy(), v.copy()
    finally:
        painter.close()


def _open_nothing(piece: Piece, fast: bool, check: Callable[[], None]) -> Pictures:
    """Refuse: the picture must come from the tile cache."""
    raise MediaError("The tile is not kept.", where=piece.file)
