"""Colours through the whole chain: clips in, video out, read back by another program."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile
from PIL import Image

from syncvid.cli import main
from tests.colour_patches import System, Values, read_patches, to_ycbcr, write_patches
from tests.media.test_hdr import COLOURS, HLG, LIGHT, PQ, WHITE, method_c

pytestmark = pytest.mark.slow

GREYS = np.repeat(np.linspace(0, 1, 16)[:, np.newaxis], 3, axis=1)
SDR = np.concatenate([GREYS, np.clip(COLOURS * 1.1, 0, 1)])

SYSTEMS = {
    "PAL": System(matrix=5, primaries=5, transfer=6),
    "NTSC": System(matrix=6, primaries=6, transfer=6),
    "601 full": System(matrix=6, primaries=6, transfer=6, full=True),
    "untagged": System(matrix=6, primaries=2, transfer=2, tagged_matrix=2),
    "709": System(),
    "709 full": System(full=True),
    "709 deep": System("yuv420p10le"),
    "709 deep full": System("yuv420p10le", full=True),
    "422": System("yuv422p"),
    "444": System("yuv444p"),
    "HEVC": System("yuv420p10le", codec="libx265"),
    "HLG": System("yuv420p10le", matrix=9, primaries=9, transfer=HLG, codec="libx265"),
    "PQ": System("yuv420p10le", matrix=9, primaries=9, transfer=PQ, codec="libx265"),
    "HLG grey": System("yuv420p10le", matrix=9, primaries=9, transfer=HLG),
    "PQ grey": System("yuv420p10le", matrix=9, primaries=9, transfer=PQ),
    "photo": System("rgb24"),
}

PLAN = """format = "syncvid.production/1"
mix = "mix.wav"
[picture]
size = "{size}"
background = "{ground}"
names = false
equal_heads = 0.0
gap = 0.0
"""


def patches_of(name: str) -> Values:
    """Return the R'G'B' signals of a clip: up to diffuse white, or all greys."""
    system = SYSTEMS[name]
    if system.transfer not in WHITE:
        return SDR
    if name.endswith("grey"):
        return np.repeat(np.linspace(0, 1, 32)[:, np.newaxis], 3, axis=1)
    return np.concatenate([GREYS, COLOURS]) * WHITE[system.transfer]


def expected(name: str) -> Values:
    """Return the levels that the formulas of the standards give."""
    light = LIGHT.get(SYSTEMS[name].transfer)
    patches = patches_of(name)
    return to_ycbcr(method_c(light(patches)) if light else patches, 1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a production of clips of flat patches, each two wide and one high."""
    folder = tmp_path_factory.mktemp("colours")
    for name, system in SYSTEMS.items():
        if system.pixels == "rgb24":
            grid = np.rint(255 * patches_of(name)).astype(np.uint8).reshape(4, 8, 3)
            image = Image.fromarray(grid).resize((384, 192), Image.Resampling.NEAREST)
            image.save(folder / f"{name}.png")
        else:
            write_patches(folder / f"{name}.mkv", patches_of(name), system)
    soundfile.write(folder / "mix.wav", np.zeros((14_400, 2)), 48_000)
    return folder


def render(folder: Path, size: tuple[int, int], ground: str) -> dict[str, Values]:
    """Render, and return the levels of the patches of each clip as another program reads them."""
    plan = PLAN.format(size=f"{size[0]}x{size[1]}", ground=ground)
    for name in SYSTEMS:
        ending = "png" if name == "photo" else "mkv"
        plan += f'[[parts]]\nname = "{name}"\n[[parts.takes]]\nfile = "{name}.{ending}"\n'
        plan += "offset_s = 0.0\n"
    (folder / "production.toml").write_text(plan)
    out, report = folder / "out.mp4", folder / "report.json"
    command = ["render", folder, "--for", "archive", "-o", out, "--report", report]
    with pytest.raises(SystemExit) as ended:
        main([str(word) for word in command])
    assert not ended.value.code
    exe = shutil.which("ffmpeg") or imageio_ffmpeg.get_ffmpeg_exe()
    reading = [exe, "-v", "error", "-i", str(out), "-frames:v", "1", "-f", "rawvideo"]
    raw = subprocess.run([*reading, "-pix_fmt", "yuv420p", "-"], check=True, capture_output=True)
    pixels = size[0] * size[1]
    planes = np.split(np.frombuffer(raw.stdout, np.uint8), [pixels, pixels + pixels // 4])
    found = {}
    for tile in json.loads(report.read_text())["tiles"]:
        x, y, w, h = (tile[key] for key in "xywh")
        luma = planes[0].reshape(size[1], size[0])[y : y + h, x : x + w]
        u, v = (
            plane.reshape(size[1] // 2, -1)[y // 2 : (y + h) // 2, x // 2 : (x + w) // 2]
            for plane in planes[1:]
        )
        found[tile["part"]] = read_patches((luma, u, v), 32)
    return found


@pytest.fixture(scope="module")
def whole(folder: Path) -> dict[str, Values]:
    """Every clip at its own size."""
    return render(folder, (1536, 768), "#000000")


@pytest.fixture(scope="module")
def kept(folder: Path) -> dict[str, Values]:
    """Every clip at half its size, from the tile cache."""
    render(folder, (768, 384), "#000000")
    return render(folder, (768, 384), "#202020")


@pytest.mark.parametrize("name", [n for n, s in SYSTEMS.items() if s.transfer not in WHITE])
def test_ordinary_colours_arrive(
    whole: dict[str, Values], kept: dict[str, Values], name: str
) -> None:
    for found in (whole, kept):
        assert np.abs(found[name] - expected(name)).max() <= 2.0


@pytest.mark.parametrize("name", ["HLG", "PQ"])
def test_colours_of_hdr_arrive_where_the_report_puts_them(
    whole: dict[str, Values], kept: dict[str, Values], name: str
) -> None:
    for found in (whole, kept):
        assert np.abs(found[name] - expected(name)).max() <= 3.0
        # BT.2446-1, 6.1.4: reference white is put at 96 % of the signal: 16 + 0.96 * 219.
        assert found[name][15] == pytest.approx([226.2, 128, 128], abs=3)


@pytest.mark.parametrize("name", ["HLG grey", "PQ grey"])
def test_greys_of_hdr_keep_their_order(
    whole: dict[str, Values], kept: dict[str, Values], name: str
) -> None:
    for found in (whole, kept):
        assert np.all(np.diff(found[name][:, 0]) > -0.5)
        assert found[name][-1, 0] == pytest.approx(235, abs=2)
