"""A score's notes for a plan that plays its bars in another order, or not all of them."""

from __future__ import annotations

import bisect
from dataclasses import replace
from fractions import Fraction

from syncvid.production.guide_plan import Bar, GuidePlan, Note, Score, ScorePart
from syncvid.production.played import PlayedBars


def fit_score(score: Score, plan: GuidePlan) -> Score:
    """Lay a score's notes on the bars of a plan.

    Each bar of the plan gets the notes that begin in the score's bar of that number: of its second
    time the second time's, if the score plays it as often.

    Parameters
    ----------
    score : Score
        As it was read.
    plan : GuidePlan
        As the user has it.

    Returns
    -------
    Score
        Of that plan; with a remark for bars which the score lacks.
    """
    if _shape(score.plan.bars) == _shape(plan.bars):
        return replace(score, plan=plan)
    from_bars, to_bars = PlayedBars(score.plan.bars), PlayedBars(plan.bars)
    pairs = _pairs(score.plan.bars, plan.bars)
    parts = tuple(
        ScorePart(part.name, tuple(_moved(part.notes, from_bars, to_bars, pairs)))
        for part in score.parts
    )
    lacking = sorted({bar.number for bar, pair in zip(plan.bars, pairs, strict=True) if not pair})
    told: tuple[str, ...] = ()
    if lacking:
        listed = ", ".join(map(str, lacking[:8])) + (" ..." if len(lacking) > 8 else "")
        told = (f"The score has no bars {listed}: nothing of it sounds there.",)
    return replace(
        score,
        plan=plan,
        parts=parts,
        remarks=(*score.remarks, *told),
        note_remarks=(*score.note_remarks, *told),
    )


def _shape(bars: tuple[Bar, ...]) -> list[tuple[int, Fraction, Fraction]]:
    """Return what must be the same for notes to stay where they are."""
    return [(bar.number, bar.begin, bar.length) for bar in bars]


def _pairs(score: tuple[Bar, ...], plan: tuple[Bar, ...]) -> list[list[int]]:
    """Return for each bar of a plan the index of the score's bar, in a list; empty: there is none.

    Halves of a bar that a repeat divides are told apart by where they begin.
    """
    found: dict[tuple[int, Fraction], list[int]] = {}
    for index, bar in enumerate(score):
        found.setdefault((bar.number, bar.begin), []).append(index)
    seen: dict[tuple[int, Fraction], int] = {}
    pairs = []
    for bar in plan:
        key = bar.number, bar.begin
        choice = found.get(key, [])
        time = seen[key] = seen.get(key, -1) + 1
        pairs.append(choice[min(time, len(choice) - 1) :][:1] if choice else [])
    return pairs


def _moved(
    notes: tuple[Note, ...], score: PlayedBars, plan: PlayedBars, pairs: list[list[int]]
) -> list[Note]:
    """Return a part's notes on the plan's bars."""
    begins = [note.at for note in notes]
    moved = []
    for to_index, pair in enumerate(pairs):
        for index in pair:
            length = min(score.bars[index].length, plan.bars[to_index].length)
            first = bisect.bisect_left(begins, score.starts[index])
            last = bisect.bisect_left(begins, score.starts[index] + length)
            shift = plan.starts[to_index] - score.starts[index]
            moved += [note._replace(at=note.at + shift) for note in notes[first:last]]
    return moved
