"""What is no ordinary film: photos, sound alone, films without sound, two takes in one file."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile
from PIL import Image

from syncvid.cli import main
from tests.coded_pictures import draw, read, write_film

MIX_S = 2.0

PLAN = """format = "syncvid.production/1"
mix = "mix.wav"
[picture]
size = "960x360"
names = false
equal_heads = 0.0
"""


def run(*words: str | Path) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(word) for word in words])
    return int(ended.value.code or 0)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Films of 30 pictures a second whose numbers are those of their pictures, and others."""
    rng = np.random.default_rng(2)
    write_film(tmp_path / "silent.mp4", [n / 30 for n in range(90)])
    write_film(tmp_path / "long.mp4", [n / 30 for n in range(240)], sound_from_s=0.0)
    Image.fromarray(draw(999)).save(tmp_path / "photo.png")
    for name in ("alone.wav", "mix.wav"):
        sound = rng.normal(0, 0.05, (round(48_000 * MIX_S), 2))
        soundfile.write(tmp_path / name, sound, 48_000)
    return tmp_path


def shown(folder: Path) -> Callable[[str], list[int]]:
    """Return what reads the numbers that the tile of a part showed."""
    report = json.loads((folder / "report.json").read_text())
    with av.open(str(folder / "out.mp4")) as container:
        lumas = [p.to_ndarray()[: p.height] for p in container.decode(video=0)]

    def of(part: str) -> list[int]:
        (t,) = (tile for tile in report["tiles"] if tile["part"] == part)
        # A grid may crop a little of the sides; here it does not.
        assert t["w"] / t["h"] == pytest.approx(16 / 9, abs=0.05)
        return [read(luma[t["y"] : t["y"] + t["h"], t["x"] : t["x"] + t["w"]]) for luma in lumas]

    return of


def due(offset_s: float) -> list[int]:
    """Return the picture in the middle of each output picture, 30 a second."""
    return [int(((k + 0.5) / 30 - offset_s) * 30) for k in range(60)]


@pytest.mark.slow
def test_in_a_production_each_is_shown_where_it_was_settled(folder: Path) -> None:
    takes = {
        "Silent": 'file = "silent.mp4"\noffset_s = -0.51',
        "Early": 'file = "long.mp4"\nfrom_s = 0.0\nto_s = 3.0\noffset_s = -0.72',
        "Late": 'file = "long.mp4"\nfrom_s = 3.5\nto_s = 8.0\noffset_s = -4.33',
        "Photo": 'file = "photo.png"',
        "Alone": 'file = "alone.wav"\noffset_s = 0.0',
    }
    parts = [
        f'[[parts]]\nname = "{name}"\n[[parts.takes]]\n{take}\n' for name, take in takes.items()
    ]
    (folder / "production.toml").write_text(PLAN + "".join(parts))
    assert run("render", folder, "-o", folder / "out.mp4", "--report", folder / "report.json") == 0
    of = shown(folder)
    assert of("Silent") == due(-0.51)
    assert of("Early") == due(-0.72)
    assert of("Late") == due(-4.33)
    assert of("Photo") == [999] * 60
    report = json.loads((folder / "report.json").read_text())
    assert [card["part"] for card in report["cards"]] == ["Alone"]


@pytest.mark.slow
def test_loose_clips_without_any_sound_are_no_error(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("render", folder / "photo.png", folder / "silent.mp4", "-o", folder / "out.mp4") == 0
    assert "silent.mp4: The clip has no sound" in capsys.readouterr().out
