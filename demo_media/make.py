"""Make the demo: mix, guide, beat map, eight clips and the truth about them.

    python make.py [FOLDER]

Writes beside this file unless another folder is given. Needs the packages named in README.md, the
sound font and the speech synthesiser. Takes some minutes; rebuilding gives the same truth.
"""

from __future__ import annotations

import json
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import soundfile
from build import files, guide, mixing, plan, recording, scenes, truth
from build.signals import SAMPLE_RATE

PROCESSES = 2


def _write_sound(path: Path, samples: np.ndarray) -> None:
    """Write 16-bit FLAC."""
    soundfile.write(path, samples.T, SAMPLE_RATE, subtype="PCM_16")


def _write_json(path: Path, content: dict[str, object]) -> None:
    """Write readable JSON."""
    path.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def make_clip(name: str, folder: Path) -> str:
    """Make one clip, named by its file; a separate process may run this."""
    clip = next(clip for clip in plan.CLIPS if clip.file == name)
    scene = scenes.Scene(clip)
    count = files.write_clip(clip, recording.record(clip), scene.draw, folder / name)
    return f"{name}: {count} pictures, {(folder / name).stat().st_size / 1e6:.2f} MB"


def make_sounds(folder: Path) -> str:
    """Make mix, guide and beat map."""
    _write_sound(folder / "mix.flac", mixing.render_mix())
    guide.copy_to(folder)
    return "mix, guide and beat map"


def main() -> None:
    """Make everything."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else Path(__file__).parent).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    _write_json(folder / "truth.json", truth.truth())
    with ProcessPoolExecutor(PROCESSES) as pool:
        jobs = [pool.submit(make_clip, clip.file, folder) for clip in plan.CLIPS]
        jobs.append(pool.submit(make_sounds, folder))
        for job in jobs:
            print(job.result(), flush=True)


if __name__ == "__main__":
    main()
