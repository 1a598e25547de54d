"""How reliably a guide's signature is found under noise, how exactly, and how often by chance.

    python -m tests.benchmarks.signature [--rounds N] [--music FOLDER ...] [--noise-minutes N]

Each round leaks an invented signature into room noise at some level below it within 1 to 6 kHz,
through headphones and a room: band-limited, echoing, on a clock that is up to 300 ppm off, one in
four times at a speed 2 % off.  `--music` looks for signatures in sound files that have none.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np
from scipy import signal

from syncvid.arrays import Audio
from syncvid.errors import SyncvidError
from syncvid.media.probe import probe
from syncvid.media.sound import read_sound, resample
from syncvid.signals.cue import find_signatures, make_signature, match_signature

RATE = 16_000
LENGTH_S = 8.0
LEVELS_DB = (10, 0, -6, -10, -12, -15, -18, -21, -24)

# Room: the echo of all sound after the direct one, in dB, and its time to fade by 60 dB.
ECHO_DB = -3.0
FADE_S = 0.35
SOUND_FILES = {".flac", ".wav", ".mp3", ".m4a", ".mp4", ".mov", ".mkv", ".3gp", ".ogg", ".webm"}


def leak(rng: np.random.Generator, guide: int, version: int, at_s: float, stretch: float) -> Audio:
    """Return a signature as a phone hears it leak, without noise."""
    fine = signal.resample_poly(make_signature(guide, version, 48_000), 4, 1)
    times = np.arange(round(LENGTH_S * RATE)) / RATE
    sound = np.interp((times - at_s) / stretch * 192_000, np.arange(len(fine)), fine, 0, 0)
    tail = rng.standard_normal(round(FADE_S * RATE)) * 10 ** (
        -3 * np.arange(round(FADE_S * RATE)) / (FADE_S * RATE)
    )
    tail[:16] = 0
    tail *= 10 ** (ECHO_DB / 20) / np.sqrt(np.sum(tail**2))
    tail[0] = 1.0
    tilt = signal.butter(1, [1500, 4500], "bandpass", fs=RATE, output="sos")
    return np.asarray(signal.sosfiltfilt(tilt, signal.fftconvolve(sound, tail)[: len(times)]))


def one_round(rng: np.random.Generator, level_db: float) -> tuple[bool, bool, bool, float, float]:
    """Return read, wrongly read, recognised, and both errors in ms (NaN where not found)."""
    guide, version = int(rng.integers(65536)), int(rng.integers(1, 256))
    at_s, odd = float(rng.uniform(1, 5)), rng.random() < 0.25
    stretch = 1 + (float(rng.choice([-0.02, 0.02])) if odd else float(rng.uniform(-3e-4, 3e-4)))
    sound = leak(rng, guide, version, at_s, stretch)
    noise = signal.lfilter([1], [1, -0.9], rng.standard_normal(len(sound)))
    band = signal.butter(4, [1000, 6000], "bandpass", fs=RATE, output="sos")
    within = slice(round((at_s + 0.1) * RATE), round((at_s + 1.8) * RATE))
    ratio = np.std(signal.sosfilt(band, noise)) / np.std(sound[within])
    clip = (0.01 * (noise + ratio * 10 ** (level_db / 20) * sound)).astype(np.float32)
    found = find_signatures(clip, RATE)
    right = [one for one in found if (one.guide, one.version) == (guide, version)]
    known = None if odd else match_signature(clip, RATE, guide, version)
    return (
        bool(right),
        len(found) > len(right),
        known is not None or (odd and bool(right)),
        (right[0].at_s - at_s) * 1e3 if right else np.nan,
        (known.at_s - at_s) * 1e3 if known else np.nan,
    )


def levels(rounds: int) -> None:
    """Print rates and errors at each level."""
    print("level dB   read  wrong  known   median ms   worst ms (read, known)")
    for level_db in LEVELS_DB:
        rng = np.random.default_rng(100 + level_db)
        told = [one_round(rng, level_db) for _ in range(rounds)]
        read, wrong, known = (sum(row[at] for row in told) / rounds for at in range(3))
        errors = np.abs(np.array([row[3:] for row in told]))
        seen = errors[np.isfinite(errors)]
        worst = [f"{column[np.isfinite(column)].max(initial=0):.3f}" for column in errors.T]
        print(
            f"{level_db:8} {read:6.0%} {wrong:6.0%} {known:6.0%} "
            f"{np.median(seen) if len(seen) else np.nan:11.4f}   {', '.join(worst)}",
            flush=True,
        )


def noise(minutes: float) -> None:
    """Print what is found in white noise."""
    rng = np.random.default_rng(7)
    found = known = 0
    begun = time.process_time()
    pieces = max(1, round(minutes / 5))
    spent = 0.0
    for _ in range(pieces):
        clip = 0.01 * rng.standard_normal(300 * RATE).astype(np.float32)
        before = time.process_time()
        found += len(find_signatures(clip, RATE))
        spent += time.process_time() - before
        known += match_signature(clip, RATE, int(rng.integers(65536)), 1) is not None
    total = time.process_time() - begun
    print(f"noise: {5 * pieces} min, read {found}, recognised {known}, {total:.1f} s;", end=" ")
    print(f"{spent / pieces:.3f} s of processor time to search 5 minutes")


def music(folders: list[Path]) -> None:
    """Print what is found in files without signatures."""
    seconds, found, known, files = 0.0, 0, 0, 0
    for path in sorted(at for folder in folders for at in folder.rglob("*")):
        if path.suffix.lower() not in SOUND_FILES:
            continue
        try:
            clip = resample(read_sound(probe(path), mono=True), RATE).samples[0]
        except SyncvidError:
            continue
        here = find_signatures(clip, RATE)
        same = match_signature(clip, RATE, 4711, 1)
        for one in (*here, *([same] if same else [])):
            print(f"  {path}: {one}")
        seconds, files = seconds + len(clip) / RATE, files + 1
        found, known = found + len(here), known + (same is not None)
    print(f"music: {files} files, {seconds / 60:.0f} min, read {found}, recognised {known}")


def main() -> int:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=40)
    parser.add_argument("--noise-minutes", type=float, default=10.0)
    parser.add_argument("--music", type=Path, nargs="*", default=[])
    asked = parser.parse_args()
    if asked.rounds:
        levels(asked.rounds)
    if asked.noise_minutes:
        noise(asked.noise_minutes)
    if asked.music:
        music(asked.music)
    return 0


if __name__ == "__main__":
    sys.exit(main())
