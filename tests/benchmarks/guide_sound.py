"""Figures of the guide's sound: where clicks lie, what a drone's pitch is, time and memory.

    PYTHONPATH=$PWD python tests/benchmarks/guide_sound.py

It prints

* for half an hour of each law of tempo: the largest distance of a click from its beat, in samples;
  where the beats are is reckoned here by arithmetic alone, and the clicks are read from the file;
* the error of a drone's partials in cents, after half an hour;
* wall and processor time of a guide of five minutes with clicks, drone and melody, and of writing
  it in each kind of file;
* wall time and memory of a guide of half an hour.

What is asked: one sample; 0.1 cent; 2 s for five minutes, written as WAV or FLAC; 700 MB.
"""

from __future__ import annotations

import math
import resource
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import soundfile

from syncvid.guide.drone import drone_partials
from syncvid.guide.sound import render_guide
from syncvid.guide.timing import time_plan
from syncvid.guide.tones import Partials, Tone
from syncvid.media.sound_file import ENDINGS, write_sound
from syncvid.production.beats import GuideClick, GuideMap
from syncvid.production.guide_plan import (
    Bar,
    GuidePlan,
    GuideSound,
    Metre,
    Note,
    PlanSection,
    Score,
    ScorePart,
    Tempo,
)

RATE = 48_000
FOUR = Metre("4/4", (Fraction(1, 4),) * 4)


def steady(beats: int) -> float:
    """Return the time of a beat at 97 to the minute."""
    return 60.0 * beats / 97


def by_beats(beats: int) -> float:
    """Return the time of a beat where the tempo grows from 60 by 0.02 with every beat."""
    return 60.0 / 0.02 * math.log1p(0.02 * beats / 60.0)


def by_time(beats: int) -> float:
    """Return the time of a beat where the tempo grows from 60 by 1 each minute."""
    # beats = s + s^2 / 7200, solved for s.
    return 3600.0 * (math.sqrt(1.0 + beats / 1800.0) - 1.0)


def in_steps(beats: int) -> float:
    """Return the time of a beat where each is steady, and the next one 0.02 quicker."""
    return sum(60.0 / (60.0 + 0.02 * beat) for beat in range(beats))


LAWS: dict[str, Callable[[int], float]] = {
    "steady": steady, "by beats": by_beats, "by time": by_time, "in steps": in_steps,
}  # fmt: skip


def worst_click(law: Callable[[int], float], folder: Path, colour: str) -> tuple[int, float]:
    """Return how many clicks half an hour has, and how far the worst is from its beat."""
    times_s = []
    while not times_s or times_s[-1] < 1800.0:
        times_s.append(1.0 + law(len(times_s)))
    clicks = tuple(GuideClick(at, 0 if n % 4 == 0 else 2) for n, at in enumerate(times_s))
    guide = GuideMap("", 1, "", times_s[-1] + 1.0, 1.0, times_s[-1], (), clicks)
    plan = plan_of(1, GuideSound(click=colour, signature=False))
    timing = replace(time_plan(plan), map=guide)
    path = folder / "clicks.flac"
    write_sound(path, render_guide(timing, plan, only="clicks", sample_rate=RATE))
    heard = np.flatnonzero(soundfile.read(str(path), dtype="int32")[0])
    begins = heard[np.diff(heard, prepend=-RATE) > RATE // 10]
    if len(begins) != len(times_s):
        raise SystemExit(f"{len(begins)} clicks for {len(times_s)} beats")
    return len(times_s), float(np.abs(begins - np.array(times_s) * RATE).max())


def worst_cents() -> float:
    """Return the largest error of a partial between two stretches half an hour apart."""
    worst = 0.0
    for midi in (28, 38, 50, 57, 69, 76):
        partials = drone_partials([float(midi)], GuideSound(a4_hz=442.0))
        for number in range(len(partials.hz)):
            wanted_hz = 442.0 * 2 ** ((midi - 69) / 12) * (number + 1)
            tone = Tone(Partials(partials.hz[[number]], np.ones(1), np.zeros(1)), RATE)
            turned = []
            for from_s in (1800, 1801):
                samples = tone.samples(from_s * RATE, RATE).astype(np.float64)
                turns = wanted_hz * np.arange(RATE) / RATE
                whole = float(Fraction(wanted_hz) * from_s % 1)
                wave = np.exp(-2j * np.pi * (turns + whole)) * np.hanning(RATE)
                turned.append(np.angle(np.dot(samples, wave)) / (2 * np.pi))
            # What it turns in a second is the error in Hz.
            error_hz = (turned[1] - turned[0] + 0.5) % 1.0 - 0.5
            worst = max(worst, abs(1200 * math.log2(1 + error_hz / wanted_hz)))
    return worst


def plan_of(bars: int, sound: GuideSound) -> GuidePlan:
    """Return bars of 4/4 at 120, two seconds each."""
    played = tuple(Bar(number, FOUR, Fraction(1)) for number in range(1, bars + 1))
    return GuidePlan("", played, (PlanSection("A"),), Tempo(120.0), sound=sound)


def score_of(plan: GuidePlan) -> Score:
    """Return a score with eighths in the melody and a bass in quarters."""
    rng = np.random.default_rng(5)
    parts = []
    for name, per_bar, low in (("Flute", 8, 67), ("Cello", 4, 40)):
        length = Fraction(1, per_bar)
        pitches = low + rng.integers(0, 12, per_bar * len(plan.bars))
        notes = (Note(n * length, length, float(midi)) for n, midi in enumerate(pitches))
        parts.append(ScorePart(name, tuple(notes)))
    return Score(plan, tuple(parts), "")


def timed(minutes: int, folder: Path, endings: tuple[str, ...]) -> None:
    """Make a guide and write it; print what it took."""
    plan = plan_of(
        30 * minutes, GuideSound(drone=("lowest part",), melody=("Flute",), signature=False)
    )
    score = score_of(plan)
    wall, processor = time.perf_counter(), time.process_time()
    sound = render_guide(time_plan(plan), plan, score)
    print(
        f"{minutes} min with clicks, drone and melody: {time.perf_counter() - wall:.2f} s wall, "
        f"{time.process_time() - processor:.2f} s of processors"
    )
    for ending in endings:
        wall = time.perf_counter()
        write_sound(folder / f"guide{ending}", sound)
        print(f"  written as {ending}: {time.perf_counter() - wall:.2f} s wall")


def main() -> None:
    """Print all figures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        timed(5, folder, ENDINGS)
        for law, colour in zip(LAWS, ("wood", "bell", "tick", "wood"), strict=True):
            count, samples = worst_click(LAWS[law], folder, colour)
            print(f"{law}, {colour}: {count} clicks, the worst {samples:.3f} samples off")
        print(f"drone after half an hour: {worst_cents():.2e} cents off at most")
        timed(30, folder, (".wav", ".flac"))
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"most memory of all this: {peak_mb:.0f} MB")


if __name__ == "__main__":
    main()
