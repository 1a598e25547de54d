"""HLG and PQ recordings are brought down to SDR as method C of Report ITU-R BT.2446-1 says.

The reference below follows the Report step by step, mixing and undoing included, up to HDR
reference white; above it the Report's curve passes 100 % and ours must only be a good one.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from syncvid.media.pictures import PictureFile
from syncvid.media.pictures.tonemap import Colours, to_bt709, tone
from syncvid.media.probe import probe
from tests.colour_patches import System, Values, as_stored, read_patches, to_ycbcr, write_patches

PQ, HLG, UNKNOWN = 16, 18, 2
WIDE = System("yuv420p10le", matrix=9, primaries=9)

# Levels of 8 bit: the figure that the tool promises for HDR.
TOLERANCE = 3.0

# Recommendation ITU-R BT.2087-0, table 1: RGB of BT.2020 to XYZ; its second row is luminance.
TO_XYZ = np.array(
    [(0.636958, 0.144617, 0.168881), (0.262700, 0.677998, 0.059302), (0.0, 0.028073, 1.060985)]
)
# Recommendation ITU-R BT.709-6 in XYZ (SMPTE RP 177).
XYZ_TO_709 = np.array(
    [
        (3.240970, -1.537383, -0.498611),
        (-0.969244, 1.875968, 0.041555),
        (0.055630, -0.203977, 1.056972),
    ]
)
# The Report leaves the share of mixing open, from 0 to 0.33; only saturated colours depend on it.
MIXING = 0.165


def hlg_light(signal: Values) -> Values:
    """Return cd/m2 of a display of 1000 cd/m2 (BT.2100-2, table 5)."""
    a, b, c = 0.17883277, 0.28466892, 0.55991073
    scene = np.where(signal <= 0.5, signal**2 / 3, (np.exp((signal - c) / a) + b) / 12)
    return 1000 * (scene @ TO_XYZ[1])[:, np.newaxis] ** 0.2 * scene


def pq_light(signal: Values) -> Values:
    """Return cd/m2 (BT.2100-2, table 4)."""
    power = signal ** (1 / 78.84375)
    share = np.maximum(power - 0.8359375, 0) / (18.8515625 - 18.6875 * power)
    return np.asarray(10_000 * share ** (1 / 0.1593017578125))


def method_c(light: Values) -> Values:
    """Return R'G'B' of BT.709 by the Report's sections 6.1.2 to 6.1.7, negative light cut off."""
    mixing = np.full((3, 3), MIXING) + (1 - 3 * MIXING) * np.eye(3)
    xyz = light @ mixing.T @ TO_XYZ.T
    total = np.maximum(xyz.sum(axis=1), 1e-12)
    x, y, luminance = xyz[:, 0] / total, xyz[:, 1] / total, xyz[:, 1]
    bend = 58.5 / 0.83802
    with np.errstate(invalid="ignore"):
        log = 15.09968 * np.log(luminance / bend - 0.74204) + 78.99439
    toned = np.where(luminance < bend, 0.83802 * luminance, log)
    y = np.maximum(y, 1e-12)
    xyz = np.stack([x / y * toned, toned, (1 - x - y) / y * toned], axis=1)
    sdr = xyz @ np.linalg.inv(TO_XYZ).T @ np.linalg.inv(mixing).T / 100
    return np.asarray(np.clip(sdr @ TO_XYZ.T @ XYZ_TO_709.T, 0, 1) ** (1 / 2.4))


LIGHT = {HLG: hlg_light, PQ: pq_light}
WHITE = {HLG: 0.75, PQ: 0.58069}

# A grey ramp to reference white, and colours that stay below it: the primaries and mixtures of
# BT.2020, skin of several kinds, cloth, wood, grass.
GREYS = np.repeat(np.linspace(0, 1, 16)[:, np.newaxis], 3, axis=1)
COLOURS = np.array(
    [
        *((0.6, 0, 0), (0, 0.6, 0), (0, 0, 0.6), (0, 0.6, 0.6), (0.6, 0, 0.6), (0.6, 0.6, 0)),
        *((0.72, 0.62, 0.58), (0.45, 0.33, 0.27), (0.9, 0.85, 0.8), (0.3, 0.3, 0.5)),
        *((0.5, 0.35, 0.2), (0.35, 0.5, 0.25), (0.1, 0.1, 0.12), (0.65, 0.3, 0.3)),
        *((0.3, 0.6, 0.6), (0.9, 0.9, 0.6)),
    ]
)
PATCHES = np.concatenate([GREYS, COLOURS])


def shown(path: Path, count: int, size: tuple[int, int] = (192, 96)) -> Values:
    """Return what a tile shows of the patches."""
    media = probe(path)
    assert media.video is not None
    assert media.video.is_hdr
    pictures = PictureFile(media)
    try:
        return read_patches(pictures.planes_at(0.0, *size), count)
    finally:
        pictures.close()


@pytest.mark.parametrize("transfer", [HLG, PQ], ids=["HLG", "PQ"])
@pytest.mark.parametrize("codec", ["ffv1", "libx265"])
def test_patches_up_to_reference_white_are_where_the_report_puts_them(
    tmp_path: Path, transfer: int, codec: str
) -> None:
    patches = PATCHES * WHITE[transfer]
    system = System("yuv420p10le", matrix=9, primaries=9, transfer=transfer, codec=codec)
    film = write_patches(tmp_path / "film.mkv", patches, system)
    expected = to_ycbcr(method_c(LIGHT[transfer](patches)), 1)
    assert np.abs(shown(film, len(patches)) - expected).max() <= TOLERANCE


@pytest.mark.parametrize(("transfer", "signal"), [(HLG, 0.75), (PQ, 0.58069)], ids=["HLG", "PQ"])
def test_diffuse_white_lies_at_96_percent(tmp_path: Path, transfer: int, signal: float) -> None:
    # BT.2446-1, 6.1.4: reference white is put at 96 % of the signal: 16 + 0.96 * 219 = 226.2.
    patches = np.full((8, 3), signal)
    system = System("yuv420p10le", matrix=9, primaries=9, transfer=transfer)
    found = shown(write_patches(tmp_path / "film.mkv", patches, system), 8, (192, 24))
    assert found == pytest.approx(np.array([(226.2, 128, 128)] * 8), abs=1)


@pytest.mark.parametrize("transfer", [HLG, PQ], ids=["HLG", "PQ"])
def test_the_order_of_greys_is_kept_up_to_the_brightest(tmp_path: Path, transfer: int) -> None:
    steps = np.linspace(0, 1, 64)
    system = System("yuv420p10le", matrix=9, primaries=9, transfer=transfer)
    film = write_patches(tmp_path / "film.mkv", np.repeat(steps[:, np.newaxis], 3, axis=1), system)
    found = shown(film, 64, (192, 192))
    assert np.all(np.diff(found[:, 0]) >= 0)
    assert found[0, 0] == pytest.approx(16, abs=1)
    assert found[-1, 0] == pytest.approx(235, abs=1)
    # Below reference white no step is lost; above, 8 bit leaves less than half of the steps.
    below = steps <= WHITE[transfer]
    assert np.all(np.diff(found[below, 0]) >= 1)
    assert np.abs(found[:, 1:] - 128).max() <= 1


STORED_OTHERWISE = {
    "full range": System("yuv420p10le", matrix=9, primaries=9, full=True),
    "8 bit": System("yuv420p", matrix=9, primaries=9),
    "no primaries": System("yuv420p10le", matrix=9, primaries=UNKNOWN),
    "no matrix": System("yuv420p10le", matrix=9, primaries=9, tagged_matrix=UNKNOWN),
    "4:2:2": System("yuv422p10le", matrix=9, primaries=9),
    "12 bit": System("yuv420p12le", matrix=9, primaries=9),
    "matrix of BT.709": System("yuv420p10le", matrix=1, primaries=9),
}


# Nobody records PQ with 8 bit: it would step by 3 % of luminance.
STORED = [(name, transfer) for name in STORED_OTHERWISE for transfer in (HLG, PQ)]
STORED.remove(("8 bit", PQ))


@pytest.mark.parametrize(("name", "transfer"), STORED)
def test_however_it_is_stored(tmp_path: Path, name: str, transfer: int) -> None:
    how = STORED_OTHERWISE[name]
    system = System(
        how.pixels, how.matrix, how.primaries, transfer, how.full, tagged_matrix=how.tagged_matrix
    )
    patches = PATCHES[8:] * WHITE[transfer]
    film = write_patches(tmp_path / "film.mkv", patches, system)
    expected = to_ycbcr(method_c(LIGHT[transfer](as_stored(patches, system))), 1)
    assert np.abs(shown(film, len(patches), (192, 72)) - expected).max() <= TOLERANCE


@pytest.mark.parametrize("peak", [1_000.0, 10_000.0], ids=["HLG", "PQ"])
def test_the_curve_is_smooth_and_rises_everywhere(peak: float) -> None:
    luminance = np.arange(0, peak + 0.5, 0.5)
    toned = tone(luminance, peak)
    slope = np.diff(toned) / np.diff(luminance)
    assert np.all(slope > 0)
    assert toned[0] == 0
    assert toned[-1] == pytest.approx(100, abs=1e-9)
    # The slope does not leap, nor grow, but for the rounding of the Report's constants at its bend.
    assert np.abs(np.diff(slope)).max() < 0.03
    assert np.diff(slope).max() < 1e-3
    # Below reference white it is the Report's, whose curve meets ours there.
    assert tone(np.array([203.0]), peak)[0] == pytest.approx(90.66, abs=0.01)


def test_published_values_of_the_two_systems() -> None:
    """`VD11`: PQ of 100, 203 and 1000 cd/m2; `VD12`: HLG 0.75 is 203.15 cd/m2 (BT.2408)."""
    for signal, luminance in ((0.50808, 100), (0.58069, 203), (0.75183, 1000)):
        grey = to_bt709(np.full((1, 3), signal), Colours(PQ, 9))[0, 0]
        assert grey**2.4 * 100 == pytest.approx(tone(np.array([luminance]), 10_000)[0], rel=1e-3)
    grey = to_bt709(np.full((1, 3), 0.75), Colours(HLG, 9))[0, 0]
    assert grey**2.4 * 100 == pytest.approx(tone(np.array([203.15]), 1_000)[0], rel=1e-3)


def test_bright_colours_keep_their_hue() -> None:
    """An orange light grows brighter and paler, but never yellow nor red; nor does it turn dark."""
    steps = np.linspace(0.4, 1.0, 61)[:, np.newaxis]
    shades = to_bt709(steps * np.array([1.0, 0.75, 0.3]), Colours(HLG, 9))
    red, green, blue = shades.T
    assert np.all(red >= green)
    assert np.all(green >= blue)
    assert np.all(np.diff(red) > -1e-9)
    luma = shades @ [0.2126, 0.7152, 0.0722]
    assert np.all(np.diff(luma) > -1e-3)
    # Halfway between red and yellow it stays; channels cut off one by one would end at yellow.
    assert np.all((green - blue) / (red - blue) < 0.9)


# Of a width that is no multiple of 8, with nothing that is a number in the memory that was freed.
ODD_WIDTH = """
import av
import numpy as np
from av.video.reformatter import VideoReformatter
from syncvid.media.pictures.tables import DEEP_RGB, convert
from syncvid.media.pictures.tonemap import Colours

source, reformatter = av.VideoFrame(640, 360, "yuv420p10le"), VideoReformatter()
for plane in source.planes:
    np.frombuffer(plane, np.uint16)[:] = 500
for _ in range(3):
    deep = reformatter.reformat(source, width=244, height=178, format=DEEP_RGB)
    freed = [np.full(2000 * size, np.nan, np.float32) for size in range(1, 60)]
    del freed
    converted = convert(deep, Colours(18, 9))
    assert (converted.width, converted.height) == (244, 178)
"""


def test_any_width_can_be_converted() -> None:
    """FFmpeg's table took the process down at widths that its vectors do not divide."""
    subprocess.run([sys.executable, "-c", ODD_WIDTH], check=True)
