"""Rounded corners: round, smooth, nothing else touched, in colour and over an image."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.picture.canvas import Canvas
from syncvid.picture.corners import corner_overlays
from syncvid.picture.pieces import Rect

TILE = Rect(20, 30, 120, 80)
INK, GROUND = (200, 90, 160), (30, 128, 128)


def rounded(radius: float, tile: Rect = TILE) -> Canvas:
    canvas = Canvas(160, 140)
    canvas.fill(Rect(0, 0, 160, 140), GROUND)
    canvas.fill(tile, INK)
    for overlay in corner_overlays(tile, radius, GROUND):
        canvas.blend(overlay)
    return canvas


@pytest.mark.parametrize("radius", [4, 11.3, 16, 40])
def test_what_is_cut_off_is_a_square_less_a_circle(radius: float) -> None:
    luma = rounded(radius).planes[0].astype(float)
    gone = ((INK[0] - luma) / (INK[0] - GROUND[0]))[30:110, 20:140].sum()
    assert gone == pytest.approx((4 - np.pi) * radius**2, rel=0.02)


def test_all_corners_are_alike_and_the_rest_is_untouched() -> None:
    for plane, value, scale in zip(rounded(16).planes, INK, (1, 2, 2), strict=True):
        tile = plane[30 // scale : 110 // scale, 20 // scale : 140 // scale]
        for other in (tile[::-1], tile[:, ::-1]):
            assert (tile == other).all()
        side = 16 // scale
        assert (tile[side:-side] == value).all()
        assert (tile[:, side:-side] == value).all()
        assert tile[0, 0] == GROUND[0 if scale == 1 else 1]


def test_edges_are_smooth() -> None:
    corner = rounded(16).planes[0][30:46, 20:36]
    between = (corner > GROUND[0] + 10) & (corner < INK[0] - 10)
    assert between.sum() >= 12


def test_over_an_image_the_image_shows_through(rng: np.random.Generator) -> None:
    shapes = ((140, 160), (70, 80), (70, 80))
    luma, u, v = (rng.integers(16, 235, shape).astype(np.uint8) for shape in shapes)
    canvas = Canvas(160, 140)
    canvas.put(Rect(0, 0, 160, 140), (luma, u, v))
    canvas.fill(TILE, INK)
    for overlay in corner_overlays(TILE, 20, (luma, u, v)):
        canvas.blend(overlay)
    for row, column in ((30, 20), (30, 139), (109, 20), (109, 139)):
        assert canvas.planes[0][row, column] == luma[row, column]
        assert canvas.planes[1][row // 2, column // 2] == u[row // 2, column // 2]


def test_no_radius_nothing_to_do_and_never_more_than_half() -> None:
    assert corner_overlays(TILE, 0, GROUND) == ()
    overlays = corner_overlays(Rect(0, 0, 40, 22), 500, GROUND)
    assert max(overlay.rect.height for overlay in overlays) <= 11
