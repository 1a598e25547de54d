"""A background image covers the picture, upright, in its own colours, dimmed as asked."""

from __future__ import annotations

import numpy as np
from PIL import Image

from syncvid.picture.colour import to_yuv
from syncvid.picture.ground import ground_planes

RED, BLUE = (255, 0, 0), (0, 0, 255)


def halves(width: int = 400, height: int = 100) -> Image.Image:
    """Return an image, red at the left, blue at the right."""
    image = Image.new("RGB", (width, height), RED)
    image.paste(BLUE, (width // 2, 0, width, height))
    return image


def colour_at(planes: tuple[np.ndarray, ...], x: int, y: int) -> tuple[int, ...]:
    luma, u, v = planes
    return int(luma[y, x]), int(u[y // 2, x // 2]), int(v[y // 2, x // 2])


def test_it_covers_the_picture_and_keeps_the_focus() -> None:
    planes = ground_planes(halves(), (64, 64))
    assert [plane.shape for plane in planes] == [(64, 64), (32, 32), (32, 32)]
    assert colour_at(planes, 4, 4) == to_yuv(RED)
    assert colour_at(planes, 60, 60) == to_yuv(BLUE)
    right = ground_planes(halves(), (64, 64), focus=(1.0, 0.5))
    assert colour_at(right, 2, 60) == to_yuv(BLUE)


def test_it_is_turned_as_the_camera_was_held() -> None:
    image = halves(100, 100)
    exif = Image.Exif()
    exif[0x0112] = 6  # EXIF 2.32, Orientation: to be turned clockwise by 90 degrees
    image.info["exif"] = exif.tobytes()
    planes = ground_planes(image, (64, 64))
    assert colour_at(planes, 32, 4) == to_yuv(RED)
    assert colour_at(planes, 32, 60) == to_yuv(BLUE)


def test_it_can_be_dimmed_towards_a_colour() -> None:
    white = np.full((20, 20, 3), 255, np.uint8)
    assert colour_at(ground_planes(white, (16, 16), dim=0.5), 8, 8) == to_yuv((127, 127, 127))
    full = ground_planes(white, (16, 16), dim=1.0, towards="#12100e")
    assert colour_at(full, 8, 8) == to_yuv((0x12, 0x10, 0x0E))


def test_other_kinds_of_images() -> None:
    clear = Image.new("RGBA", (20, 20), (255, 255, 255, 0))
    ink = ground_planes(clear, (16, 16), towards="#0000ff")
    assert colour_at(ink, 8, 8) == to_yuv(BLUE)
    deep = Image.fromarray(np.full((20, 20), 0x8080, np.uint16))
    assert colour_at(ground_planes(deep, (16, 16)), 8, 8) == to_yuv((128, 128, 128))
    few = halves(20, 20).convert("P", palette=Image.Palette.ADAPTIVE)
    assert colour_at(ground_planes(few, (16, 16)), 1, 8) == to_yuv(RED)
