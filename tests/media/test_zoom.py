"""Far zooms are cut out of the picture before it is scaled: they show what the whole would."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import av
import numpy as np
import pytest

from syncvid.media.orientation import Orientation
from syncvid.media.pictures.crop import Crop
from syncvid.media.pictures.scaling import Scaler
from syncvid.media.probe import VideoInfo

WIDE, HIGH = 640, 360
TILE = (192, 108)


def info(orientation: Orientation, width: int, height: int) -> VideoInfo:
    """Describe pictures that are stored in some orientation."""
    return VideoInfo(
        index=0,
        width=width,
        height=height,
        coded_width=width,
        coded_height=height,
        rotation=90 * orientation.turns,
        first_s=0.0,
        end_s=1.0,
        rate=Fraction(30),
        is_hdr=False,
        mirrored=orientation.mirrored,
    )


def stored(planes: list[np.ndarray], orientation: Orientation) -> Any:
    """Return upright planes as a picture that has to be turned by an orientation."""
    turned = [np.rot90(plane, -orientation.turns) for plane in planes]
    if orientation.mirrored:
        turned = [plane[:, ::-1] for plane in turned]
    height, width = turned[0].shape
    picture = av.VideoFrame(width, height, "yuv420p")
    for plane, values in zip(picture.planes, turned, strict=True):
        rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
        rows[: values.shape[0], : values.shape[1]] = values
    picture.colorspace, picture.color_range, picture.pts = 1, 1, 0
    return picture


def spot(at: tuple[int, int], half: int, size: tuple[int, int], low: int, high: int) -> np.ndarray:
    """Return a plane with a square spot."""
    plane = np.full((size[1], size[0]), low, np.uint8)
    plane[at[1] - half : at[1] + half, at[0] - half : at[0] + half] = high
    return plane


def middle(plane: np.ndarray, low: int) -> tuple[float, float]:
    """Return the centre of what is above the ground of a plane."""
    weight = plane.astype(float) - low
    rows, columns = np.mgrid[0 : plane.shape[0], 0 : plane.shape[1]] + 0.5
    return (columns * weight).sum() / weight.sum(), (rows * weight).sum() / weight.sum()


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("zoom", [2.0, 3.0, 5.0, 8.0, 20.0])
def test_the_focus_lies_in_the_middle(turns: int, mirrored: bool, zoom: float) -> None:
    orientation = Orientation(turns, mirrored)
    at = (400, 250)
    half = max(2, round(WIDE / zoom / 10) // 2 * 2)
    planes = [
        spot(at, half, (WIDE, HIGH), 16, 235),
        spot((at[0] // 2, at[1] // 2), half // 2, (WIDE // 2, HIGH // 2), 128, 240),
        np.full((HIGH // 2, WIDE // 2), 128, np.uint8),
    ]
    scaler = Scaler(info(orientation, WIDE, HIGH), fast=False)
    crop = Crop(*TILE, (at[0] / WIDE, at[1] / HIGH), zoom)
    luma, u, v = scaler.planes(stored(planes, orientation), crop)
    assert (luma.shape, u.shape) == ((108, 192), (54, 96))
    # Two roundings to even pixels, each by one at most.
    assert middle(luma, 16) == pytest.approx((96, 54), abs=2.1)
    assert middle(u, 128) == pytest.approx((48, 27), abs=1.6)
    assert np.ptp(v) == 0
    # The spot has the size that the zoom gives it.
    side = (luma > 125).sum() ** 0.5
    assert side == pytest.approx(2 * half * zoom * TILE[0] / WIDE, rel=0.06, abs=1.0)


@pytest.mark.parametrize("focus", [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)])
def test_a_far_zoom_ends_at_the_edge(focus: tuple[float, float]) -> None:
    rows, columns = np.mgrid[0:HIGH, 0:WIDE]
    luma = (40 + 150 * columns / WIDE + 40 * rows / HIGH).astype(np.uint8)
    grey = np.full((HIGH // 2, WIDE // 2), 128, np.uint8)
    scaler = Scaler(info(Orientation(), WIDE, HIGH), fast=False)
    found = scaler.planes(stored([luma, grey, grey], Orientation()), Crop(*TILE, focus, 8.0))[0]
    corner = found[-1 if focus[1] else 0, -1 if focus[0] else 0]
    assert corner == pytest.approx(40 + 150 * focus[0] + 40 * focus[1], abs=2)


def test_an_untagged_large_picture_stays_one_of_bt709() -> None:
    """What is cut out is small, but the picture is not: red of BT.709-6 is (63, 102, 240)."""
    planes = [
        np.full((720, 1280), 63, np.uint8),
        np.full((360, 640), 102, np.uint8),
        np.full((360, 640), 240, np.uint8),
    ]
    picture = stored(planes, Orientation())
    picture.colorspace = 2
    scaler = Scaler(info(Orientation(), 1280, 720), fast=False)
    found = scaler.planes(picture, Crop(*TILE, (0.4, 0.4), 6.0))
    assert [plane.mean() for plane in found] == pytest.approx([63, 102, 240], abs=1)
