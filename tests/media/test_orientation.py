"""All eight ways in which a stored picture can be meant, judged by marks and by another reader."""

from __future__ import annotations

import shutil
import struct
import subprocess
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest

from syncvid.media.pictures import PictureFile
from syncvid.media.probe import probe
from tests.coded_pictures import write_planes

# The four parts of the stored picture, by rows: grey values that stay apart after coding.
QUARTERS = ((40, 90), (150, 210))

# ISO/IEC 14496-12, 8.3.2: point (p, q) is shown at (a p + c q, b p + d q), q running down.
# What the quarters are then, worked out by hand: first row, second row.
MATRICES = {
    "upright": ((1, 0, 0, 1), ((40, 90), (150, 210))),
    "a quarter clockwise": ((0, 1, -1, 0), ((150, 40), (210, 90))),
    "upside down": ((-1, 0, 0, -1), ((210, 150), (90, 40))),
    "a quarter back": ((0, -1, 1, 0), ((90, 210), (40, 150))),
    "left for right": ((-1, 0, 0, 1), ((90, 40), (210, 150))),
    "top for bottom": ((1, 0, 0, -1), ((150, 210), (40, 90))),
    "rows for columns": ((0, 1, 1, 0), ((40, 150), (90, 210))),
    "rows for columns, upside down": ((0, -1, -1, 0), ((210, 90), (150, 40))),
}


def write_quarters(path: Path, matrix: tuple[int, int, int, int]) -> Path:
    """Write a film of 192 by 108 whose quarters differ, with a matrix in its track header."""
    luma = np.kron(np.array(QUARTERS, np.uint8), np.ones((54, 96), np.uint8))
    write_planes(path, [luma] * 3)
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4
    a, b, c, d = (65536 * number for number in matrix)
    struct.pack_into(">5i", data, at + (52 if data[at] == 1 else 40), a, b, 0, c, d)
    path.write_bytes(data)
    return path


def quarters(luma: np.ndarray) -> np.ndarray:
    """Return the mean of the middle of each quarter of a picture."""
    high, wide = luma.shape[0] // 2, luma.shape[1] // 2
    corners = [(row, column) for row in (0, high) for column in (0, wide)]
    inner = slice(high // 4, -(high // 4)), slice(wide // 4, -(wide // 4))
    means = [luma[y : y + high, x : x + wide][inner].mean() for y, x in corners]
    return np.array(means).reshape(2, 2)


@pytest.mark.parametrize("name", MATRICES)
def test_a_picture_is_shown_as_its_matrix_says(tmp_path: Path, name: str) -> None:
    matrix, expected = MATRICES[name]
    media = probe(write_quarters(tmp_path / "film.mp4", matrix))
    sideways = matrix[0] == 0
    assert media.video is not None
    assert (media.video.width, media.video.height) == ((108, 192) if sideways else (192, 108))
    pictures = PictureFile(media)
    luma, u, _ = pictures.planes_at(0.0, media.video.width, media.video.height)
    assert u.shape == (luma.shape[0] // 2, luma.shape[1] // 2)
    assert quarters(luma) == pytest.approx(np.array(expected), abs=4)
    # Not only as a whole, but also in a tile of another shape.
    assert quarters(pictures.planes_at(0.0, 64, 64)[0]) == pytest.approx(np.array(expected), abs=4)
    pictures.close()


@pytest.mark.parametrize("name", MATRICES)
def test_another_reader_sees_the_same(tmp_path: Path, name: str) -> None:
    """The autorotation of the system's ffmpeg, or of imageio-ffmpeg's where there is none."""
    matrix, expected = MATRICES[name]
    film = write_quarters(tmp_path / "film.mp4", matrix)
    wide, high = (108, 192) if matrix[0] == 0 else (192, 108)
    exe = shutil.which("ffmpeg") or imageio_ffmpeg.get_ffmpeg_exe()
    command = [exe, "-v", "error", "-i", str(film), "-frames:v", "1"]
    command += ["-f", "rawvideo", "-pix_fmt", "gray", "-vf", "format=yuv420p,extractplanes=y", "-"]
    raw = subprocess.run(command, check=True, capture_output=True).stdout
    luma = np.frombuffer(raw, np.uint8).reshape(high, wide)
    assert quarters(luma) == pytest.approx(np.array(expected), abs=4)
