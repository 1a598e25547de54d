"""The clips of a worker: open from one segment to the next, or read from the tile cache."""

from __future__ import annotations

import math
import os
import shutil
import threading
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple, Protocol

from syncvid.arrays import Planes
from syncvid.errors import MediaError
from syncvid.media.jpeg import JpegReader
from syncvid.media.pictures import Crop, Cut, PictureFile, cut_to_fill
from syncvid.media.probe import probe
from syncvid.picture.pieces import Piece
from syncvid.segments.tiles import ClipTiles, Mark, Size, TileLost, clip_folder, pays
from syncvid.timeline import Placement

# A clip whose pictures end this much before it should is told about.
_EARLY_END_S = 0.5

# Tiles are kept only while the disk has this much left: segments and the video itself need it.
_LEAST_FREE_BYTES = 1 << 30

# What arithmetic in floating point may lack at the edge between two pictures; as the reader has it.
_EDGE_S = 1e-6


class Pictures(Protocol):
    """What is needed of an open clip; see `syncvid.media.pictures.PictureFile`."""

    damages: int
    ran_out: bool

    def advance(self, clip_s: float) -> int:
        """Go to a clip time; return what tells one picture from the next."""

    def planes_for(self, crops: Sequence[Crop]) -> list[Planes]:
        """Return the picture gone to, cropped and scaled for several tiles."""

    @property
    def span_s(self) -> tuple[float, float]:
        """When the picture gone to is due, in clip seconds."""

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


class ClipKey(NamedTuple):
    """What makes two tiles, or two moments of one, share a decoder."""

    voice: int
    path: Path
    placement: Placement
    from_s: float


def key_of(voice: int, piece: Piece) -> ClipKey:
    """Return a piece's key."""
    return ClipKey(voice, piece.path, piece.placement, piece.from_s)


@dataclass(slots=True)
class Want:
    """What a segment wants of one clip.

    Attributes
    ----------
    piece : Piece
        The clip.
    times_s : list of float
        The moments, in clip seconds.
    sizes : set of (int, int)
        Sizes to which its whole picture is to be scaled.
    """

    piece: Piece
    times_s: list[float] = field(default_factory=list)
    sizes: set[Size] = field(default_factory=set)


class Fetched(NamedTuple):
    """A clip's picture at one moment.

    Attributes
    ----------
    ticks : int
        What tells one picture from the next.
    planes : dict
        The tile for each crop.
    """

    ticks: int
    planes: dict[Crop, Planes]


@dataclass(frozen=True, slots=True)
class Keeping:
    """What is done with the tile cache.

    Attributes
    ----------
    folder : Path or None
        Of the cache; None: every picture comes from its original, and none is kept.
    use_kept : bool
        Whether kept tiles may be shown.
    but_from : str
        The origin whose tiles are not shown: that of the render itself, or empty.
    room : int
        How many bytes this worker may add.
    """

    folder: Path | None = None
    use_kept: bool = True
    but_from: str = ""
    room: int = 1 << 30


@dataclass(slots=True)
class _OpenClip:
    """One clip of the present segment: from where it is read."""

    piece: Piece
    tiles: ClipTiles | None = None
    pictures: Pictures | None = None
    kept: dict[Size, Size] | None = None
    keep: Size | None = None
    reader: JpegReader = field(default_factory=JpegReader)
    last_ticks: int | None = None
    last: dict[Crop, Planes] = field(default_factory=dict)


