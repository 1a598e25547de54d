"""The tile cache: what tiles needed of a clip, kept small, so that no original is decoded again.

Of each clip whole upright pictures are kept, scaled to what a tile needed, as JPEG data (one
picture can be had without its neighbours; measured at 640x360: 0.35 ms to write, 0.25 ms to read,
against 10 ms for the original's 1080p picture).  Each knows the stretch of clip time in which it is
due, so it serves any layout, rate or offset that asks for a moment inside of it.

A folder for each clip holds one for each size, and in it a file for each segment that was rendered.
A clip is taken from here for a whole segment or not at all, and a render never takes what it kept
itself: what it gives does not depend on which process came first, or on where it was killed.

The cache is a help, not a need: what cannot be written is not kept, and what is damaged or gone is
read from the original again.
"""

from __future__ import annotations

import bisect
import contextlib
import hashlib
import json
import math
import os
import shutil
import struct
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from syncvid.arrays import Planes
from syncvid.media.jpeg import JpegWriter

# Change this when the same clip comes to give other tiles: files of another kind hold nothing.
_MAGIC = b"SVT4"

# The kind, and length and checksum of the table of pictures that follows.
_HEAD = struct.Struct("<4sII")

_ENDING, _PART = ".tiles", ".part"

# A tile is kept where it has at most this share of the original's pixels: above, it would cost as
# much to read as the original.
_LARGEST_SHARE = 0.3

# Files of one clip and size that stay in memory: a segment asks for one or two.
_MOST_OPEN = 3

Size = tuple[int, int]
"""Width and height in pixels."""


class TileLost(Exception):  # noqa: N818 - it is handled by reading the original
    """A kept tile is damaged or gone; it counts as not kept from now on."""


class KeptPicture(NamedTuple):
    """One picture in the cache.

    Attributes
    ----------
    ticks : int
        Its timestamp in the original.
    from_s, to_s : float
        Clip seconds in which it is due; infinite before the first and after the last one.
    damages : int
        Damaged places that were passed over before it.
    data : bytes
        JPEG.
    """

    ticks: int
    from_s: float
    to_s: float
    damages: int
    data: bytes


def pays(size: Size, shape: Size) -> bool:
    """Tell whether a clip of a shape is worth keeping at a size."""
    return size[0] * size[1] <= _LARGEST_SHARE * shape[0] * shape[1]


def clip_folder(folder: Path, identity: str, *, fast: bool) -> Path:
    """Return where the tiles of a clip are kept; quick decoding has a place of its own."""
    name = f"{identity} {'fast' if fast else 'good'}"
    return folder / hashlib.sha256(name.encode("utf-8", "surrogateescape")).hexdigest()[:32]


class Mark(NamedTuple):
    """Goes into the names of new files.

    Attributes
    ----------
    origin : str
        The same whenever the same videos are made, also by a render that goes on after a kill.
    token : str
        Of this one render.
    worker : int
        Of this one process.
    """

    origin: str
    token: str
    worker: int


class ClipTiles:
    """What is kept of one clip, and what is to be.

    Parameters
    ----------
    folders : sequence of Path
        Where to look, each from `clip_folder`; what is new goes into the first.
    but_from : str
        The origin whose tiles are passed over; empty for none.
    """

    def __init__(self, folders: Sequence[Path], but_from: str = "") -> None:
        self._folders = folders
        self._shelves: dict[Size, _Shelf] = {}
        for folder in folders:
            for entry in _entries(folder, "*x*"):
                width, _, height = entry.name.partition("x")
                if width.isdecimal() and height.isdecimal():
                    shelf = _Shelf(_entries(entry, f"*{_ENDING}"), but_from)
                    self._shelves.setdefault((int(width), int(height)), shelf)
        self._new: dict[Size, list[KeptPicture]] = {}
        self._writers: dict[Size, JpegWriter] = {}

    def covering(self, size: Size, times_s: Sequence[float]) -> Size | None:
        """Return the smallest size kept, not below the one asked for, that has all moments."""
        for kept in sorted(self._shelves):
            if kept[0] >= size[0] and kept[1] >= size[1] and self._shelves[kept].has_all(times_s):
                return kept
        return None

    def find(self, size: Size, clip_s: float) -> KeptPicture:
        """Return the picture that is due; `covering` has said that it is there.

        Raises
        ------
        TileLost
            It is no longer, or it is damaged.
        """
        return self._shelves[size].at(clip_s)

    def discard(self, size: Size, clip_s: float) -> None:
        """Delete the file that holds a moment: it cannot be shown."""
        self._shelves[size].discard(clip_s)

    def keep(
        self, size: Size, ticks: int, span_s: tuple[float, float], damages: int, planes: Planes
    ) -> None:
        """Note a picture for `flush`, unless it is the last one that was noted."""
        pictures = self._new.setdefault(size, [])
        if pictures and pictures[-1].ticks == ticks:
            return
        writer = self._writers.get(size) or self._writers.setdefault(size, JpegWriter(*size))
        pictures.append(KeptPicture(ticks, *span_s, damages, writer.encode(planes)))

    def flush(self, mark: Mark) -> int:
        """Write what was noted since the last time; a file appears only when it is whole.

        Returns
        -------
        int
            The bytes written.

        Raises
        ------
        OSError
            The disk is full, or cannot be written.
        """
        new, self._new = self._new, {}
        return sum(
            _write(self._folders[0] / f"{size[0]}x{size[1]}", pictures, mark)
            for size, pictures in new.items()
            if pictures
        )

    def forget(self) -> None:
        """Drop what was noted."""
        self._new.clear()


