"""Edit lists with several cuts, as editing programs write them: which stretch is shown when.

FFmpeg applies them, but leaves out whole pictures and packets only, and where the first cut lies
between two pictures it knows no later one.  Such files are opened without their edit lists, and
what is due is looked up here.  ISO/IEC 14496-12, 8.6.6.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import BinaryIO

# A movie's table of contents is smaller than this; what claims to be more is damaged.
_MOST_BYTES = 256 * 1024 * 1024

_EMPTY = -1
_NORMAL_RATE = 1 << 16


@dataclass(frozen=True, slots=True)
class Edit:
    """A stretch of a track that is presented.

    Attributes
    ----------
    from_s, to_s : Fraction
        When, in seconds of the presentation.
    media_s : Fraction
        Where in the track it begins, in seconds.
    """

    from_s: Fraction
    to_s: Fraction
    media_s: Fraction

    @property
    def media_to_s(self) -> Fraction:
        """Where in the track it ends, in seconds."""
        return self.media_s + self.to_s - self.from_s


def read_edits(path: str | os.PathLike[str]) -> dict[int, tuple[Edit, ...]]:
    """Read the edit lists of a file in which a track has several cuts.

    Parameters
    ----------
    path : str or path-like
        Any file.

    Returns
    -------
    dict of int to tuple of Edit
        By track number, in the order of presentation; empty for every other file, for one that
        comes in fragments, and where something is played at another speed.
    """
    if not os.path.isfile(path):
        return {}  # a pipe would be waited for
    try:
        with open(path, "rb") as file:
            movie = _movie(file)
        tracks = dict(_tracks(movie)) if movie else {}
    except (OSError, struct.error, ValueError, ZeroDivisionError):
        return {}  # what is wrong with it is said by whoever opens it next
    return tracks if any(len(edits) > 1 for edits in tracks.values()) else {}


def _movie(file: BinaryIO) -> bytes:
    """Return what stands in the `moov` box; nothing where there is none."""
    while len(head := file.read(8)) == 8:
        size, kind = struct.unpack(">I4s", head)
        length = size - 8
        if size == 1:
            length = struct.unpack(">Q", file.read(8))[0] - 16
        if length < 0 or not kind.isalnum():
            return b""
        if kind == b"moov":
            return file.read(length) if length < _MOST_BYTES else b""
        file.seek(length, os.SEEK_CUR)
    return b""


def _boxes(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Yield name and body of the boxes that stand one after the other."""
    at = 0
    while at + 8 <= len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        if size < 8:
            return
        yield kind, data[at + 8 : at + size]
        at += size


def _inside(data: bytes, *names: bytes) -> bytes:
    """Return the body of a box within boxes; nothing where one of them is missing."""
    for name in names:
        data = next((body for kind, body in _boxes(data) if kind == name), b"")
    return data


def _tracks(movie: bytes) -> Iterator[tuple[int, tuple[Edit, ...]]]:
    """Yield each track's number and edits."""
    if _inside(movie, b"mvex"):
        return
    movie_scale = _scale(_inside(movie, b"mvhd"))
    for kind, track in _boxes(movie):
        if kind != b"trak":
            continue
        header = _inside(track, b"tkhd")
        (number,) = struct.unpack_from(">I", header, 20 if header[0] == 1 else 12)
        media_scale = _scale(_inside(track, b"mdia", b"mdhd"))
        yield number, _edits(_inside(track, b"edts", b"elst"), movie_scale, media_scale)


def _scale(header: bytes) -> int:
    """Return the units in a second from an `mvhd` or `mdhd` box."""
    (scale,) = struct.unpack_from(">I", header, 20 if header[:1] == b"\x01" else 12)
    return int(scale)


def _edits(listed: bytes, movie_scale: int, media_scale: int) -> tuple[Edit, ...]:
    """Return the edits of an `elst` box; what follows without a jump is one edit."""
    if not listed:
        return ()
    entry = struct.Struct(">Qqi" if listed[0] == 1 else ">Iii")
    (count,) = struct.unpack_from(">I", listed, 4)
    edits: list[Edit] = []
    at_s = Fraction(0)
    for number in range(count):
        length, media, rate = entry.unpack_from(listed, 8 + number * entry.size)
        to_s = at_s + Fraction(length, movie_scale)
        if media != _EMPTY:
            if rate != _NORMAL_RATE:
                raise ValueError(rate)
            media_s = Fraction(media, media_scale)
            if edits and edits[-1].to_s == at_s and edits[-1].media_to_s == media_s:
                edits[-1] = Edit(edits[-1].from_s, to_s, edits[-1].media_s)
            else:
                edits.append(Edit(at_s, to_s, media_s))
        at_s = to_s
    return tuple(edits)
