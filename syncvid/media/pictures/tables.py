"""Applying a conversion of colours to pictures: worked out once for a grid of values.

What becomes of a pixel depends on its three values only.  FFmpeg's ``lut3d`` interpolates between
the points of the grid.  What is interpolated is light, not yet signal: where a saturated colour
leaves BT.709 a channel reaches zero, and only light does so without a leap.  Measured, 640x360:
2.0 ms together with the step from light to signal; 24 ms by libswscale's own conversion.
"""

from __future__ import annotations

import tempfile
import threading
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

import av
import numpy as np

from syncvid.arrays import Floats
from syncvid.media.pictures.tonemap import SDR_GAMMA, Colours, light_of

# What pictures are converted in: light needs more than 16 bits next to black.
DEEP_RGB = "gbrpf32le"

_FLOAT_BYTES = 4

# Points of the table along each axis.  Measured on 100 000 random signals of HLG against the
# formulas, levels of 8 bit: 99 of 100 are within 1.3; with 33 points, 3.4.
_POINTS = 65

# Points from light to signal: straight lines between them cost 1 level at most, next to black.
_GAMMA_POINTS = 16_384

# Graphs that are kept for the next picture of the same size, of whichever clip: making one takes
# 70 ms (the first one 0.6 s), and it holds a table of 4 MB.
_MOST_IDLE = 8

# ``lut3d`` works on so many pixels at once: behind the end of a row whose width is no multiple it
# looks up whatever lies in memory there, and what is no number takes the process down.
_STEP_PX = 16


@lru_cache
def _table(colours: Colours) -> str:
    """Return the table as text in the form that ``lut3d`` reads: red runs fastest."""
    steps = np.linspace(0.0, 1.0, _POINTS)
    blue, green, red = np.meshgrid(steps, steps, steps, indexing="ij")
    light = light_of(np.stack([red, green, blue], axis=-1), colours)
    return f"LUT_3D_SIZE {_POINTS}\n" + _lines(light)


@lru_cache
def _gamma_table() -> str:
    """Return the step from light to signal in the form that ``lut1d`` reads."""
    signal = np.linspace(0.0, 1.0, _GAMMA_POINTS) ** (1 / SDR_GAMMA)
    return f"LUT_1D_SIZE {_GAMMA_POINTS}\n" + _lines(np.repeat(signal, 3))


def _lines(values: Floats) -> str:
    """Write three values on each line; one long template is three times as fast as many."""
    return "%.6f %.6f %.6f\n" * (values.size // 3) % tuple(values.ravel().tolist())


class _Graph:
    """The two tables, one after the other, for pictures of one size."""

    def __init__(self, width: int, height: int, colours: Colours) -> None:
        self._graph = av.filter.Graph()
        self._graph.threads = 1
        node = self._graph.add_buffer(
            width=width,
            height=height,
            format=av.VideoFormat(DEEP_RGB, width, height),
            time_base=Fraction(1, 1),
        )
        with tempfile.TemporaryDirectory() as folder:
            light, signal = Path(folder, "light.cube"), Path(folder, "signal.cube")
            light.write_text(_table(colours), "ascii")
            signal.write_text(_gamma_table(), "ascii")
            for following in (
                self._graph.add("lut3d", file=str(light), interp="tetrahedral"),
                self._graph.add("lut1d", file=str(signal)),
                self._graph.add("buffersink"),
            ):
                node.link_to(following)
                node = following
        self._graph.configure()

    def convert(self, picture: Any) -> Any:
        """Return a picture in other colours."""
        picture.pts = 0
        self._graph.vpush(picture)
        return self._graph.vpull()


class _Idle:
    """Graphs that nobody uses at the moment, for all threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._graphs: list[tuple[object, _Graph]] = []

    def take(self, key: object) -> _Graph | None:
        """Return a graph, which is then somebody's, if there is one."""
        with self._lock:
            for number, (known, graph) in enumerate(self._graphs):
                if known == key:
                    del self._graphs[number]
                    return graph
        return None

    def give_back(self, key: object, graph: _Graph) -> None:
        """Keep a graph; the one that has been idle for longest may go."""
        with self._lock:
            self._graphs.append((key, graph))
            del self._graphs[:-_MOST_IDLE]


_IDLE = _Idle()


def convert(picture: Any, colours: Colours) -> Any:
    """Convert a small picture to the colours of BT.709.

    Parameters
    ----------
    picture : av.VideoFrame
        In the format `DEEP_RGB`, full range.
    colours : Colours
        How its values are meant.

    Returns
    -------
    av.VideoFrame
        Of the same size, format and range.
    """
    width = picture.width
    whole_width = -(-width // _STEP_PX) * _STEP_PX
    key = whole_width, picture.height, colours
    graph = _IDLE.take(key) or _Graph(*key)
    converted = graph.convert(_of_width(picture, whole_width))
    _IDLE.give_back(key, graph)
    return _of_width(converted, width)


def _of_width(picture: Any, width: int) -> Any:
    """Return a picture cut off at the right, or with black added there."""
    if width == picture.width:
        return picture
    other: Any = av.VideoFrame(width, picture.height, DEEP_RGB)
    for target, source in zip(other.planes, picture.planes, strict=True):
        rows, given = (
            np.frombuffer(plane, np.float32).reshape(-1, plane.line_size // _FLOAT_BYTES)
            for plane in (target, source)
        )
        kept = min(width, picture.width)
        rows[:, :kept] = given[:, :kept]
        rows[:, kept:] = 0.0
    other.color_range = picture.color_range
    return other
