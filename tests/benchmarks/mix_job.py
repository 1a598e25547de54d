"""Time, memory and exactness of a mix: a job of invented parts whose places are known.

    python -m tests.benchmarks.mix_job [--parts 20] [--seconds 300] [--work FOLDER]

Every part is worked out by arithmetic twice: on the reference, and on the clock of its phone, which
starts at a time of its own, drifts, and has a rate of 44.1 or 48 kHz.  The phone's sound is coded
(AAC, or FLAC for every third); sync finds the places in the sum of all parts, and `syncvid mix
--stems` runs as a command.  Told are its time and memory (the whole process tree), that of a second
run with another room, that of an excerpt; and by how much each stem lies beside the truth, in its
first and in its last minute, by the phase of their cross-spectrum.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import psutil
import soundfile

from syncvid.arrays import Sound
from syncvid.media.sound_file import write_sound

RATE = 48_000
SEED = 20261129
HEAD_S = 4.0


def notes(rng: np.random.Generator, seconds: float) -> list[tuple[float, float, float]]:
    """Invent (onset, pitch, level) of a part's notes, with a rest now and then."""
    at_s, found = HEAD_S, []
    while at_s < seconds - 4.0:
        found.append((at_s, 110.0 * 2 ** (rng.integers(0, 36) / 12), rng.uniform(0.05, 0.2)))
        at_s += rng.choice([0.25, 0.5, 0.5, 1.0]) + (2.0 if rng.random() < 0.05 else 0.0)
    return found


def sounding(part: list[tuple[float, float, float]], times_s: np.ndarray) -> np.ndarray:
    """Return a part's sound at moments of the reference, which lie in their order."""
    out = np.zeros(times_s.size)
    for onset_s, pitch_hz, level in part:
        first, last = np.searchsorted(times_s, (onset_s, onset_s + 2.0))
        after_s = times_s[first:last] - onset_s
        shape = level * np.minimum(1.0, after_s / 0.004) * np.exp(-after_s / 0.4)
        for partial in range(1, 6):
            if partial * pitch_hz < 15_000.0:
                tone = np.sin(2 * np.pi * partial * pitch_hz * after_s)
                out[first:last] += shape * tone / partial**1.3
    return out


def make_job(folder: Path, count: int, seconds: float) -> list[np.ndarray]:
    """Write clips and plan; return each part's sound on the reference."""
    rng = np.random.default_rng(SEED)
    rows, truths = ['format = "syncvid.production/1"', 'title = "Invented"', 'mix = "sum.flac"'], []
    for number in range(count):
        part = notes(rng, seconds)
        offset_s, drift_ppm = rng.uniform(-3.0, 0.0), rng.uniform(-80.0, 80.0)
        rate = 44_100 if number % 4 == 1 else RATE
        step = (1 + drift_ppm * 1e-6) / rate
        clip_count = int((seconds - offset_s) / step)
        heard = sounding(part, offset_s + np.arange(clip_count) * step)
        heard += 0.0003 * rng.standard_normal(heard.size)
        samples = heard.astype(np.float32)[np.newaxis]
        if number % 5 == 2:
            samples = np.concatenate((samples, 0.8 * samples))
        path = folder / f"part {number:02d}{'.flac' if number % 3 == 0 else '.m4a'}"
        write_sound(path, Sound(samples, rate))
        rows += ["[[parts]]", f'name = "Part {number:02d}"', "[[parts.takes]]"]
        rows += [f'file = "{path.name}"']
        truths.append(sounding(part, np.arange(int(seconds * RATE)) / RATE).astype(np.float32))
    total = np.sum(truths, axis=0)[np.newaxis]
    write_sound(folder / "sum.flac", Sound(total / (1.2 * np.abs(total).max()), RATE))
    (folder / "production.toml").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return truths


def run(*arguments: str) -> tuple[float, float]:
    """Run a command; return its seconds and the most megabytes that its processes had together."""
    most = [0]
    begin = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "syncvid", *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )

    def watch() -> None:
        whole = psutil.Process(process.pid)
        while process.poll() is None:
            try:
                tree = [whole, *whole.children(recursive=True)]
                most[0] = max(most[0], sum(each.memory_info().rss for each in tree))
            except psutil.Error:
                return
            time.sleep(0.05)

    watcher = threading.Thread(target=watch)
    watcher.start()
    if process.wait():
        raise SystemExit(f"syncvid {' '.join(arguments)} failed.")
    watcher.join()
    return time.perf_counter() - begin, most[0] / 2**20


def lag_ms(stem: np.ndarray, truth: np.ndarray) -> float:
    """Return how much later a stem is than the truth, by the slope of their cross-spectrum."""
    cross = np.fft.rfft(stem) * np.conj(np.fft.rfft(truth))
    hz = np.fft.rfftfreq(truth.size, 1 / RATE)
    used = (hz > 100) & (hz < 5000)
    phase = np.angle(cross[used])
    weight = np.abs(cross[used])
    omega = 2 * np.pi * hz[used]
    return float(-1e3 * np.sum(weight * omega * phase) / np.sum(weight * omega**2))


def exactness(folder: Path, truths: list[np.ndarray]) -> None:
    """Print by how much the stems lie beside the truth."""
    from syncvid.production.mix_json import read_mix_json

    made = read_mix_json((folder / "mix" / "mix.json").read_text(encoding="utf-8"))
    begin = round(made.from_s * RATE)
    ends = []
    for stem, truth in zip(made.stems, truths, strict=True):
        samples, _ = soundfile.read(stem.file, dtype="float32", always_2d=True)
        mono = samples.mean(axis=1)
        wanted = np.zeros(mono.size, np.float32)
        first, last = max(0, begin), min(truth.size, begin + mono.size)
        wanted[first - begin : last - begin] = truth[first:last]
        size = min(60 * RATE, mono.size // 3)
        head = round((HEAD_S - made.from_s) * RATE)
        ends.append(
            (
                lag_ms(mono[head : head + size], wanted[head : head + size]),
                lag_ms(mono[-size - RATE * 4 : -RATE * 4], wanted[-size - RATE * 4 : -RATE * 4]),
            )
        )
    first, last = np.abs(np.array(ends)).T
    print(f"first minute: worst {first.max():.6f} ms; last minute: worst {last.max():.6f} ms")
    apart = np.abs(np.diff(np.array(ends), axis=1)).max()
    print(f"first against last minute of the same stem: worst {apart:.6f} ms")


def main() -> None:
    """Make the job, run the commands, print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--parts", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=300.0)
    parser.add_argument("--work", type=Path, default=None)
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(dir=options.work))
    try:
        truths = make_job(folder, options.parts, options.seconds)
        sync = run("sync", str(folder))
        print(f"sync (hearing every clip): {sync[0]:.1f} s")
        for what, more in (
            ("mix", ()),
            ("mix again, another room", ("--room", "church")),
            ("mix again, nothing changed", ("--room", "church")),
            ("excerpt of ten seconds", ("--from", f"{options.seconds / 3:.0f}")),
        ):
            seconds, megabytes = run("mix", str(folder), *more)
            print(f"{what}: {seconds:.1f} s, {megabytes:.0f} MiB")
        seconds, _ = run("mix", str(folder), "--stems")
        print(f"mix with stems as files: {seconds:.1f} s")
        exactness(folder, truths)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
