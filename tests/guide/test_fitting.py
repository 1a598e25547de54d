"""Notes of a score under a plan that the user has changed."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from syncvid.guide.fitting import fit_score
from syncvid.production.guide_plan import Bar, GuidePlan, Metre, Note, PlanSection, Score, Tempo
from syncvid.production.guide_plan import ScorePart as Part

TWO = Metre("2/4", (Fraction(1, 4),) * 2)


def plan_of(*numbers: int) -> GuidePlan:
    bars = tuple(Bar(number, TWO, TWO.length) for number in numbers)
    return GuidePlan("", bars, (PlanSection(),), Tempo(60.0))


def score_of(*numbers: int) -> Score:
    """Make a score whose nth played bar holds a note of pitch n at its beginning and half-way."""
    notes = tuple(
        Note(Fraction(index, 2) + half, Fraction(1, 4), float(index))
        for index in range(len(numbers))
        for half in (Fraction(0), Fraction(1, 4))
    )
    return Score(plan_of(*numbers), (Part("Cello", notes),), "", ("one",))


def pitches(score: Score) -> list[tuple[float, float]]:
    return [(float(note.at), note.midi) for note in score.parts[0].notes]


def test_the_same_bars_leave_the_notes_alone() -> None:
    score = score_of(1, 2, 1, 3)
    plan = replace(plan_of(1, 2, 1, 3), tempo=Tempo(90.0))
    found = fit_score(score, plan)
    assert found.parts == score.parts
    assert found.plan is plan


def test_bars_may_be_left_out_and_played_again() -> None:
    found = fit_score(score_of(1, 2, 1, 3), plan_of(3, 1, 1, 1))
    assert pitches(found)[::2] == [(0.0, 3.0), (0.5, 0.0), (1.0, 2.0), (1.5, 2.0)]
    assert found.remarks == ("one",)


def test_bars_that_the_score_lacks_are_told() -> None:
    found = fit_score(score_of(1, 2), plan_of(1, 7, 2))
    assert pitches(found)[::2] == [(0.0, 0.0), (1.0, 1.0)]
    assert found.remarks[1] == "The score has no bars 7: nothing of it sounds there."


def test_a_shorter_bar_takes_what_has_room() -> None:
    plan = plan_of(1, 2)
    short = replace(plan, bars=(replace(plan.bars[0], length=Fraction(1, 4)), plan.bars[1]))
    assert pitches(fit_score(score_of(1, 2), short)) == [(0.0, 0.0), (0.25, 1.0), (0.5, 1.0)]
