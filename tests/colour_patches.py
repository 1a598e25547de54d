"""Films of flat colour patches in any colour system, and what they must look like in BT.709.

Everything is worked out here from the formulas of the standards, with nothing of syncvid.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
"""Colours, shape (patches, 3)."""

# The patches stand side by side in rows of eight.
PATCH_PX, ACROSS = 48, 8

# Luma coefficients of red and blue: Recommendations BT.709-6 (item 3.2), BT.601-7 (2.5.1) and
# BT.2020-2 (table 4, non-constant luminance); the keys are the matrix coefficients of ITU-T H.273.
LUMA = {1: (0.2126, 0.0722), 5: (0.299, 0.114), 6: (0.299, 0.114), 9: (0.2627, 0.0593)}
RGB_MATRIX = 0


@dataclass(frozen=True, slots=True)
class System:
    """How colours are stored; numbers as in ITU-T H.273."""

    pixels: str = "yuv420p"
    matrix: int = 1
    primaries: int = 1
    transfer: int = 1
    full: bool = False
    codec: str = "ffv1"
    tagged_matrix: int | None = None


def to_ycbcr(rgb: Values, matrix: int, *, bits: int = 8, full: bool = False) -> Values:
    """Return Y', C'B, C'R levels of R'G'B' signals from 0 to 1 (BT.709-6, items 3.2 to 3.5)."""
    red, blue = LUMA[matrix]
    luma = rgb @ [red, 1 - red - blue, blue]
    cb, cr = (rgb[:, 2] - luma) / (2 * (1 - blue)), (rgb[:, 0] - luma) / (2 * (1 - red))
    if full:
        top = 2**bits - 1
        return np.stack([top * luma, top * cb + 2 ** (bits - 1), top * cr + 2 ** (bits - 1)], 1)
    step = 2 ** (bits - 8)
    return np.stack([219 * luma + 16, 224 * cb + 128, 224 * cr + 128], axis=1) * step


def as_stored(rgb: Values, system: System) -> Values:
    """Return the R'G'B' signals that are left when their Y'C'BC'R levels have been rounded."""
    bits = av.VideoFormat(system.pixels).components[0].bits
    levels = np.rint(to_ycbcr(rgb, system.matrix, bits=bits, full=system.full))
    # The conversion is linear, so its matrix is found by converting black and the primaries.
    black, *primaries = to_ycbcr(
        np.vstack([np.zeros(3), np.eye(3)]), system.matrix, bits=bits, full=system.full
    )
    signals = (levels - black) @ np.linalg.inv(np.array(primaries) - black)
    return np.asarray(np.clip(signals, 0, 1))


def write_patches(path: Path, rgb: Values, system: System) -> Path:
    """Write three equal pictures with a patch of each R'G'B' signal from 0 to 1."""
    form: Any = av.VideoFormat(system.pixels)
    bits = form.components[0].bits
    if form.is_rgb:
        top = 2**bits - 1
        levels = (rgb * top)[:, [1, 2, 0]]  # planes are green, blue, red
    else:
        levels = to_ycbcr(rgb, system.matrix, bits=bits, full=system.full)
        top = 2**bits - 1
    levels = np.clip(np.rint(levels), 0, top)
    rows = -(-len(rgb) // ACROSS)
    width, height = ACROSS * PATCH_PX, rows * PATCH_PX
    picture = av.VideoFrame(width, height, system.pixels)
    for number, plane in enumerate(picture.planes):
        grid = np.zeros(rows * ACROSS)
        grid[: len(rgb)] = levels[:, number]
        tall, wide = plane.height // rows, plane.width // ACROSS
        whole = np.kron(grid.reshape(rows, ACROSS), np.ones((tall, wide)))
        item: Any = np.uint8 if bits == 8 else np.dtype("<u2")
        stored = np.frombuffer(plane, item).reshape(plane.height, -1)
        stored[:, : plane.width] = whole.astype(item)
    matrix = system.matrix if system.tagged_matrix is None else system.tagged_matrix
    with av.open(str(path), "w") as out:
        stream: Any = out.add_stream(system.codec, rate=30)
        stream.width, stream.height, stream.pix_fmt = width, height, system.pixels
        if system.codec == "libx265":
            stream.options = {"x265-params": "lossless=1:log-level=none", "preset": "ultrafast"}
        context = stream.codec_context
        for thing in (context, picture):
            thing.colorspace = RGB_MATRIX if form.is_rgb else matrix
            thing.color_range = 2 if system.full or form.is_rgb else 1
            thing.color_primaries, thing.color_trc = system.primaries, system.transfer
        for number in range(3):
            picture.pts, picture.time_base = number, Fraction(1, 30)
            out.mux(stream.encode(picture))
        out.mux(stream.encode(None))
    return path


def read_patches(planes: tuple[Any, Any, Any], count: int) -> Values:
    """Return the mean Y', C'B, C'R levels of the middle of each patch of a picture of any size."""
    found = np.empty((count, 3))
    rows = -(-count // ACROSS)
    for number, plane in enumerate(planes):
        tall, wide = plane.shape[0] / rows, plane.shape[1] / ACROSS
        for patch in range(count):
            row, column = divmod(patch, ACROSS)
            middle = plane[
                round((row + 0.3) * tall) : round((row + 0.7) * tall),
                round((column + 0.3) * wide) : round((column + 0.7) * wide),
            ]
            found[patch, number] = middle.mean()
    return found
