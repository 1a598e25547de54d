"""Clips of every format that phones and editing programs write, whose pictures say who they are.

Each picture carries a square panel in its middle: a white ring, and in it 5 by 5 fields, black or
white.  The corners say which way is up (only the upper left one is white); the rest is the number
of the picture, the number of its clip, and a checksum.  The panel is found by its ring, so it is
read in any tile, however that was scaled, cropped or zoomed.  Nothing of syncvid is used here.
"""

from __future__ import annotations

import bisect
import io
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

Luma = NDArray[np.uint8]

FIELDS = 5
RING = 0.09  # of the panel's side
PANEL = 0.55  # of the picture's shorter side
INDEX_BITS, CLIP_BITS, CHECK_BITS = 12, 5, 4
BACK, BLACK, WHITE = 70, 16, 235


@dataclass(frozen=True)
class Coded:
    """A clip and what is due in it when.

    Attributes
    ----------
    kind : str
        Its format.
    path : Path
        The file.
    times_s : sequence of float
        When each picture appears, in clip seconds, in order.
    numbers : sequence of int
        What each says.
    end_s : float
        When the last one is over.
    clip : int
        Its number among the clips.
    offset_s, drift_ppm : float
        Its place on the reference.
    held : int
        How many pictures may be missing, the one before held, for damage.
    shown : bool
        Whether a picture of it is to be seen at all.
    """

    kind: str
    path: Path
    times_s: Sequence[float]
    numbers: Sequence[int]
    end_s: float
    clip: int
    offset_s: float = 0.0
    drift_ppm: float = 0.0
    held: int = 0
    shown: bool = True

    def due(self, reference_s: float) -> int | None:
        """Return the number that is due; None outside of its pictures."""
        clip_s = (reference_s - self.offset_s) / (1 + self.drift_ppm * 1e-6)
        at = bisect.bisect_right(self.times_s, clip_s) - 1
        return self.numbers[at] if at >= 0 and clip_s < self.end_s else None


# ---------------------------------------------------------------- the code


def bits_of(index: int, clip: int) -> list[int]:
    """Return the 25 fields of a panel, row by row."""
    value = index | (clip % 2**CLIP_BITS) << INDEX_BITS
    check = (value * 2654435761 >> 11) % 2**CHECK_BITS
    value |= check << (INDEX_BITS + CLIP_BITS)
    inner = iter([value >> bit & 1 for bit in range(FIELDS * FIELDS - 4)])
    corners = {0: 1, FIELDS - 1: 0, FIELDS * (FIELDS - 1): 0, FIELDS * FIELDS - 1: 0}
    return [corners[at] if at in corners else next(inner) for at in range(FIELDS * FIELDS)]


def number_of(fields: Sequence[int]) -> tuple[int, int] | None:
    """Return picture and clip of a panel's fields; None where the checksum is wrong."""
    corners = (0, FIELDS - 1, FIELDS * (FIELDS - 1), FIELDS * FIELDS - 1)
    inner = [bit for at, bit in enumerate(fields) if at not in corners]
    value = sum(bit << at for at, bit in enumerate(inner))
    index, clip = value % 2**INDEX_BITS, value >> INDEX_BITS & 2**CLIP_BITS - 1
    return (index, clip) if bits_of(index, clip) == list(fields) else None


def draw(index: int, clip: int, size: tuple[int, int], shape: tuple[float, float]) -> Luma:
    """Return the luma of a picture of a size that is shown in a shape (pixels may be oblong)."""
    width, height = size
    across, down = width / shape[0], height / shape[1]
    side = PANEL * min(shape)
    left, top = (shape[0] - side) / 2, (shape[1] - side) / 2
    # It flickers, so that nobody takes the panel alone for what moves and is to be framed.
    luma = np.full((height, width), BACK + 16 * (index % 3), np.uint8)

    def fill(x: float, y: float, wide: float, high: float, level: int) -> None:
        rows = slice(round((top + y * side) * down), round((top + (y + high) * side) * down))
        columns = slice(
            round((left + x * side) * across), round((left + (x + wide) * side) * across)
        )
        luma[rows, columns] = level

    fill(0, 0, 1, 1, WHITE)
    fill(RING, RING, 1 - 2 * RING, 1 - 2 * RING, BLACK)
    step = (1 - 2 * RING) / FIELDS
    for at, bit in enumerate(bits_of(index, clip)):
        row, column = divmod(at, FIELDS)
        fill(RING + column * step, RING + row * step, step, step, WHITE if bit else BLACK)
    return luma


