"""Guide maps whose times are worked out by the formulas of a textbook, beat by beat."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from syncvid.production.beats import GuideBeat, GuideMap, Mark


class Given(NamedTuple):
    """A beat: its bar, its number, its length in quarters, tempo at its beginning and end."""

    bar: int
    beat: int
    start: float
    end: float
    length: float = 1.0
    section: int = 0
    held_s: float = 0.0
    breath_s: float = 0.0


def seconds(given: Given) -> float:
    """Return how long a beat lasts whose tempo is linear in the score, the hold left out.

    60 / tempo integrated over the beat: from 60 to 120 over four beats 2.7726 s.
    """
    if given.start == given.end:
        return 60.0 * given.length / given.start
    return 60.0 * given.length / (given.end - given.start) * math.log(given.end / given.start)


def make_guide(
    beats: Sequence[Given], names: Sequence[str] = (), *, title: str = "Round"
) -> GuideMap:
    """Return a map; the first beat of each section gets its name."""
    at_s, rows, marks = 1.0, [], []
    seen: set[int] = set()
    for given in beats:
        length_s = seconds(given) + given.held_s + given.breath_s
        rows.append(
            GuideBeat(given.bar, given.beat, round(at_s, 9), round(length_s, 9), given.start,
                      given.section, 4, given.held_s, given.breath_s)
        )  # fmt: skip
        if given.section >= 0 and given.section not in seen and given.section < len(names):
            marks.append(Mark(names[given.section], given.bar, round(at_s, 9)))
        seen.add(given.section)
        at_s += length_s
    music = [row.guide_s for row in rows if not row.is_count_in]
    return GuideMap(title, 1, "", at_s + 2.0, music[0] if music else 1.0, at_s, tuple(rows), (),
                    tuple(marks))  # fmt: skip


def steady(bars: Sequence[int], tempo: float, section: int = 0, beats: int = 4) -> list[Given]:
    """Return whole bars in one tempo."""
    return [Given(bar, beat + 1, tempo, tempo, 1.0, section)
            for bar in bars for beat in range(beats)]  # fmt: skip


def ramp(bars: Sequence[int], start: float, end: float, section: int = 0) -> list[Given]:
    """Return whole bars of four beats in which the tempo changes evenly by beats."""
    count = 4 * len(bars)
    step = (end - start) / count
    return [
        Given(
            bars[nth // 4], nth % 4 + 1, start + step * nth, start + step * (nth + 1), 1.0, section
        )
        for nth in range(count)
    ]
