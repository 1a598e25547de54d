"""A few bytes in a file that the parent and one lane of work both see, even after a crash.

The parent raises the wish to stop; the worker shows how many pictures of its segment are done, and
whose clip it is decoding at the moment: if the process dies, that clip is the suspect.
"""

from __future__ import annotations

import mmap
import struct
from pathlib import Path
from types import TracebackType
from typing import Self

from syncvid.errors import Cancelled

# Byte 0: stop; bytes 4 to 7: pictures done; from byte 8 on, one byte for each tile: 0, or the
# number, counted from 1, of the piece whose clip is in a decoder.
_COUNT = struct.Struct("<I")
_COUNT_AT, _TILES_AT = 4, 8


class Beacon:
    """One lane's bytes, mapped into memory.

    Parameters
    ----------
    path : Path
        The file, made by `Beacon.create`.
    """

    def __init__(self, path: Path) -> None:
        with path.open("r+b") as file:
            self._bytes = mmap.mmap(file.fileno(), 0)

    @classmethod
    def create(cls, path: Path, tiles: int) -> Beacon:
        """Make the file for so many tiles, all quiet."""
        path.write_bytes(bytes(_TILES_AT + tiles))
        return cls(path)

    def ask_to_stop(self) -> None:
        """Raise the wish to stop."""
        self._bytes[0] = 1

    def check(self) -> None:
        """Raise `Cancelled` if the parent wishes to stop."""
        if self._bytes[0]:
            raise Cancelled

    @property
    def pictures(self) -> int:
        """How many pictures of the present segment are done."""
        return int(_COUNT.unpack_from(self._bytes, _COUNT_AT)[0])

    @pictures.setter
    def pictures(self, count: int) -> None:
        _COUNT.pack_into(self._bytes, _COUNT_AT, count)

    def mark(self, tile: int, piece: int | None) -> None:
        """Note which of a tile's pieces is in a decoder; None: it came back."""
        self._bytes[_TILES_AT + tile] = 0 if piece is None else min(piece + 1, 255)

    def busy(self) -> list[tuple[int, int]]:
        """Return the pieces whose clips are in a decoder, as (tile, piece)."""
        numbers = enumerate(self._bytes[_TILES_AT:])
        return [(tile, number - 1) for tile, number in numbers if number]

    def clear(self) -> None:
        """Forget the tiles and the count, before a new segment."""
        self._bytes[_COUNT_AT:] = bytes(len(self._bytes) - _COUNT_AT)

    def close(self) -> None:
        """Unmap the file."""
        self._bytes.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