@dataclass(frozen=True)
class Panel:
    """Where a panel lies in a tile: left, top, width, height in pixels."""

    left: float
    top: float
    width: float
    height: float

    def fields(self, luma: Luma) -> list[float]:
        """Return the level of each field's middle."""
        found = []
        for at in range(FIELDS * FIELDS):
            row, column = divmod(at, FIELDS)
            step = (1 - 2 * RING) / FIELDS
            x, y = RING + (column + 0.28) * step, RING + (row + 0.28) * step
            rows = _pixels(self.top + y * self.height, 0.44 * step * self.height)
            columns = _pixels(self.left + x * self.width, 0.44 * step * self.width)
            found.append(float(luma[rows, columns].mean()))
        return found


def _pixels(begin: float, length: float) -> slice:
    first = round(begin)
    return slice(first, max(first + 1, round(begin + length)))


def find_panel(mean: NDArray[np.float64]) -> Panel | None:
    """Find the ring in the mean of a tile's pictures; edges to a part of a pixel."""
    low, high = np.percentile(mean, 5), np.percentile(mean, 99)
    bright = mean > (low + high) / 2
    named_from = round(0.85 * len(bright))
    bright[named_from:] = False  # there stands the name
    rows = np.flatnonzero(bright.sum(1) > 0.25 * min(mean.shape))
    columns = np.flatnonzero(bright.sum(0) > 0.25 * min(mean.shape))
    if not rows.size or not columns.size:
        return None
    top, bottom, left, right = rows[0], rows[-1] + 1, columns[0], columns[-1] + 1
    if bottom == named_from:
        # It reaches into the name: what is seen of it tells its width, and it is a square.
        bottom = min(top + right - left, len(mean))
    if min(bottom - top, right - left) < 20:
        return None
    return Panel(left, top, right - left, bottom - top)


def read(luma: Luma, panel: Panel) -> tuple[int, int] | None:
    """Read picture and clip in a tile; None where a field is neither black nor white."""
    levels = panel.fields(luma)
    low, high = min(levels), max(levels)
    if high - low < 60:
        return None
    shares = [(level - low) / (high - low) for level in levels]
    if any(0.36 < share < 0.64 for share in shares):
        return None
    return number_of([int(share > 0.5) for share in shares])


# ---------------------------------------------------------------- writing


