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
