"""The guide track and its beat map, as syncvid makes them from ``guide.toml``."""

from __future__ import annotations

import json
import shutil
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import soundfile

from syncvid.steps import GuideWishes, make_guide

_HERE = Path(__file__).parent.parent
_PLAN, _BEATS, _TRACK = "guide.toml", "guide.beats.json", "guide.flac"


@cache
def made() -> Path:
    """Make the guide in a folder of its own; return the folder.

    The number by which it is known stays that of the map that lies here already.
    """
    folder = Path(tempfile.mkdtemp(prefix="guide-"))
    for name in (_PLAN, _BEATS):
        if (_HERE / name).is_file():
            shutil.copy(_HERE / name, folder / name)
    make_guide(folder / _PLAN, GuideWishes(out=folder / _TRACK))
    return folder


def copy_to(folder: Path) -> None:
    """Put plan, track and beat map into a folder."""
    for name in (_PLAN, _BEATS, _TRACK):
        shutil.copy(made() / name, folder / name)


@cache
def music_from_s() -> float:
    """Return the guide second of the first beat of bar 1."""
    beats = json.loads((made() / _BEATS).read_text(encoding="utf-8"))
    return float(beats["music_from_s"])


@cache
def track() -> np.ndarray:
    """Return the guide's sound, mono, at its own rate, which is that of the demo."""
    samples, _ = soundfile.read(made() / _TRACK, always_2d=True)
    return samples.mean(axis=1)
