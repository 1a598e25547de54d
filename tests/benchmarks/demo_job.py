"""Time the demo as a user meets it: a first run, and a second one that finds everything made.

Run ``python tests/benchmarks/demo_job.py``; it prints seconds of wall clock and of processor time.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time


def timed(*words: str) -> tuple[float, float]:
    """Run a command; return wall seconds and processor seconds, its children included."""
    started, before = time.monotonic(), os.times()
    subprocess.run([sys.executable, "-m", "syncvid", *words], check=True, capture_output=True)
    after = os.times()
    used = after.children_user + after.children_system
    return time.monotonic() - started, used - before.children_user - before.children_system


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        for run in ("first run", "second run"):
            wall_s, used_s = timed("demo", "--out", f"{folder}/demo")
            print(f"{run}: {wall_s:.1f} s, processor {used_s:.1f} s")
    runs = sorted(timed("--help")[0] for _ in range(7))
    print(f"--help: median of 7 {runs[3]:.2f} s")


if __name__ == "__main__":
    main()
