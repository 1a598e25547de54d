"""Stills: colours by the equations of BT.709, files read by Pillow."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from syncvid.arrays import Planes
from syncvid.errors import MediaError
from syncvid.media.still_out import planes_to_rgb, write_still
from syncvid.picture.colour import to_yuv


def flat(yuv: tuple[int, int, int], height: int = 16, width: int = 32) -> Planes:
    shapes = ((height, width), (height // 2, width // 2), (height // 2, width // 2))
    y, u, v = (np.full(shape, value, np.uint8) for shape, value in zip(shapes, yuv, strict=True))
    return y, u, v


def by_the_equations(y: int, cb: int, cr: int) -> tuple[float, float, float]:
    """Return R, G, B, 0 to 255: BT.709-6, items 3.2 and 3.3 solved for the colours, in doubles."""
    luma, blue, red = (y - 16) / 219, (cb - 128) / 224, (cr - 128) / 224
    r, b = luma + 1.5748 * red, luma + 1.8556 * blue
    g = (luma - 0.2126 * r - 0.0722 * b) / 0.7152
    return tuple(255 * min(max(value, 0.0), 1.0) for value in (r, g, b))  # type: ignore[return-value]


@given(st.tuples(*[st.integers(0, 255)] * 3))
def test_flat_colours_are_those_of_the_equations(yuv: tuple[int, int, int]) -> None:
    rgb = planes_to_rgb(flat(yuv, 4, 4))
    assert np.abs(rgb - np.array(by_the_equations(*yuv))).max() <= 0.51


@pytest.mark.parametrize(
    "rgb", [(0, 0, 0), (255, 255, 255), (255, 0, 0), (0, 255, 0), (0, 0, 255), (163, 38, 29)]
)
def test_a_colour_comes_back_as_near_as_eight_bits_allow(rgb: tuple[int, int, int]) -> None:
    """Half a step of Y, Cb and Cr is worth up to 0.58 + 1.06 of 255 in blue."""
    back = planes_to_rgb(flat(to_yuv(rgb)))[8, 8]
    assert np.abs(back - np.array(rgb)).max() <= 1.7


def test_colours_that_change_lie_where_the_file_says() -> None:
    """A slope, sampled where H.264 (type 0) samples chroma, comes back as the slope."""
    height, width = 12, 32
    across, down = np.arange(width)[np.newaxis], np.arange(height)[:, np.newaxis]
    blue = 100 + across + 2 * down
    # Whole numbers at the places where chroma is sampled, so that nothing is rounded before RGB.
    sampled = (100 + across[:, ::2] + 2 * (down[::2] + 0.5)).astype(np.uint8)
    y, _, v = flat((126, 128, 128), height, width)
    rgb = planes_to_rgb((y, sampled, v))
    wanted = 255 * (110 / 219 + 1.8556 * (blue - 128) / 224)
    assert np.abs(rgb[..., 2] - wanted)[1:-1, :-1].max() <= 0.51


def noisy(rng: np.random.Generator) -> Planes:
    """Return a picture with detail in all planes, soft as pictures of cameras are."""

    def soft(height: int, width: int, low: float, high: float) -> NDArray[np.uint8]:
        waves = np.sin(np.arange(height)[:, np.newaxis] / 9 + rng.uniform(0, 6))
        waves = waves * np.cos(np.arange(width) / 7 + rng.uniform(0, 6))
        values = (low + high) / 2 + (high - low) / 2 * waves + rng.normal(0, 2, (height, width))
        return np.rint(values.clip(low, high)).astype(np.uint8)

    return soft(108, 192, 30, 220), soft(54, 96, 100, 160), soft(54, 96, 100, 160)


def test_a_png_is_the_picture_itself(tmp_path: Path, rng: np.random.Generator) -> None:
    planes = noisy(rng)
    write_still(planes, tmp_path / "still 100%d.png")
    with Image.open(tmp_path / "still 100%d.png") as image:
        assert image.format == "PNG"
        np.testing.assert_array_equal(np.asarray(image.convert("RGB")), planes_to_rgb(planes))
    assert [path.name for path in tmp_path.iterdir()] == ["still 100%d.png"]


def test_a_jpeg_has_the_right_colours(tmp_path: Path, rng: np.random.Generator) -> None:
    for yuv in ((63, 102, 240), (126, 60, 128), (200, 128, 90)):
        write_still(flat(yuv), tmp_path / "a.jpg")
        with Image.open(tmp_path / "a.jpg") as image:
            assert image.format == "JPEG"
            shown = np.asarray(image.convert("RGB")).astype(int)
        assert np.abs(shown - np.array(by_the_equations(*yuv))).max() <= 2
    planes = noisy(rng)
    write_still(planes, tmp_path / "b.JPEG")
    with Image.open(tmp_path / "b.JPEG") as image:
        difference = np.asarray(image.convert("RGB")).astype(float) - planes_to_rgb(planes)
    assert np.sqrt((difference**2).mean()) < 2.0  # over 42 dB: no loss that is seen


def test_swscale_sees_the_same_colours(rng: np.random.Generator) -> None:
    """FFmpeg's scaler as a second implementation; it rounds down, and places chroma elsewhere."""
    import av

    planes = noisy(rng)
    picture = av.VideoFrame.from_ndarray(
        np.concatenate([plane.reshape(-1) for plane in planes]).reshape(162, 192), "yuv420p"
    )
    picture.colorspace, picture.color_range = 1, 1
    theirs = picture.to_ndarray(format="rgb24").astype(float)
    difference = np.abs(theirs - planes_to_rgb(planes))
    assert np.percentile(difference, 50) <= 2
    assert np.abs((theirs - planes_to_rgb(planes)).mean(axis=(0, 1))).max() <= 1.5


def test_another_ending_is_refused(tmp_path: Path) -> None:
    with pytest.raises(MediaError, match=r"PNG or JPEG.*Write a\.png or a\.jpg"):
        write_still(flat((16, 128, 128)), tmp_path / "a.gif")


def test_a_still_that_cannot_be_written_leaves_the_old_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(b"old")

    def full(*names: object) -> None:
        raise OSError(errno.ENOSPC, "no space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(MediaError, match="disk is full"):
        write_still(flat((16, 128, 128)), path)
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]