class Clips:
    """The open clips of one worker.

    Parameters
    ----------
    open_clip : callable
        Opens a piece's clip.
    fast : bool
        Whether decoding may have small errors.
    keeping : Keeping
        What is done with the tile cache.

    Attributes
    ----------
    check : callable
        Called before each picture that is decoded; may raise.
    used_kept : bool
        Whether any clip of the segment came from the cache.
    """

    def __init__(self, open_clip: OpenPictures, *, fast: bool, keeping: Keeping) -> None:
        self._open_clip, self._fast = open_clip, fast
        self._keeping, self._room = keeping, keeping.room
        self._open: dict[ClipKey, _OpenClip] = {}
        self._notes: dict[str, ClipNote] = {}
        self._lock = threading.Lock()
        self.check: Callable[[], None] = _nothing
        self.used_kept = False

    def begin_segment(self, wants: dict[ClipKey, Want]) -> None:
        """Decide for each clip of a segment where it is read from; close the others."""
        gone = {key: self._open.pop(key) for key in list(self._open) if key not in wants}
        for key, want in wants.items():
            clip = self._open.get(key) or self._open.setdefault(key, self._first(want.piece))
            clip.piece = want.piece
            self._decide(clip, want)
        for key, clip in gone.items():
            heir = next((k for k in wants if _same_file(k, key) and self._lacks(k)), None)
            if heir is not None:
                _hand_over(clip, self._open[heir])
            self._close(clip)
        self.used_kept = any(clip.kept is not None for clip in self._open.values())
        self._notes.clear()

    def begin_picture(self, keys: Collection[ClipKey]) -> None:
        """Let pieces that begin go on with the decoder of a piece of their file that has ended.

        To be called before anything is fetched for an output picture; what was fetched for the one
        before it may not be used any more.
        """
        for key in keys:
            if not self._lacks(key):
                continue
            for other, clip in self._open.items():
                if clip.pictures is not None and _same_file(key, other) and other not in keys:
                    _hand_over(clip, self._open[key])
                    break

    def fetch(self, key: ClipKey, clip_s: float, crops: Sequence[Crop]) -> Fetched:
        """Return what several tiles show of a clip at a moment.

        Raises
        ------
        ClipFailed
            The clip cannot be decoded at all.
        TileLost
            What was kept of it is damaged or gone: the segment must be begun again.
        """
        clip = self._open[key]
        try:
            if clip.kept is not None:
                return self._from_kept(clip, clip.kept, clip_s, crops)
            return self._from_original(clip, clip_s, crops)
        except MediaError as exc:
            raise ClipFailed(str(clip.piece.path), exc.what) from exc

    def notes(self) -> tuple[ClipNote, ...]:
        """Return what was noticed in the segment."""
        return tuple(self._notes.values())

    def keep_tiles(self, token: str) -> None:
        """Write the new tiles of a segment that is done, if there is room for them."""
        mark = Mark(self._keeping.but_from, token, os.getpid())
        try:
            for clip in self._open.values():
                if clip.tiles is not None and clip.keep is not None and self._has_room():
                    self._room -= clip.tiles.flush(mark)
        except OSError:
            # A cache that cannot be written is no reason to stop.
            self._room = 0

    def close(self) -> None:
        """Close all clips."""
        for clip in self._open.values():
            self._close(clip)
        self._open.clear()

    def _lacks(self, key: ClipKey) -> bool:
        """Tell whether a clip is to be decoded and has no decoder yet."""
        clip = self._open[key]
        return clip.pictures is None and clip.kept is None

    def _first(self, piece: Piece) -> _OpenClip:
        """Return a clip that is not open yet."""
        folder = self._keeping.folder
        # What is not known for certain cannot be known again.
        if folder is None or piece.still or not piece.identity:
            return _OpenClip(piece)
        folders = [clip_folder(folder, piece.identity, fast=self._fast)]
        if self._fast:
            folders.append(clip_folder(folder, piece.identity, fast=False))
        return _OpenClip(piece, ClipTiles(folders, self._keeping.but_from))

    def _has_room(self) -> bool:
        """Tell whether another tile may be kept."""
        folder = self._keeping.folder
        if folder is None or self._room <= 0:
            return False
        folder.mkdir(parents=True, exist_ok=True)
        return shutil.disk_usage(folder).free > _LEAST_FREE_BYTES

    def _decide(self, clip: _OpenClip, want: Want) -> None:
        """Choose between cache and original, and what to keep of the latter."""
        clip.kept = clip.keep = None
        if clip.tiles is None or not want.sizes:
            return
        clip.tiles.forget()
        times_s = [time_s + _EDGE_S for time_s in want.times_s]
        found = {size: clip.tiles.covering(size, times_s) for size in want.sizes}
        if self._keeping.use_kept and all(found.values()):
            clip.kept = {size: kept for size, kept in found.items() if kept is not None}
            return
        worth = [size for size in want.sizes if pays(size, clip.piece.shape)]
        if worth and self._room > 0:
            largest = max(worth, key=lambda size: size[0] * size[1])
            clip.keep = largest if found[largest] is None else None

    def _from_original(self, clip: _OpenClip, clip_s: float, crops: Sequence[Crop]) -> Fetched:
        """Decode, scale, and keep what is worth it."""
        if clip.pictures is None:
            clip.pictures = self._open_clip(clip.piece, self._fast, lambda: self.check())
        pictures = clip.pictures
        before = pictures.damages
        ticks = pictures.advance(clip_s)
        damages = pictures.damages - before
        ended_s = pictures.shown_until_s if pictures.ran_out else None
        self._note(clip.piece, clip_s, ended_s, damages)
        cuts = {crop: _cut(clip.piece, crop) for crop in crops}
        sizes = dict.fromkeys((cut.width, cut.height) for cut in cuts.values())
        wholes = dict(zip(sizes, pictures.planes_for([Crop(*size) for size in sizes]), strict=True))
        if clip.keep in wholes and clip.tiles is not None:
            begin_s, end_s = pictures.span_s
            if begin_s < end_s:
                clip.tiles.keep(clip.keep, ticks, (begin_s, end_s), damages, wholes[clip.keep])
        return Fetched(
            ticks,
            {crop: _part(wholes[cut.width, cut.height], cut, crop) for crop, cut in cuts.items()},
        )

    def _from_kept(
        self, clip: _OpenClip, kept: dict[Size, Size], clip_s: float, crops: Sequence[Crop]
    ) -> Fetched:
        """Read from the cache."""
        assert clip.tiles is not None
        cuts = {crop: _cut(clip.piece, crop) for crop in crops}
        first = next(iter(cuts.values()))
        picture = clip.tiles.find(kept[first.width, first.height], clip_s + _EDGE_S)
        if clip.last_ticks == picture.ticks and all(crop in clip.last for crop in crops):
            return Fetched(picture.ticks, clip.last)
        self.check()
        ended_s = picture.from_s if math.isinf(picture.to_s) else None
        self._note(clip.piece, clip_s, ended_s, picture.damages)
        wholes: dict[Size, Planes] = {}
        for cut in cuts.values():
            size = cut.width, cut.height
            if size not in wholes:
                wholes[size] = _decode_kept(clip, clip.tiles, kept[size], size, clip_s + _EDGE_S)
        clip.last_ticks = picture.ticks
        clip.last = {
            crop: _part(wholes[cut.width, cut.height], cut, crop) for crop, cut in cuts.items()
        }
        return Fetched(picture.ticks, clip.last)

    def _note(self, piece: Piece, clip_s: float, ended_s: float | None, damages: int) -> None:
        """Remember damage, and pictures that ended before they should."""
        early = ended_s is not None and clip_s - ended_s > _EARLY_END_S and not piece.still
        if damages or early:
            path = str(piece.path)
            with self._lock:
                old = self._notes.get(path, ClipNote(path))
                self._notes[path] = ClipNote(
                    path, old.damages + damages, ended_s if early else old.ended_s
                )

    def _close(self, clip: _OpenClip) -> None:
        """Let go of a clip."""
        if clip.pictures is not None:
            clip.pictures.close()


