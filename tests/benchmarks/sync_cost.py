"""What a first sync costs against what cannot be avoided, and how much memory it takes.

    python tests/benchmarks/sync_cost.py [--clips 20 200] [--format m4a] [--keep FOLDER]

It invents a piece, writes clips (AAC in m4a, or FLAC) and a mix (FLAC) of 48 kHz, runs the sync
command on them with an empty cache, and prints processor seconds for each clip beside those of
decoding its sound once and one float32 FFT correlation of the whole clip at 16 kHz against the mix,
measured in the same run.  With several numbers of clips it also prints how the time for each clip
grows.

What is asked: at most 4 times as much; time per clip at 200 within 20 % of that at 20; at most
500 MB for 20 clips of 4 minutes, 1.2 GB for 200 (resident, the whole process tree).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
import psutil
import soundfile
from invented.music import write_score
from invented.phones import choose_phone
from invented.studio import Session
from scipy import fft, signal

from syncvid.arrays import Audio
from syncvid.media.probe import probe
from syncvid.media.sound import read_sound, resample
from syncvid.sync import ANALYSIS_RATE

FILE_RATE = 48_000
PLAYERS = 20
ROLES = ("melody", "unison", "inner", "bass", "chords")
MOST_RATIO, MOST_GROWTH = 4.0, 1.2
MOST_MB = {20: 500.0, 200: 1200.0}


@dataclass(frozen=True, slots=True)
class Cost:
    """Processor and wall seconds, and the peak of resident memory in MB."""

    cpu_s: float
    wall_s: float
    peak_mb: float


def write_files(folder: Path, count: int, minutes: float, suffix: str) -> None:
    """Invent a piece with 20 players; further clips are theirs with another head and more noise."""
    rng = np.random.default_rng(7)
    seconds = 60 * minutes
    score = write_score(rng, ROLES * (PLAYERS // len(ROLES)), length_s=(seconds, seconds))
    session = Session(rng, score)
    tracks: Audio = np.zeros(session.mix_samples, np.float32)
    clips = [folder / f"clip {number:03}.{suffix}" for number in range(count)]
    for player in range(PLAYERS):
        take = session.take(player)
        tracks += session.close_mic(take)
        start_s = -float(rng.uniform(0, 5))
        where = {"start_s": start_s, "end_s": start_s + seconds}
        sound = session.clip(take, phone=choose_phone(rng), **where).samples
        for turn, path in enumerate(clips[player::PLAYERS]):
            noise = 0.002 * turn * rng.standard_normal(len(sound)).astype(np.float32)
            write_sound(path, np.roll(sound, -round(0.37 * turn * ANALYSIS_RATE)) + noise)
    # Written last: a folder with a mix is complete.
    write_sound(folder / "mix.flac", session.finish([tracks])[0])


def write_sound(path: Path, sound: Audio) -> None:
    """Write a sound at a phone's rate."""
    fine = signal.resample_poly(sound, FILE_RATE // ANALYSIS_RATE, 1).astype(np.float32)
    fine *= 0.9 / np.abs(fine).max()
    if path.suffix == ".flac":
        soundfile.write(path, fine, FILE_RATE, subtype="PCM_16")
        return
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=FILE_RATE, layout="mono")
        for first in range(0, len(fine), FILE_RATE):
            block = av.AudioFrame.from_ndarray(
                fine[None, first : first + FILE_RATE], format="fltp", layout="mono"
            )
            block.sample_rate, block.pts = FILE_RATE, first
            container.mux(stream.encode(block))
        container.mux(stream.encode(None))


def least_cost(clips: list[Path], mix: Path) -> tuple[float, float]:
    """Return processor seconds of decoding all once, and of one correlation for each clip."""
    begun = time.process_time()
    sounds = [decoded(path) for path in (mix, *clips)]
    decoding_s = time.process_time() - begun
    begun = time.process_time()
    for clip in sounds[1:]:
        size = fft.next_fast_len(len(clip) + len(sounds[0]) - 1, real=True)
        spectrum = fft.rfft(sounds[0], size) * np.conj(fft.rfft(clip, size))
        np.abs(fft.irfft(spectrum, size)).argmax()
    return decoding_s, time.process_time() - begun


