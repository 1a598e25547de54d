"""Whole pictures from interlaced ones, at their own timestamps.

An interlaced picture holds two fields, half a picture apart in time, in its even and odd rows.
Scaled as it is, what moves gets double edges.  Each becomes the picture of its first field, which
is the moment its timestamp names, the other rows found between the fields around (FFmpeg's bwdif).
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import av

# One picture per picture; the field order as each picture says; progressive pictures untouched.
_SETTINGS = "mode=send_frame:parity=auto:deint=interlaced"


def deinterlaced(pictures: Iterator[Any]) -> Iterator[Any]:
    """Yield pictures as they come; from the first interlaced one on, through a deinterlacer.

    Parameters
    ----------
    pictures : iterator of av.VideoFrame
        In the order of presentation.

    Yields
    ------
    av.VideoFrame
        As many pictures, with the same timestamps in the same time base.
    """
    deinterlacer: _Deinterlacer | None = None
    for picture in pictures:
        if deinterlacer is not None and not deinterlacer.takes(picture):
            yield from deinterlacer.push(None)
            deinterlacer = None
        if deinterlacer is None and picture.interlaced_frame:
            deinterlacer = _Deinterlacer(picture)
        if deinterlacer is None:
            yield picture
        else:
            yield from deinterlacer.push(picture)
    if deinterlacer is not None:
        yield from deinterlacer.push(None)


class _Deinterlacer:
    """A filter graph for pictures of one size and format; it gives each when the next has come."""

    def __init__(self, picture: Any) -> None:
        self._form = _form(picture)
        self._time_base = Fraction(picture.time_base)
        self._graph = av.filter.Graph()
        # The threads of this program go over the clips (measured: `media.md`).
        self._graph.threads = 1
        source = self._graph.add_buffer(
            width=picture.width,
            height=picture.height,
            format=picture.format,
            time_base=self._time_base,
        )
        bwdif, sink = self._graph.add("bwdif", _SETTINGS), self._graph.add("buffersink")
        source.link_to(bwdif)
        bwdif.link_to(sink)
        self._graph.configure()

    def takes(self, picture: Any) -> bool:
        """Tell whether a picture is of the size and format that the graph was made for."""
        return _form(picture) == self._form

    def push(self, picture: Any) -> Iterator[Any]:
        """Take a picture, or None at the end; yield what is ready."""
        self._graph.vpush(picture)
        while True:
            try:
                ready: Any = self._graph.vpull()
            except (av.BlockingIOError, av.EOFError):
                return
            # The filter counts in its own, finer time base.
            ready.pts = round(ready.pts * Fraction(ready.time_base) / self._time_base)
            ready.time_base = self._time_base
            yield ready


def _form(picture: Any) -> tuple[int, int, str, Fraction]:
    """Return what must stay the same for a graph to be used on."""
    return picture.width, picture.height, picture.format.name, Fraction(picture.time_base)