def _decode_kept(
    clip: _OpenClip, tiles: ClipTiles, kept: Size, size: Size, time_s: float
) -> Planes:
    """Return a kept picture at a size; raise `TileLost` if it cannot be decoded."""
    try:
        return clip.reader.decode(tiles.find(kept, time_s).data, kept, size)
    except MediaError as exc:
        tiles.discard(kept, time_s)
        clip.reader = JpegReader()
        raise TileLost from exc


def _same_file(one: ClipKey, other: ClipKey) -> bool:
    """Tell whether two pieces stand in one tile and come from one file."""
    return one.voice == other.voice and one.path == other.path


def _hand_over(giver: _OpenClip, taker: _OpenClip) -> None:
    """Let a clip have another's decoder: it goes to any moment, whatever it showed before."""
    taker.pictures, giver.pictures = giver.pictures, None


def size_wanted(piece: Piece, crop: Crop) -> Size:
    """Return the size to which a piece's whole picture is scaled for a crop."""
    cut = _cut(piece, crop)
    return cut.width, cut.height


def _cut(piece: Piece, crop: Crop) -> Cut:
    """Return how a crop is cut out of the whole picture."""
    return cut_to_fill(piece.shape, crop.width, crop.height, crop.focus, crop.zoom)


def _part(whole: Planes, cut: Cut, crop: Crop) -> Planes:
    """Return a crop's part of the whole picture; views."""
    rows = slice(cut.top // 2, (cut.top + crop.height) // 2)
    columns = slice(cut.left // 2, (cut.left + crop.width) // 2)
    luma = whole[0][cut.top : cut.top + crop.height, cut.left : cut.left + crop.width]
    return luma, whole[1][rows, columns], whole[2][rows, columns]


def _nothing() -> None:
    """Do nothing."""
