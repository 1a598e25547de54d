"""The shift of a film's picture, measured on films made with a known one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from syncvid.cli import main
from syncvid.production.material import loose_material
from syncvid.steps import measure_picture_shift

from .clapping import write_clapping

CLAPS_S = [0.9, 1.63, 2.41, 3.17, 3.9]


def run(*words: str | Path) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(word) for word in words])
    return int(ended.value.code or 0)


@pytest.mark.parametrize(("late_s", "rate"), [(0.120, 30), (-0.180, 60), (0.0, 25)])
def test_a_known_shift_is_measured(
    late_s: float, rate: int, tmp_path: Path, rng: np.random.Generator
) -> None:
    """Half a picture is 17 ms; five claps average some of it out."""
    film = write_clapping(
        tmp_path / "film.mp4", CLAPS_S, rng, late_s=late_s, rate=rate, length_s=5.0
    )
    material, _ = loose_material([str(film)])
    _, shift = measure_picture_shift(material, str(film))
    assert shift is not None
    assert shift.is_clear
    assert shift.shift_ms == pytest.approx(1000 * late_s, abs=17.0)


def test_the_command_says_what_to_set(
    tmp_path: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str]
) -> None:
    film = write_clapping(tmp_path / "film.mp4", CLAPS_S, rng, late_s=0.15, length_s=5.0)
    assert run("sync", film, "--picture-shift", film) == 0
    shown = capsys.readouterr().out
    assert "ms late (5 of 5 claps or strokes agree to" in shown
    assert "write `picture_shift_ms = 1" in shown


def test_what_cannot_be_seen_is_said_to_be_weak(
    tmp_path: Path, rng: np.random.Generator, capsys: pytest.CaptureFixture[str]
) -> None:
    film = write_clapping(tmp_path / "film.mp4", CLAPS_S, rng, late_s=0.0, length_s=5.0, seen=False)
    assert run("sync", film, "--picture-shift", film) == 0
    shown = capsys.readouterr().out
    assert "evidence is weak" in shown or "no clap or stroke" in shown
    assert "picture_shift_ms" not in shown
    sound = tmp_path / "sound.wav"
    soundfile.write(sound, np.zeros(16_000, np.float32), 16_000)
    assert run("sync", sound, "--picture-shift", sound) == 3
    assert run("sync", sound, "--picture-shift", "oboe") == 2
