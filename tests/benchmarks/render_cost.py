"""What a render costs against what cannot be avoided: decoding the clips and encoding the video.

    python tests/benchmarks/render_cost.py [--clips 9] [--seconds 20 60 300] [--work FOLDER]

It makes its own clips (1080p30, H.264, about 16 Mbit/s), decodes them and encodes the finished
pictures with as many processes at a time as the render uses, so that shared processor cores cost
the same, and prints for each length: processor seconds, their ratio, and the peak memory of the
whole process tree.  What is asked of it: a ratio of at most 1.3; at most 1.2 GB, the same for one
minute and for five.
"""

from __future__ import annotations

import argparse
import itertools
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import psutil

from syncvid.arrays import Audio
from syncvid.media.encode import EncodeSettings, SegmentWriter
from syncvid.picture import Piece, Voice, compose
from syncvid.production.layouts import find_layout
from syncvid.segments import render_video
from syncvid.segments.engine import usable_cores, worker_count
from syncvid.timeline import Placement

SIZE, RATE = (1920, 1080), Fraction(30)
LOOP_S = 8
BIT_RATE = 16_000_000


class Silence:
    """A sound source without sound."""

    def __init__(self, duration_s: float) -> None:
        self.duration_s = duration_s

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        return np.zeros((2, round((to_s - from_s) * sample_rate)), np.float32)


