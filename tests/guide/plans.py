"""Small plans and scores for tests of the guide."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from syncvid.guide.timing import Timing, time_plan
from syncvid.production.guide_plan import (
    Bar,
    Clicks,
    GuidePlan,
    GuideSound,
    Metre,
    Note,
    PlanSection,
    Score,
    ScorePart,
    Tempo,
)

FOUR = Metre("4/4", (Fraction(1, 4),) * 4)
QUIET = GuideSound(signature=False)


def plan_of(
    bars: int,
    *,
    tempo: float = 120.0,
    clicks: Clicks = Clicks.BEATS,
    sound: GuideSound = QUIET,
    drones: Iterable[tuple[int, tuple[str, ...]]] = (),
) -> GuidePlan:
    """Return bars of 4/4; `drones` gives the bars and the drone of each section."""
    lengths = list(drones) or [(bars, ())]
    sections = tuple(PlanSection(f"S{i}", clicks, notes) for i, (_, notes) in enumerate(lengths))
    numbers = [section for section, (count, _) in enumerate(lengths) for _ in range(count)]
    played = tuple(
        Bar(number, FOUR, Fraction(1), section=section)
        for number, section in enumerate(numbers, start=1)
    )
    return GuidePlan("A test", played, sections, Tempo(tempo), sound=sound)


def timed(plan: GuidePlan) -> Timing:
    return time_plan(plan)


def part_of(name: str, *notes: tuple[str, str, float]) -> ScorePart:
    """Return a part of (position, length, pitch), positions and lengths as ``3/8``."""
    return ScorePart(name, tuple(Note(Fraction(a), Fraction(b), c) for a, b, c in notes))


def score_of(plan: GuidePlan, *parts: ScorePart) -> Score:
    return Score(plan, parts, "1")