@dataclass(frozen=True, slots=True)
class _Book:
    """One file, opened: its pictures in the order of time."""

    starts_s: tuple[float, ...]
    ends_s: tuple[float, ...]
    rows: tuple[tuple[int, int, int, int, int], ...]
    data: bytes

    def index(self, clip_s: float) -> int | None:
        """Return which picture is due at a moment."""
        index = bisect.bisect_right(self.starts_s, clip_s) - 1
        return index if index >= 0 and clip_s < self.ends_s[index] else None


class _Shelf:
    """The files of one size, found by their names and opened when they are needed."""

    def __init__(self, paths: Iterable[Path], but_from: str) -> None:
        spans = {path: _span_of(path, but_from) for path in paths}
        self._paths = [path for path, span in spans.items() if span is not None]
        self._spans = [span for span in spans.values() if span is not None]
        self._open: dict[int, _Book | None] = {}
        self._bad: set[int] = set()

    def has_all(self, times_s: Sequence[float]) -> bool:
        """Tell whether every moment has its picture."""
        return all(self._find(time_s) is not None for time_s in times_s)

    def at(self, clip_s: float) -> KeptPicture:
        """Return the picture due at a moment, or raise `TileLost`."""
        found = self._find(clip_s)
        if found is None:
            raise TileLost
        number, book, index = found
        ticks, damages, begin, length, checksum = book.rows[index]
        data = book.data[begin : begin + length]
        # The decoder makes a picture of almost anything, so it would not tell.
        if zlib.crc32(data) != checksum:
            self._discard(number)
            raise TileLost
        return KeptPicture(ticks, book.starts_s[index], book.ends_s[index], damages, data)

    def discard(self, clip_s: float) -> None:
        """Delete the file that holds a moment."""
        found = self._find(clip_s)
        if found is not None:
            self._discard(found[0])

    def _discard(self, number: int) -> None:
        """Delete a file; if that cannot be done it is passed over."""
        self._bad.add(number)
        self._open.pop(number, None)
        with contextlib.suppress(OSError):
            self._paths[number].unlink()

    def _find(self, clip_s: float) -> tuple[int, _Book, int] | None:
        """Return the file, opened, and the number of a picture in it."""
        for number in self._candidates(clip_s):
            book = self._book(number)
            index = book.index(clip_s) if book is not None else None
            if book is not None and index is not None:
                return number, book, index
        return None

    def _candidates(self, clip_s: float) -> Iterator[int]:
        """Yield the files that may hold a moment; those that are open first."""
        yield from [n for n in self._open if self._spans[n][0] <= clip_s < self._spans[n][1]]
        for number, (from_s, to_s) in enumerate(self._spans):
            if number not in self._open and from_s <= clip_s < to_s and number not in self._bad:
                yield number

    def _book(self, number: int) -> _Book | None:
        """Open a file; one that is damaged or gone holds nothing.  Few stay open."""
        if number not in self._open:
            while len(self._open) > _MOST_OPEN:
                self._open.pop(next(iter(self._open)))
            self._open[number] = _read(self._paths[number])
        return self._open[number]