@dataclass
class Film:
    """How a clip is written."""

    kind: str
    clip: int
    path: Path
    times_s: list[Fraction]
    shape: tuple[int, int] = (640, 360)
    size: tuple[int, int] | None = None
    codec: str = "libx264"
    options: dict[str, str] = field(default_factory=dict)
    pixels: str = "yuv420p"
    clock: int = 90_000
    container: str | None = None
    sound_from_s: float | None = 0.0
    sound_codec: str = "aac"
    fields: int = 0
    matrix: tuple[int, int, int, int] | None = None
    colour: tuple[int, int, int, int] = (1, 1, 1, 1)  # primaries, transfer, matrix, range
    pipe: bool = False

    def stored(self, number: int) -> Luma:
        """Return the luma of a picture as it is stored."""
        size = self.size or self.shape
        if self.fields:
            luma = draw(number, self.clip, size, self.shape)
            # Not 2 n and 2 n + 1: what is always so in even rows and otherwise in odd ones, no
            # deinterlacer can tell from a striped shirt.
            second = draw(number + 1, self.clip, size, self.shape)
            luma[self.fields % 2 :: 2] = second[self.fields % 2 :: 2]
            return luma
        luma = draw(number, self.clip, size, self.shape)
        if self.matrix is None:
            return luma
        a, b, c, d = self.matrix
        # ISO/IEC 14496-12, 8.3.2: a stored (x, y) is shown at (a x + c y, b x + d y).
        if a == d == 0:
            return np.ascontiguousarray(luma[::b, ::c].T)
        return np.ascontiguousarray(luma[::d, ::a])

    def write(self) -> Path:
        """Write the file."""
        out: Any = str(self.path)
        handle = None
        if self.pipe:
            handle = self.path.open("wb")
            out = _Pipe(handle)
        with av.open(out, "w", format=self.container) as container:
            stream = self._stream(container)
            sound = None
            if self.sound_from_s is not None:
                sound = container.add_stream(self.sound_codec, rate=48_000)
            for number, time_s in enumerate(self.times_s):
                for packet in stream.encode(self._picture(stream, number, time_s)):
                    container.mux(packet)
            container.mux(stream.encode(None))
            if sound is not None:
                self._write_sound(container, sound)
        if handle:
            handle.close()
        if self.matrix is not None:
            set_matrix(self.path, self.matrix)
        return self.path

    def _stream(self, container: Any) -> Any:
        stream: Any = container.add_stream(self.codec, rate=30)
        stream.height, stream.width = self.stored(0).shape
        stream.pix_fmt = self.pixels
        context = stream.codec_context
        context.time_base = Fraction(1, self.clock)
        (
            context.color_primaries,
            context.color_trc,
            context.colorspace,
            context.color_range,
        ) = self.colour
        stream.options = self.options
        if self.size:
            across, down = Fraction(*self.size), Fraction(*self.shape)
            context.sample_aspect_ratio = down / across
        if self.fields:
            context.flags |= 0x00040000 | 0x20000000  # interlaced DCT and motion estimation
        return stream

    def _picture(self, stream: Any, number: int, time_s: Fraction) -> Any:
        luma = self.stored(number)
        height, width = luma.shape
        picture = av.VideoFrame(width, height, self.pixels)
        deep = self.pixels.endswith("10le")
        item: Any = np.dtype("<u2") if deep else np.uint8
        levels = luma.astype(np.float64)
        if self.colour[3] == 2:
            levels = ((levels - 16) * 255 / 219).clip(0, 255)
        levels = np.rint(levels * 4 if deep else levels)
        for at, plane in enumerate(picture.planes):
            rows = np.frombuffer(plane, item).reshape(plane.height, -1)
            rows[:] = 512 if deep else 128
            if at == 0:
                rows[:, :width] = levels
        picture.pts, picture.time_base = round(time_s * self.clock), Fraction(1, self.clock)
        (
            picture.color_primaries,
            picture.color_trc,
            picture.colorspace,
            picture.color_range,
        ) = self.colour
        return _marked(picture, self.fields) if self.fields else picture

    def _write_sound(self, container: Any, sound: Any) -> None:
        rng = np.random.default_rng(self.clip)
        from_s = float(self.sound_from_s or 0)
        length_s = float(self.times_s[-1]) - from_s
        samples = rng.normal(0, 0.03, (1, round(length_s * 48_000))).astype(np.float32)
        block = av.AudioFrame.from_ndarray(samples, format="fltp", layout="mono")
        block.sample_rate, block.time_base = 48_000, Fraction(1, 48_000)
        block.pts = round(from_s * 48_000)
        resampler = av.AudioResampler(sound.codec_context.format, "mono", 48_000)
        for piece in resampler.resample(block):
            container.mux(sound.encode(piece))
        container.mux(sound.encode(None))


def _marked(picture: Any, fields: int) -> Any:
    """Mark a picture as interlaced: 1 top first, 2 bottom first; only a filter can."""
    graph = av.filter.Graph()
    source = graph.add_buffer(
        width=picture.width,
        height=picture.height,
        format=picture.format,
        time_base=picture.time_base,
    )
    marked, sink = graph.add("setfield", ("tff", "bff")[fields - 1]), graph.add("buffersink")
    source.link_to(marked)
    marked.link_to(sink)
    graph.configure()
    graph.vpush(picture)
    return graph.vpull()


class _Pipe(io.RawIOBase):
    """An output in which nobody can go back."""

    def __init__(self, file: Any) -> None:
        self._file = file

    def write(self, data: Any) -> int:
        return int(self._file.write(data))

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return False


def set_matrix(path: Path, matrix: tuple[int, int, int, int]) -> None:
    """Write how the picture is to be shown into the first track's header."""
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4
    a, b, c, d = (65536 * number for number in matrix)
    struct.pack_into(">iiiii", data, at + (52 if data[at] == 1 else 40), a, b, 0, c, d)
    path.write_bytes(data)
