"""Little films in which every picture says its own number, and ways to read the number back.

The number is written as 12 blocks, white for 1 and black for 0, in two rows in the middle of the
picture, with a white bar at the top and a black one at the bottom, so that a turned picture is
seen.  Nothing of syncvid is used here.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

BITS = 12
BLACK, WHITE, GREY = 16, 235, 126

Luma = NDArray[np.uint8]


def draw(number: int, width: int = 192, height: int = 108) -> Luma:
    """Return the luma plane of a picture that says a number."""
    luma = np.full((height, width), GREY, np.uint8)
    luma[: height // 8] = WHITE
    luma[-(height // 8) :] = BLACK
    for bit in range(BITS):
        top, bottom, left, right = _block(bit, width, height)
        luma[top:bottom, left:right] = WHITE if number >> bit & 1 else BLACK
    return luma


def read(luma: Luma) -> int:
    """Read the number from a luma plane of any size; -1 if a block is neither black nor white."""
    height, width = luma.shape
    number = 0
    for bit in range(BITS):
        top, bottom, left, right = _block(bit, width, height)
        third = (bottom - top) // 3, (right - left) // 3
        level = luma[top + third[0] : bottom - third[0], left + third[1] : right - third[1]].mean()
        if 90 < level < 165:
            return -1
        number |= int(level >= 165) << bit
    return number


def is_upright(luma: Luma) -> bool:
    """Tell whether the white bar is at the top and the black one at the bottom."""
    edge = luma.shape[0] // 16
    return bool(luma[edge].mean() > 180 and luma[-edge - 1].mean() < 70)


def write_film(
    path: Path,
    times_s: Sequence[float],
    *,
    size: tuple[int, int] = (192, 108),
    bframes: int = 2,
    turned: int = 0,
    clock: int = 90_000,
    sound_from_s: float | None = None,
    aspect: Fraction | None = None,
    container: str | None = None,
    key_interval: int = 12,
    codec: str = "libx264",
    open_gop: bool = False,
) -> Path:
    """Write a film whose picture n appears at ``times_s[n]``.

    ``turned``: quarter turns clockwise that a player is told to make (`turn_by_matrix` says it);
    the pictures are stored turned the other way.
    """
    with av.open(str(path), "w", format=container) as out:
        stream: Any = out.add_stream(codec, rate=30)
        stored = size if turned % 2 == 0 else (size[1], size[0])
        stream.width, stream.height = stored
        stream.pix_fmt = "yuv420p"
        stream.codec_context.time_base = Fraction(1, clock)
        if codec == "libx264":
            parameters = (
                f"keyint={key_interval}:min-keyint={key_interval}:bframes={bframes}"
                f":scenecut=0:open-gop={int(open_gop)}"
            )
            stream.options = {"crf": "12", "preset": "fast", "x264-params": parameters}
        if aspect is not None:
            stream.codec_context.sample_aspect_ratio = aspect
        sound: Any = out.add_stream("aac", rate=48_000) if sound_from_s is not None else None
        for number, time_s in enumerate(times_s):
            luma = np.rot90(draw(number, *size), turned)
            out.mux(stream.encode(_picture(luma, round(time_s * clock), clock)))
        out.mux(stream.encode(None))
        if sound is not None and sound_from_s is not None:
            _write_noise(out, sound, sound_from_s, times_s[-1] - sound_from_s)
    return path


def write_planes(path: Path, lumas: Sequence[Luma]) -> Path:
    """Write a grey film at 30 pictures a second, nearly without loss."""
    with av.open(str(path), "w") as out:
        stream: Any = out.add_stream("libx264", rate=30)
        stream.height, stream.width = lumas[0].shape
        stream.pix_fmt, stream.options = "yuv420p", {"crf": "1"}
        for number, luma in enumerate(lumas):
            out.mux(stream.encode(_picture(luma, number, 30)))
        out.mux(stream.encode(None))
    return path


def turn_by_matrix(path: Path, quarter_turns: int) -> None:
    """Tell players to turn the picture clockwise, in the track header.

    ISO/IEC 14496-12, 8.3.2: the matrix {a, b, u, c, d, v, x, y, w} is 16.16 fixed point, and
    b = +1, c = -1 shows a picture turned clockwise by 90 degrees.
    """
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4
    matrix = at + (52 if data[at] == 1 else 40)
    one = 65536
    a, b = ((one, 0), (0, one), (-one, 0), (0, -one))[quarter_turns % 4]
    struct.pack_into(">iiiii", data, matrix, a, b, 0, -b, a)
    path.write_bytes(data)


def cut_head_by_edit_list(path: Path, cut_s: float) -> None:
    """Let the presentation of every track start `cut_s` later, in the edit lists.

    ISO/IEC 14496-12, 8.6.6: `media_time` is where in the track the presentation starts, in the
    track's own time scale.
    """
    data = bytearray(path.read_bytes())
    scales = [
        struct.unpack_from(">I", data, at + (24 if data[at + 4] == 1 else 16))[0]
        for at in _find_all(data, b"mdhd")
    ]
    for scale, at in zip(scales, _find_all(data, b"elst"), strict=True):
        assert data[at + 4] == 0
        (media_time,) = struct.unpack_from(">i", data, at + 16)
        struct.pack_into(">i", data, at + 16, media_time + round(cut_s * scale))
    path.write_bytes(data)


def _find_all(data: bytearray, name: bytes) -> list[int]:
    """Return where a box's name stands, all times."""
    places, at = [], data.find(name)
    while at >= 0:
        places.append(at)
        at = data.find(name, at + 4)
    return places


def _block(bit: int, width: int, height: int) -> tuple[int, int, int, int]:
    """Return top, bottom, left, right of a block, as shares of any size of picture."""
    row, column = divmod(bit, BITS // 2)
    across, down = 0.8 * width / (BITS // 2), 0.25 * height
    left, top = 0.1 * width + column * across, 0.25 * height + row * down
    return round(top), round(top + down), round(left), round(left + across)


def _picture(luma: Luma, pts: int, clock: int) -> Any:
    """Wrap a luma plane as a grey picture."""
    height, width = luma.shape
    picture = av.VideoFrame(width, height, "yuv420p")
    for plane, values in zip(picture.planes, (luma, None, None), strict=True):
        rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
        rows[:] = 128
        if values is not None:
            rows[:height, :width] = values
    picture.pts, picture.time_base = pts, Fraction(1, clock)
    picture.colorspace, picture.color_range = 1, 1
    return picture


def _write_noise(out: Any, stream: Any, from_s: float, length_s: float) -> None:
    """Write quiet noise from a moment on."""
    rng = np.random.default_rng(3)
    samples = rng.normal(0, 0.05, (1, round(length_s * 48_000))).astype(np.float32)
    block = av.AudioFrame.from_ndarray(samples, format="fltp", layout="mono")
    block.sample_rate, block.time_base = 48_000, Fraction(1, 48_000)
    block.pts = round(from_s * 48_000)
    out.mux(stream.encode(block))
    out.mux(stream.encode(None))
