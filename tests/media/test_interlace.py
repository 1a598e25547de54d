"""Interlaced films: every picture is whole, shows its first field's moment, and keeps its time."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from syncvid.media.pictures import PictureFile
from syncvid.media.pictures.interlace import deinterlaced
from syncvid.media.probe import probe

WIDTH, HEIGHT = 320, 180
PICTURES = 40

# A bar that moves by this much from field to field, 50 fields a second.
STEP_PX, BAR_PX, FROM_PX = 3, 24, 12

NOISE_PX = 40

# AV_CODEC_FLAG_INTERLACED_DCT and AV_CODEC_FLAG_INTERLACED_ME of libavcodec.
INTERLACED_CODING = (1 << 18) | (1 << 29)


def field(number: int) -> np.ndarray:
    """Return a whole picture as the camera sees it at the moment of a field."""
    luma = np.full((HEIGHT, WIDTH), 40, np.uint8)
    left = FROM_PX + STEP_PX * number
    luma[:, left : left + BAR_PX] = 220
    # At the foot, what no neighbouring row foretells.
    luma[-NOISE_PX:] = np.random.default_rng(number).integers(40, 220, (NOISE_PX, WIDTH))
    return luma


def woven(first_row: int) -> Iterator[Any]:
    """Yield pictures of two fields each; `first_row` tells which rows are the earlier field."""
    for number in range(PICTURES):
        luma = field(2 * number)
        luma[1 - first_row :: 2] = field(2 * number + 1)[1 - first_row :: 2]
        grey = np.full((HEIGHT // 2, WIDTH), 128, np.uint8)
        picture = av.VideoFrame.from_ndarray(np.concatenate([luma, grey]), "yuv420p")
        picture.pts, picture.time_base = number, Fraction(1, 25)
        yield picture


def write_interlaced(path: Path, first_row: int) -> Path:
    """Write the woven pictures as interlaced H.264, the fields' order marked."""
    graph = av.filter.Graph()
    source = graph.add_buffer(
        width=WIDTH, height=HEIGHT, format="yuv420p", time_base=Fraction(1, 25)
    )
    marked, sink = graph.add("setfield", ("tff", "bff")[first_row]), graph.add("buffersink")
    source.link_to(marked)
    marked.link_to(sink)
    graph.configure()
    with av.open(str(path), "w") as out:
        stream: Any = out.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.options = {"crf": "4", "preset": "fast", "x264-params": "tff=1:keyint=8"}
        stream.codec_context.flags |= INTERLACED_CODING
        for picture in woven(first_row):
            graph.vpush(picture)
            out.mux(stream.encode(graph.vpull()))
        out.mux(stream.encode(None))
    return path


def edges(luma: np.ndarray) -> np.ndarray:
    """Return where the bar begins in each row."""
    return np.asarray((luma > 130).argmax(axis=1))


@pytest.mark.parametrize("first_row", [0, 1], ids=["top field first", "bottom field first"])
def test_a_picture_is_whole_and_of_the_moment_of_its_first_field(
    tmp_path: Path, first_row: int
) -> None:
    media = probe(write_interlaced(tmp_path / "film.mp4", first_row))
    assert media.video is not None
    assert media.video.is_interlaced
    pictures = PictureFile(media)
    for number in range(1, PICTURES):
        luma = pictures.planes_at((number + 0.5) / 25, WIDTH, HEIGHT)[0]
        found = edges(luma[4 : -NOISE_PX - 4])
        # A comb would spread by a field's step.
        assert np.ptp(found) <= 1
        assert np.median(found) == pytest.approx(FROM_PX + STEP_PX * 2 * number, abs=1)
    pictures.close()


def test_a_picture_is_the_same_whether_sought_or_read_on_to(tmp_path: Path) -> None:
    media = probe(write_interlaced(tmp_path / "film.mp4", 0))
    onwards = PictureFile(media)
    for number in range(PICTURES):
        expected = onwards.planes_at((number + 0.5) / 25, 160, 90)[0]
        sought = PictureFile(media)
        assert np.array_equal(sought.planes_at((number + 0.5) / 25, 160, 90)[0], expected)
        sought.close()
    onwards.close()


def test_progressive_pictures_pass_untouched() -> None:
    pictures = list(woven(0))
    assert all(a is b for a, b in zip(pictures, deinterlaced(iter(pictures)), strict=True))
