"""Practice cases as arrays: every file is decoded once, to 16 kHz mono, and kept."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from syncvid.arrays import Audio
from syncvid.media.probe import probe
from syncvid.media.sound import read_sound, resample
from syncvid.sync import ANALYSIS_RATE


@dataclass(frozen=True, slots=True)
class PracticeCase:
    """A practice case: its truth, and its sounds by name."""

    name: str
    truth: dict[str, Any]
    mix: Audio | None
    guide: Audio | None
    clips: dict[str, Audio]


def read_practice(folder: Path, keep: Path) -> list[PracticeCase]:
    """Return all cases of a folder; decoded sound is kept in another folder."""
    cases = []
    for path in sorted(folder.glob("*/truth.json")):
        truth = json.loads(path.read_text())
        home = path.parent
        clips = {
            clip["file"]: decoded(home / "clips" / clip["file"], keep / home.name)
            for clip in truth["clips"]
        }
        sounds = [
            decoded(home / f"{name}.flac", keep / home.name) if truth[name] else None
            for name in ("mix", "guide")
        ]
        cases.append(PracticeCase(home.name, truth, sounds[0], sounds[1], clips))
    return cases


def decoded(path: Path, keep: Path) -> Audio:
    """Return a file's sound as sync hears it; from the kept copy if there is one."""
    kept = keep / f"{path.name}.npy"
    if not kept.exists():
        keep.mkdir(parents=True, exist_ok=True)
        sound = resample(read_sound(probe(path), mono=True), ANALYSIS_RATE)
        np.save(kept, np.ascontiguousarray(sound.samples[0]))
    found: Audio = np.load(kept)
    return found
