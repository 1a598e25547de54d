"""What a guide costs from the command to the last file, starting Python included.

    PYTHONPATH=$PWD python tests/benchmarks/guide_job.py

It prints, for a plan of five minutes with a ramp and a drone, and for a score of eight parts and
ten minutes with a drone from its lowest part, the median of five runs: wall and processor seconds.

What is asked: under 2 s for the plan, under 5 s to read the score (`score_cost.py` times that by
itself).
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.score_cost import long_score

ROUNDS = 5

PLAN = """\
metre = "4/4"
tempo = 120
bars = 150
[sound]
drone = "D3 A3"
[[tempo_changes]]
at = "bar 20"
until = "bar 40"
tempo = 100
"""


def run(words: list[str]) -> tuple[float, float]:
    """Run a command; return its wall and its processor seconds."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    before, begin_s = used.ru_utime + used.ru_stime, time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "syncvid", "guide", *words], check=True, capture_output=True
    )
    wall_s = time.perf_counter() - begin_s
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall_s, used.ru_utime + used.ru_stime - before


def main() -> None:
    """Time both."""
    with tempfile.TemporaryDirectory() as folder:
        plan, score = Path(folder) / "five.toml", Path(folder) / "ten.musicxml"
        plan.write_text(PLAN, encoding="utf-8")
        score.write_text(long_score(), encoding="utf-8")
        ready = str(Path(folder) / "ten.wav")
        for name, words in (
            ("plan of five minutes", [str(plan)]),
            ("score of ten minutes", [str(score), "--drone", "lowest part", "-o", ready]),
        ):
            times = [run(words) for _ in range(ROUNDS)]
            wall_s, used_s = (statistics.median(column) for column in zip(*times, strict=True))
            print(
                f"{name}: {wall_s:.2f} s, processor {used_s:.2f} s, load {os.getloadavg()[0]:.1f}"
            )


if __name__ == "__main__":
    main()
