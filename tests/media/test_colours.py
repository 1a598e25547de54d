"""Colours of SDR recordings arrive as those of BT.709, limited range, whatever they came in."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from syncvid.media.pictures import PictureFile
from syncvid.media.probe import probe
from tests.colour_patches import System, Values, read_patches, to_ycbcr, write_patches

# Levels of 8 bit: one of rounding in the source, one in the result.
TOLERANCE = 2.0

GREYS = np.repeat(np.linspace(0, 1, 8)[:, np.newaxis], 3, axis=1)
CORNERS = np.array(
    [
        (1, 0, 0),
        (0, 1, 0),
        (0, 0, 1),
        (0, 1, 1),
        (1, 0, 1),
        (1, 1, 0),
        (0.8, 0.6, 0.5),
        (0.2, 0.3, 0.4),
    ]
)
PATCHES = np.concatenate([GREYS, CORNERS])

SYSTEMS = {
    "BT.601, 625 lines": System(matrix=5, primaries=5, transfer=6),
    "BT.601, 525 lines": System(matrix=6, primaries=6, transfer=6),
    "BT.601, full range": System(matrix=6, primaries=6, transfer=6, full=True),
    "BT.709": System(),
    "BT.709, full range": System(full=True),
    "BT.709, 10 bit": System("yuv420p10le"),
    "BT.709, 10 bit, full range": System("yuv420p10le", full=True),
    "BT.709, 4:2:2": System("yuv422p"),
    "BT.709, 4:2:2, 10 bit": System("yuv422p10le"),
    "BT.709, 4:4:4": System("yuv444p"),
    "BT.601, 4:4:4, full range": System("yuv444p", matrix=6, full=True),
    "RGB": System("gbrp", codec="ffvhuff"),
    "RGB, 10 bit": System("gbrp10le"),
    "H.265, 10 bit": System("yuv420p10le", codec="libx265"),
}


def shown(path: Path, count: int, size: tuple[int, int]) -> Values:
    """Return what a tile shows of the patches."""
    pictures = PictureFile(probe(path))
    try:
        return read_patches(pictures.planes_at(0.0, *size), count)
    finally:
        pictures.close()


@pytest.mark.parametrize("name", SYSTEMS)
@pytest.mark.parametrize("size", [(192, 48), (384, 96), (500, 126)], ids=["half", "as is", "more"])
def test_patches_arrive_as_bt709(tmp_path: Path, name: str, size: tuple[int, int]) -> None:
    ending = "avi" if SYSTEMS[name].codec == "ffvhuff" else "mkv"
    film = write_patches(tmp_path / f"film.{ending}", PATCHES, SYSTEMS[name])
    expected = to_ycbcr(PATCHES, 1)
    assert np.abs(shown(film, len(PATCHES), size) - expected).max() <= TOLERANCE


def test_wide_gamut_sdr_arrives_as_bt709(tmp_path: Path) -> None:
    """BT.2020 without HDR: the light of the display is converted, then cut off at BT.709.

    Report ITU-R BT.2407-0, annex 2 (the linear matrix, and what is negative cut off), for a display
    with the gamma of BT.1886; the matrix to four digits as in BT.2087-0 and its inverse.
    """
    patches = np.concatenate([GREYS, 0.25 + 0.5 * CORNERS])
    light = (
        patches**2.4
        @ np.array(
            [(1.6605, -0.5876, -0.0728), (-0.1246, 1.1329, -0.0083), (-0.0182, -0.1006, 1.1187)]
        ).T
    )
    assert light.max() < 1.01
    expected = to_ycbcr(np.clip(light, 0, 1) ** (1 / 2.4), 1)
    for number, transfer in enumerate((14, 15, 1)):
        system = System("yuv420p10le", matrix=9, primaries=9, transfer=transfer)
        film = write_patches(tmp_path / f"film{number}.mkv", patches, system)
        assert np.abs(shown(film, len(patches), (192, 48)) - expected).max() <= TOLERANCE
