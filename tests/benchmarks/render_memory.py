"""How much memory a render takes, by the number of clips and of videos made at once.

    python tests/benchmarks/render_memory.py [--clips 16 64] [--seconds 6] [--videos 1] [--work DIR]

It makes one clip (1080p30, H.264, about 16 Mbit/s) under as many names as are wanted, renders them
to 1080p (further videos: square, tall, and half the size) with an empty tile cache, and prints the
most memory that the whole process tree took at any moment, pages that processes share counted once,
beside what `syncvid.segments.engine` expects.  The figures: at most 1.5 GB for 16 clips and 2 GB
for 64.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
from pathlib import Path

from render_cost import Bench, Silence, measured, side_by_side

from syncvid.media.encode import EncodeSettings
from syncvid.production.layouts import find_layout
from syncvid.segments import Output, Tiles, render_videos
from syncvid.segments.staff import usable_cores, worker_count

FURTHER = ((1080, 1080), (1080, 1920), (960, 540))


def main() -> None:
    """Read the command line, render, tell."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--clips", type=int, nargs="+", default=[16, 64])
    parser.add_argument("--seconds", type=float, default=6.0)
    parser.add_argument("--videos", type=int, default=1)
    parser.add_argument("--work", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.work) as scratch:
        work = Path(scratch)
        side_by_side([["--make", str(work), str(options.seconds)]], 1)
        for number in range(1, max(options.clips)):
            os.link(work / "clip0.mp4", work / f"clip{number}.mp4")
        for count in options.clips:
            clips = [work / f"clip{number}.mp4" for number in range(count)]
            bench = Bench(options.seconds, clips, work)
            sizes = (bench.first.size, *FURTHER)[: options.videos]
            compositions = [bench.composed(find_layout("grid"), size) for size in sizes]
            outputs = [
                Output(composition, work / f"out{number}.mp4", EncodeSettings())
                for number, composition in enumerate(compositions)
            ]
            cpu, wall, peak, _ = measured(
                lambda outputs=outputs: render_videos(
                    outputs,
                    Silence(options.seconds),
                    work=work / "segments",
                    tiles=Tiles(work / "tiles"),
                )
            )
            workers = worker_count(compositions, usable_cores())
            threads = max(1, usable_cores() // workers)
            print(
                f"{count} clips, {options.videos} videos, {workers} processes of {threads} threads:"
                f" {peak:.0f} MiB, {cpu:.0f} CPU s, {wall:.0f} s",
                flush=True,
            )
            for folder in ("segments", "tiles"):
                shutil.rmtree(work / folder, ignore_errors=True)


if __name__ == "__main__":
    main()
