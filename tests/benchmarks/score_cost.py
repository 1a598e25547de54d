"""How long reading a score takes: ten minutes of eight parts, eighths and sixteenths throughout.

Run with ``python -m tests.benchmarks.score_cost``; it should stay under a second, and must stay
under five.
"""

from __future__ import annotations

import time

from syncvid.guide.score import read_score
from tests.guide.scores import attributes, measure, metronome, note, partwise

# 4/4 at 120: two seconds a bar.
PARTS, BARS, TEMPO = 8, 300, 120
_SCALE = ("C4", "D4", "E4", "F#4", "G4", "A4", "Bb4", "C5")


def long_score() -> str:
    """Return the score as MusicXML."""
    bars = []
    for number in range(1, BARS + 1):
        head = attributes("4/4", 4) + metronome("quarter", TEMPO) if number == 1 else ""
        eighths = "".join(note(_SCALE[(number + i) % 8], 2, "<voice>1</voice>") for i in range(4))
        fast = "".join(note(_SCALE[(number + i) % 8], 1, "<voice>1</voice>") for i in range(8))
        bars.append(measure(head + eighths + fast, number))
    return partwise(*([bars] * PARTS))


def main() -> None:
    """Time it, the best of three."""
    data = long_score().encode()
    best = float("inf")
    for _ in range(3):
        begun = time.perf_counter()
        score = read_score(data, name="long.musicxml")
        best = min(best, time.perf_counter() - begun)
    count = sum(len(part.notes) for part in score.parts)
    print(f"{len(data) / 1e6:.1f} MB, {count} notes, {len(score.plan.bars)} bars: {best:.2f} s")


if __name__ == "__main__":
    main()