def decoded(path: Path) -> Audio:
    """Return a file's sound at the rate of analysis."""
    return np.ascontiguousarray(
        resample(read_sound(probe(path), mono=True), ANALYSIS_RATE).samples[0]
    )


def measured(words: list[str], cache: str) -> Cost:
    """Run a command with an empty cache and watch it."""
    environment = {**os.environ, "XDG_CACHE_HOME": cache}
    before, begun = os.times(), time.monotonic()
    process = subprocess.Popen(
        words, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    peak, ended = [0.0], threading.Event()
    watcher = threading.Thread(target=watch, args=(process.pid, peak, ended))
    watcher.start()
    status = process.wait()
    ended.set()
    watcher.join()
    after = os.times()
    if status:
        raise SystemExit(f"exit status {status} of {' '.join(words[:5])}")
    used = after.children_user + after.children_system
    used -= before.children_user + before.children_system
    return Cost(used, time.monotonic() - begun, peak[0])


def watch(pid: int, peak: list[float], ended: threading.Event) -> None:
    """Keep the peak of a process tree's resident memory in MB."""
    while not ended.wait(0.05):
        total = 0
        try:
            top = psutil.Process(pid)
            for process in (top, *top.children(recursive=True)):
                total += process.memory_info().rss
        except psutil.NoSuchProcess:
            continue
        peak[0] = max(peak[0], total / 1e6)


def run(count: int, minutes: float, keep: Path | None, suffix: str) -> tuple[float, bool]:
    """Measure one number of clips; return processor seconds per clip and whether all is well."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = (keep or Path(scratch)) / f"{count} x {minutes:g} min {suffix}"
        mix = folder / "mix.flac"
        if not mix.exists():
            folder.mkdir(parents=True, exist_ok=True)
            write_files(folder, count, minutes, suffix)
        clips = sorted(folder.glob("clip*"))
        words = [sys.executable, "-m", "syncvid", "sync", *map(str, clips), "--mix", str(mix)]
        cost = measured([*words, "--json", f"{scratch}/found.json"], f"{scratch}/cache")
        decoding_s, correlating_s = least_cost(clips[:PLAYERS], mix)
    each_s = cost.cpu_s / count
    least_s = (decoding_s + correlating_s) / min(count, PLAYERS)
    most_mb = MOST_MB[20 if count <= 20 else 200]
    print(
        f"{count} clips of {minutes:g} min: {cost.cpu_s:.1f} processor s ({each_s:.2f} per clip), "
        f"{cost.wall_s:.1f} s by the clock\n"
        f"  decoding once {decoding_s / min(count, PLAYERS):.2f} s + one correlation "
        f"{correlating_s / min(count, PLAYERS):.2f} s per clip: ratio {each_s / least_s:.2f} "
        f"(at most {MOST_RATIO:g})\n"
        f"  peak memory {cost.peak_mb:.0f} MB (at most {most_mb:.0f})",
        flush=True,
    )
    return each_s, each_s <= MOST_RATIO * least_s and cost.peak_mb <= most_mb


def main() -> int:
    """Measure; return 1 if anything costs too much."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--clips", type=int, nargs="+", default=[20])
    parser.add_argument("--minutes", type=float, default=4.0)
    parser.add_argument("--keep", type=Path, help="where written clips are kept between runs")
    parser.add_argument("--format", choices=("m4a", "flac"), default="m4a")
    options = parser.parse_args()
    results = [run(count, options.minutes, options.keep, options.format) for count in options.clips]
    good = all(well for _, well in results)
    for (first_s, _), (each_s, _), count in zip(
        results, results[1:], options.clips[1:], strict=False
    ):
        print(f"time per clip at {count}: {each_s / first_s:.2f} times that before")
        good = good and each_s <= MOST_GROWTH * first_s
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
