"""The boxes of an MP4 or QuickTime file (ISO/IEC 14496-12, 4.2), for tests that change them."""

from __future__ import annotations

import struct
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Box:
    """One box: its four letters, where it begins, and its bytes."""

    kind: bytes
    at: int
    whole: bytes

    @property
    def body(self) -> bytes:
        """What stands after length and letters."""
        return self.whole[8:]


def boxes(data: bytes) -> list[Box]:
    """Return the boxes that stand one after the other."""
    found, at = [], 0
    while at + 8 <= len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        assert size >= 8
        found.append(Box(kind, at, data[at : at + size]))
        at += size
    return found


def box(kind: bytes, body: bytes) -> bytes:
    """Return a box as bytes."""
    return struct.pack(">I4s", len(body) + 8, kind) + body


def rebuilt(data: bytes, old: Box, body: bytes) -> bytes:
    """Return the data with another body in the place of a box's."""
    return data[: old.at] + box(old.kind, body) + data[old.at + len(old.whole) :]


def with_edits(data: bytes, edits_s: list[tuple[float | None, float]]) -> bytes:
    """Return a movie whose tracks all have other edits, each where in the track, and how long.

    None is an empty edit (ISO/IEC 14496-12, 8.6.6).  Where a track began before, its time 0 stays:
    pictures may have been moved on for reordering, sound has its priming.  The table of contents
    must stand behind the media, so that nothing that points into the file has to be changed.
    """
    moov = next(each for each in boxes(data) if each.kind == b"moov")
    assert moov.at > next(each for each in boxes(data) if each.kind == b"mdat").at
    scale = _scale(next(each for each in boxes(moov.body) if each.kind == b"mvhd").body)
    body = b""
    for each in boxes(moov.body):
        body += _edited(each, scale, edits_s) if each.kind == b"trak" else each.whole
    return rebuilt(data, moov, body)


def _edited(track: Box, movie_scale: int, edits_s: list[tuple[float | None, float]]) -> bytes:
    """Return a track with other edits."""
    parts = {each.kind: each for each in boxes(track.body)}
    media = {each.kind: each for each in boxes(parts[b"mdia"].body)}
    scale = _scale(media[b"mdhd"].body)
    (before,) = struct.unpack_from(">i", boxes(parts[b"edts"].body)[0].body, 12)
    listed = struct.pack(">II", 0, len(edits_s))
    for at_s, length_s in edits_s:
        at = -1 if at_s is None else before + round(at_s * scale)
        listed += struct.pack(">IiI", round(length_s * movie_scale), at, 65536)
    edts = box(b"edts", box(b"elst", listed))
    return box(
        b"trak",
        b"".join(edts if each.kind == b"edts" else each.whole for each in boxes(track.body)),
    )


def _scale(header: bytes) -> int:
    """Return the units in a second from the body of an `mvhd` or `mdhd` box."""
    return int(struct.unpack_from(">I", header, 20 if header[0] == 1 else 12)[0])
