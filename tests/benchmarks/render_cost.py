"""What a render costs against what cannot be avoided: decoding the clips and encoding the video.

    python tests/benchmarks/render_cost.py [--clips 9] [--seconds 20 60 300] [--work FOLDER]

It makes its own clips (1080p30, H.264, about 16 Mbit/s), decodes them and encodes the finished
pictures with as many processes at a time as the render uses, so that shared processor cores cost
the same, and prints for each length processor seconds, ratios, and the peak memory of the whole
process tree:

- the first render (which also keeps tiles), against decoding and encoding alone: at most 1.2;
- again with the names changed in a tenth of the piece: at most 0.15 of the first;
- again with smaller tiles, from the tile cache, against encoding alone: at most 1.4; and how like
  it is to the same made from the originals (SSIM of luma and chroma, by ffmpeg): at least 0.985;
- the preview of 360 lines, first (against decoding alone: at most 1.1) and with another layout
  (against real time: at most 0.2).
"""

from __future__ import annotations

import argparse
import itertools
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import imageio_ffmpeg
import numpy as np
import psutil

from syncvid.arrays import Audio
from syncvid.media.encode import PREVIEW_SETTINGS, EncodeSettings, SegmentWriter
from syncvid.picture import Composition, Piece, Voice, compose
from syncvid.production.layouts import CanvasStyle, Layout, find_layout
from syncvid.segments import RenderSummary, Tiles, render_video
from syncvid.segments.staff import usable_cores, worker_count
from syncvid.timeline import Placement

SIZE, RATE = (1920, 1080), Fraction(30)
LOOP_S = 8
BIT_RATE = 16_000_000

# Decoding and encoding alone are measured over this much and scaled.
SAMPLE_S = 20.0

PREVIEW_RATE = Fraction(15)


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
            # At the end the encoder still has the pictures that it looked ahead at.
            begun = time.thread_time()
    return spent + time.thread_time() - begun


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


class Bench:
    """One length of the piece: what is rendered, and what it is measured against."""

    def __init__(self, seconds: float, clips: list[Path], work: Path) -> None:
        self.seconds, self.clips, self.work = seconds, clips, work
        self.voices = [
            Voice(f"Part {n + 1} · Player", f"Part {n + 1}", (_piece(clip, seconds),))
            for n, clip in enumerate(clips)
        ]
        self.first = self.composed(find_layout("grid"))
        self.at_once = worker_count([self.first], usable_cores())

    def composed(self, layout: Layout, size: tuple[int, int] = SIZE) -> Composition:
        """Lay the clips out."""
        return compose(self.voices, layout, size=size, frame_rate=RATE, duration_s=self.seconds)

    def render(
        self, composition: Composition, name: str, settings: EncodeSettings, **tiles: Any
    ) -> tuple[float, float, float, RenderSummary]:
        """Render; return processor and wall seconds, peak MiB, and what was done."""
        return measured(
            lambda: render_video(
                composition,
                Silence(self.seconds),
                self.work / name,
                work=self.work / "segments",
                settings=settings,
                tiles=Tiles(self.work / "tiles", **tiles),
            )
        )

    def decode_cpu(self) -> float:
        """Return the processor seconds of decoding the clips alone."""
        sample_s = min(self.seconds, SAMPLE_S)
        tasks = [["--decode", str(clip), str(sample_s)] for clip in self.clips]
        spent = measured(lambda: side_by_side(tasks, self.at_once))[0]
        return (spent - len(tasks) * start_up_cpu()) * self.seconds / sample_s

    def encode_cpu(self, video: Path) -> float:
        """Return the processor seconds of encoding a finished video's pictures alone."""
        sample_s = min(self.seconds, SAMPLE_S)
        pictures = int(sample_s * RATE)
        bounds = [round(pictures * n / self.at_once) for n in range(self.at_once + 1)]
        tasks = [["--encode", str(video), str(a), str(b)] for a, b in itertools.pairwise(bounds)]
        return sum(map(float, side_by_side(tasks, self.at_once))) * self.seconds / sample_s


def run(seconds: float, clips: list[Path], work: Path) -> None:
    """Measure one length and print its figures."""
    bench, usual = Bench(seconds, clips, work), EncodeSettings()
    cpu, wall, peak, _ = bench.render(bench.first, "first.mp4", usual)
    decode, encode = bench.decode_cpu(), bench.encode_cpu(work / "first.mp4")
    print(f"{seconds:g} s, {len(clips)} clips, {bench.at_once} at once", flush=True)
    print(f"  decode {decode:.1f} + encode {encode:.1f} CPU s")
    tell("first", cpu, wall, peak, f"{cpu / (decode + encode):.3f} of decode + encode")
    again, _, _, done = bench.render(renamed(bench.first), "renamed.mp4", usual)
    note = f"{again / cpu:.3f} of the first; {done.reused} of {done.segments} segments reused"
    tell("a tenth renamed", again, 0.0, 0.0, note)
    airy = bench.composed(Layout("airy", canvas=CanvasStyle(margin=0.02, gap=0.02)))
    cpu, wall, peak, _ = bench.render(airy, "airy.mp4", usual)
    alone = bench.encode_cpu(work / "airy.mp4")
    tell("smaller tiles", cpu, wall, peak, f"{cpu / alone:.3f} of encode")
    bench.render(airy, "originals.mp4", usual, use_kept=False)
    print(f"  SSIM against originals {ssim(work / 'airy.mp4', work / 'originals.mp4')}")
    shutil.rmtree(work / "tiles")
    small = (640, 360)
    for name, layout in (("first", find_layout("grid")), ("another", airy.layout)):
        composition = replace(bench.composed(layout, small), frame_rate=PREVIEW_RATE)
        composition = replace(composition, last=round(seconds * PREVIEW_RATE))
        cpu, wall, peak, _ = bench.render(composition, f"{name}.mp4", PREVIEW_SETTINGS)
        note = f"{cpu / decode:.3f} of decode, {wall / seconds:.3f} of real time"
        tell(f"preview, {name} layout", cpu, wall, peak, note)
    for folder in ("segments", "tiles"):
        shutil.rmtree(work / folder, ignore_errors=True)


def tell(what: str, cpu: float, wall: float, peak: float, ratio: str) -> None:
    """Print a line."""
    print(f"  {what:26}{cpu:7.1f} CPU s{wall:7.1f} wall s{peak:6.0f} MiB  {ratio}", flush=True)


def renamed(composition: Composition) -> Composition:
    """Return the same with other names on the tiles in the middle tenth."""
    (scene,) = composition.scenes
    begin_s, end_s = composition.duration_s * 0.45, composition.duration_s * 0.55
    bare = tuple(replace(place, named=False) for place in scene.places)
    return replace(
        composition,
        scenes=(
            replace(scene, to_s=begin_s),
            replace(scene, from_s=begin_s, to_s=end_s, places=bare),
            replace(scene, from_s=end_s),
        ),
    )


def ssim(one: Path, other: Path) -> str:
    """Return ffmpeg's measure of how alike two videos are."""
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-i", str(one), "-i", str(other)]
    command += ["-lavfi", "ssim", "-f", "null", "-"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    return next(line.split("SSIM", 1)[1] for line in said.splitlines() if "All:" in line)


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