def _entries(folder: Path, pattern: str) -> list[Path]:
    """Return what lies in a folder, in the order of names; nothing if it cannot be read."""
    try:
        return sorted(folder.glob(pattern))
    except OSError:
        return []


def _write(folder: Path, pictures: Sequence[KeptPicture], mark: Mark) -> int:
    """Write one file, named by the milliseconds that it surely and at most covers."""
    folder.mkdir(parents=True, exist_ok=True)
    begin, rows = 0, []
    for picture in pictures:
        span = [value if math.isfinite(value) else None for value in picture[1:3]]
        place = [begin, len(picture.data), zlib.crc32(picture.data)]
        rows.append([picture.ticks, *span, picture.damages, *place])
        begin += len(picture.data)
    table = json.dumps(rows).encode()
    ordered = sorted(pictures, key=lambda picture: picture.from_s)
    span_ms = f"{_ms(ordered[0].from_s, math.floor)}_{_ms(ordered[-1].to_s, math.ceil)}"
    name = f"{span_ms}_{mark.origin}_{mark.worker}"
    part = folder / f"{name}.{mark.token}{_PART}"
    try:
        with part.open("wb") as file:
            file.write(_HEAD.pack(_MAGIC, len(table), zlib.crc32(table)) + table)
            file.writelines(picture.data for picture in pictures)
        os.replace(part, folder / f"{name}{_ENDING}")
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    return _HEAD.size + len(table) + begin


def _read(path: Path) -> _Book | None:
    """Read one file, and note that it was used; None if it is not whole."""
    try:
        data = path.read_bytes()
        magic, length, checksum = _HEAD.unpack_from(data)
        table = data[_HEAD.size : _HEAD.size + length]
        if magic != _MAGIC or zlib.crc32(table) != checksum:
            return None
        rows: list[list[Any]] = json.loads(table)
    except (OSError, ValueError, struct.error):
        return None
    begin = _HEAD.size + length
    if not rows or begin + rows[-1][4] + rows[-1][5] != len(data):
        return None
    with contextlib.suppress(OSError):
        # Many disks do not keep the time of reading, by which `prune` goes.
        os.utime(path)
    rows.sort(key=lambda row: -math.inf if row[1] is None else row[1])
    return _Book(
        tuple(-math.inf if row[1] is None else row[1] for row in rows),
        tuple(math.inf if row[2] is None else row[2] for row in rows),
        tuple((row[0], row[3], begin + row[4], row[5], row[6]) for row in rows),
        data,
    )


def _ms(time_s: float, rounded: Any) -> str:
    """Write a time for a file's name."""
    return str(rounded(time_s * 1000)) if math.isfinite(time_s) else "x"


def _span_of(path: Path, but_from: str) -> tuple[float, float] | None:
    """Return the clip seconds that a file covers at most, from its name; None: pass it over."""
    try:
        begin, end, origin, _ = path.name.split("_")
        span_s = (
            -math.inf if begin == "x" else int(begin) / 1000,
            math.inf if end == "x" else int(end) / 1000,
        )
    except ValueError:
        return None
    return None if but_from and origin == but_from else span_s


def prune(folder: Path, room: int) -> None:
    """Delete the files that have gone unused longest once all together take more than `room`."""
    files = []
    for path in _entries(folder, f"*/*/*{_ENDING}"):
        with contextlib.suppress(OSError):
            entry = path.stat()
            files.append((entry.st_mtime, entry.st_size, path))
    for _, size, path in sorted(files, reverse=True):
        room -= size
        if room < 0:
            with contextlib.suppress(OSError):
                path.unlink()


def keep_only_clips(folder: Path, identities: Iterable[str]) -> None:
    """Delete the tiles of all clips but some, which are told by their identities.

    Raises
    ------
    OSError
        Something cannot be deleted.
    """
    kept = {clip_folder(folder, name, fast=fast) for name in identities for fast in (True, False)}
    for entry in _entries(folder, "*"):
        if entry not in kept:
            shutil.rmtree(entry)


def remove_parts(folder: Path, token: str) -> None:
    """Delete what a render that was killed has left unfinished."""
    for part in _entries(folder, f"*/*/*.{token}{_PART}"):
        with contextlib.suppress(OSError):
            part.unlink()