def write_loop(path: Path) -> None:
    """Encode some seconds of a moving pattern with camera noise."""
    rng = np.random.default_rng(1)
    width, height = SIZE
    noise = rng.normal(0, 6, (8, height, width)).astype(np.float32)
    down, across = np.mgrid[0:height, 0:width].astype(np.float32)
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("libx264", rate=RATE)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.codec_context.bit_rate = BIT_RATE
        stream.options = {"preset": "veryfast", "x264-params": "keyint=30"}
        for index in range(int(LOOP_S * RATE)):
            waves = 110 + 60 * np.sin((across + 9 * index) / 90) * np.cos((down - 5 * index) / 70)
            pixels = np.full((height * 3 // 2, width), 128, np.uint8)
            pixels[:height] = np.clip(waves + noise[index % 8], 16, 235)
            picture = av.VideoFrame.from_ndarray(pixels, "yuv420p")
            picture.pts = index
            container.mux(stream.encode(picture))
        container.mux(stream.encode(None))


def write_clip(loop: Path, path: Path, seconds: float) -> None:
    """Repeat the encoded loop, without encoding again, until a clip is long enough."""
    with av.open(str(path), "w") as out:
        target: Any = None
        for turn in range(int(seconds / LOOP_S) + 2):
            with av.open(str(loop)) as source:
                stream = source.streams.video[0]
                target = target or out.add_stream_from_template(stream)
                shift = round(turn * LOOP_S / stream.time_base)
                for packet in source.demux(stream):
                    if packet.dts is None or packet.pts is None:
                        continue
                    packet.pts, packet.dts = packet.pts + shift, packet.dts + shift
                    packet.stream = target
                    out.mux(packet)


def decode(path: str, seconds: float) -> None:
    """Decode a stretch of one clip, the cheapest way there is."""
    with av.open(path) as container:
        stream = container.streams.video[0]
        stream.codec_context.thread_type, stream.codec_context.thread_count = "NONE", 1
        for picture in container.decode(stream):
            if picture.time >= seconds:
                return


def encode(path: str, first: int, last: int) -> float:
    """Encode a stretch of a finished video again; return the processor seconds of that."""
    spent = 0.0
    with av.open(path) as container, tempfile.TemporaryDirectory() as folder:
        writer = SegmentWriter(
            Path(folder) / "e.mp4",
            size=SIZE,
            frame_rate=RATE,
            settings=EncodeSettings(),
            key_interval=60,
        )
        with writer:
            for index, picture in enumerate(container.decode(video=0)):
                if index >= last:
                    break
                if index >= first:
                    pixels = picture.to_ndarray()
                    begun = time.thread_time()
                    writer.write(pixels)
                    spent += time.thread_time() - begun
    return spent


def side_by_side(tasks: list[list[str]], at_once: int) -> list[str]:
    """Run this file's sub-commands in processes, some at a time; return what they print."""
    waiting, running, said = list(tasks), [], []
    while waiting or running:
        while waiting and len(running) < at_once:
            command = [sys.executable, __file__, *waiting.pop(0)]
            running.append(subprocess.Popen(command, stdout=subprocess.PIPE, text=True))
        time.sleep(0.02)
        for process in [process for process in running if process.poll() is not None]:
            said.append(process.communicate()[0])
            running.remove(process)
    return said


def measured(work: Callable[[], Any]) -> tuple[float, float, float, Any]:
    """Return processor and wall seconds, peak MiB of the process tree, and the result."""
    peak, ended = [0.0], threading.Event()

    def watch() -> None:
        me = psutil.Process()
        while not ended.wait(0.05):
            total = 0
            for process in [me, *me.children(recursive=True)]:
                try:
                    total += process.memory_info().rss
                except psutil.NoSuchProcess:
                    continue
            peak[0] = max(peak[0], total / 2**20)

    def spent() -> float:
        usages = map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
        return sum(usage.ru_utime + usage.ru_stime for usage in usages)

    watcher = threading.Thread(target=watch)
    watcher.start()
    begun_cpu, begun = spent(), time.monotonic()
    try:
        result = work()
    finally:
        ended.set()
        watcher.join()
    return spent() - begun_cpu, time.monotonic() - begun, peak[0], result


def run(seconds: float, clips: list[Path], work: Path) -> None:
    """Measure one length and print a line."""
    voices = [
        Voice(f"Part {n + 1} · Player", f"Part {n + 1}", (_piece(clip, seconds),))
        for n, clip in enumerate(clips)
    ]
    composition = compose(
        voices, find_layout("grid"), size=SIZE, frame_rate=RATE, duration_s=seconds
    )
    out = work / f"out{seconds:g}.mp4"
    with tempfile.TemporaryDirectory(dir=work) as cache:
        render_cpu, wall, peak, _ = measured(
            lambda: render_video(composition, Silence(seconds), out, work=Path(cache))
        )
    at_once = worker_count(composition, usable_cores())
    sample_s = min(seconds, 20.0)
    decode_cpu = (
        measured(
            lambda: side_by_side(
                [["--decode", str(clip), str(sample_s)] for clip in clips], at_once
            )
        )[0]
        - len(clips) * start_up_cpu()
    )
    pictures = int(sample_s * RATE)
    bounds = [round(pictures * n / at_once) for n in range(at_once + 1)]
    tasks = [["--encode", str(out), str(a), str(b)] for a, b in itertools.pairwise(bounds)]
    encode_cpu = sum(map(float, side_by_side(tasks, at_once)))
    least = (decode_cpu + encode_cpu) * seconds / sample_s
    print(
        f"{seconds:5.0f} s, {len(clips)} clips, {at_once} at once: render {render_cpu:6.1f} CPU s, "
        f"{wall:6.1f} wall s ({wall / seconds:.2f} x real time); decode {decode_cpu:.1f} + encode "
        f"{encode_cpu:.1f} CPU s for {sample_s:g} s; ratio {render_cpu / least:.3f}; "
        f"peak {peak:.0f} MiB",
        flush=True,
    )


def start_up_cpu() -> float:
    """Return the processor seconds that it takes to start this file at all."""
    return measured(lambda: side_by_side([["--decode", "", "0"]], 1))[0]


def _piece(clip: Path, seconds: float) -> Piece:
    """Show a clip all the time, from a little after its beginning."""
    return Piece(clip.name, clip, Placement(-0.4), -0.4, seconds + 1, SIZE, str(clip))


def main() -> None:
    """Read the command line, make clips, measure."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--clips", type=int, default=9)
    parser.add_argument("--seconds", type=float, nargs="+", default=[20, 60, 300])
    parser.add_argument("--work", type=Path)
    parser.add_argument("--decode", nargs=2, help=argparse.SUPPRESS)
    parser.add_argument("--make", nargs=2, help=argparse.SUPPRESS)
    parser.add_argument("--encode", nargs=3, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.decode:
        if options.decode[0]:
            decode(options.decode[0], float(options.decode[1]))
    elif options.make:
        folder = Path(options.make[0])
        write_loop(folder / "loop.mp4")
        write_clip(folder / "loop.mp4", folder / "clip0.mp4", float(options.make[1]))
    elif options.encode:
        print(encode(options.encode[0], int(options.encode[1]), int(options.encode[2])))
    else:
        with tempfile.TemporaryDirectory(dir=options.work) as scratch:
            work = Path(scratch)
            side_by_side([["--make", str(work), str(max(options.seconds))]], 1)
            clips = [work / f"clip{n}.mp4" for n in range(options.clips)]
            for clip in clips[1:]:
                os.link(clips[0], clip)
            bits = clips[0].stat().st_size * 8 / (max(options.seconds) + 2 * LOOP_S)
            print(f"clips of about {bits / 1e6:.1f} Mbit/s", flush=True)
            for seconds in options.seconds:
                run(seconds, clips, work)


if __name__ == "__main__":
    main()
