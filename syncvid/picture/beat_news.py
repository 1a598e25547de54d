"""What a guide's picture announces: entries, holds, breaths and changes of tempo, each a bar ahead.

A tempo map says how fast each beat begins; how fast it ends follows from how long it lasts.  From
both it is seen whether a tempo steps or glides, and where it is going.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from syncvid.production.beats import GuideBeat, GuideMap
from syncvid.production.note_values import unit_text

# A tempo that differs by a smaller share has not changed: a step is written in whole numbers, and
# a glide of a hundred beats still moves by more than this in each of them.
_LEAST_STEP, _LEAST_GLIDE = 0.004, 1e-5

# Lengths of a beat, in quarters: from a sixteenth to two whole notes.
_BEAT_QUARTERS = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0)

# A tempo in beats a minute that differs by less is the same for who counts.
_SAME_TEMPO = 0.5

# Time put into a beat that is shorter than this is not told beforehand (project choice).
_TOLD_HOLD_S = 0.2


@dataclass(frozen=True, slots=True)
class News:
    """Words that are on screen for a while.

    Attributes
    ----------
    from_s, to_s : float
        Guide seconds; `to_s` is not included.
    text : str
        What is said.
    """

    from_s: float
    to_s: float
    text: str


class _Change(NamedTuple):
    """A tempo that steps at a beat, or glides from a beat on up to a moment."""

    first: int
    last: int
    to_s: float
    to_quarters: float
    glides: bool


class _Move(NamedTuple):
    """A step at the beginning of a beat, or a glide within it."""

    at: int
    glides: bool
    rises: bool
    to_quarters: float


def bar_starts(beats: Sequence[GuideBeat]) -> list[int]:
    """Return which beats begin a bar; the two halves of a bar that a repeat divides are one bar.

    Parameters
    ----------
    beats : sequence of GuideBeat
        In the order of time.

    Returns
    -------
    list of int
        Indices, 0 first.
    """
    return [
        index
        for index, beat in enumerate(beats)
        if index == 0 or beat.bar != beats[index - 1].bar or beat.beat <= beats[index - 1].beat
    ]


def find_news(guide: GuideMap) -> tuple[News, ...]:
    """Return all that is announced, the most pressing first: entries, holds, tempo.

    Parameters
    ----------
    guide : GuideMap

    Returns
    -------
    tuple of News
    """
    starts = bar_starts(guide.beats)
    return (
        *_entry_news(guide, starts),
        *_hold_news(guide.beats, starts),
        *_tempo_news(guide.beats, starts),
    )


def _tempo_news(beats: Sequence[GuideBeat], starts: Sequence[int]) -> Iterator[News]:
    """Yield what is said about changes of tempo."""
    for change in _changes(beats):
        at, goal = beats[change.first], beats[change.last]
        # A glide begins at the tempo of its own first beat, which may have stepped there.
        index = change.first if change.glides else max(0, change.first - 1)
        now = beats[index].quarters / _unit(beats, starts, index)
        unit = _unit(beats, starts, change.last)
        later = change.to_quarters / unit
        if abs(later - now) < _SAME_TEMPO:
            continue
        ahead_s = beats[_bar_before(starts, change.first)].guide_s
        place = _place(at)
        word, goal_text = "faster" if later > now else "slower", _tempo_text(later, unit)
        if not change.glides:
            yield News(ahead_s, at.guide_s, f"{word}: {goal_text} from {place}")
            continue
        yield News(ahead_s, at.guide_s, f"getting {word} to {goal_text} from {place}")
        yield News(at.guide_s, max(change.to_s, goal.guide_s), f"getting {word} to {goal_text}")


def _changes(beats: Sequence[GuideBeat]) -> Iterator[_Change]:
    """Join what follows each other in one direction: glides, or steps from beat to beat."""
    moves = list(_moves(beats))
    while moves:
        count = 1
        while count < len(moves) and _goes_on(moves[count - 1], moves[count]):
            count += 1
        first, last = moves[0], moves[count - 1]
        moves = moves[count:]
        if first.glides:
            end_s = beats[last.at].guide_s + beats[last.at].length_s
            yield _Change(first.at, last.at, end_s, last.to_quarters, True)
        elif count > 1:
            # In steps: the first beat of the change still has the old tempo.
            end_s = beats[last.at].guide_s
            yield _Change(max(0, first.at - 1), last.at, end_s, last.to_quarters, True)
        else:
            at_s = beats[first.at].guide_s
            yield _Change(first.at, first.at, at_s, first.to_quarters, False)


def _goes_on(one: _Move, other: _Move) -> bool:
    """Tell whether a move only goes on with the one before it."""
    return one.glides == other.glides and one.rises == other.rises and other.at == one.at + 1


def _moves(beats: Sequence[GuideBeat]) -> Iterator[_Move]:
    """Yield how the tempo moves, beat by beat."""
    ended: float | None = None
    for index, beat in enumerate(beats):
        if beat.quarters <= 0.0:
            ended = None
            continue
        begins, ends = beat.quarters, _at_its_end(beat)
        if ended is not None and abs(begins - ended) > _LEAST_STEP * ended:
            yield _Move(index, False, begins > ended, begins)
        if abs(ends - begins) > _LEAST_GLIDE * begins:
            yield _Move(index, True, ends > begins, ends)
        ended = ends


def _at_its_end(beat: GuideBeat) -> float:
    """Return the tempo with which a beat ends: its mean lies half-way, whatever the law."""
    steady_s = _steady_s(beat)
    if steady_s <= 0.0:
        return beat.quarters
    mean = 60.0 * _beat_quarters(beat) / steady_s
    return max(0.0, 2.0 * mean - beat.quarters)


def _steady_s(beat: GuideBeat) -> float:
    """Return how long a beat lasts without what is put into it."""
    return beat.length_s - beat.held_s - beat.breath_s


def _beat_quarters(beat: GuideBeat) -> float:
    """Return how long a beat is in quarters, by its length and its tempo."""
    about = max(1e-9, beat.quarters * _steady_s(beat) / 60.0)
    return min(_BEAT_QUARTERS, key=lambda length: abs(math.log(length / about)))


def _unit(beats: Sequence[GuideBeat], starts: Sequence[int], index: int) -> float:
    """Return what is counted in a beat's bar, in quarters; of uneven beats the short ones."""
    number = bisect.bisect_right(starts, index)
    stop = starts[number] if number < len(starts) else len(beats)
    return min(_beat_quarters(beat) for beat in beats[starts[number - 1] : stop])


def _tempo_text(per_minute: float, unit: float) -> str:
    """Write a tempo, with its note where that is no quarter."""
    number = f"{per_minute:.0f}"
    return number if unit == 1.0 else f"{unit_text(Fraction(unit) / 4)} = {number}"


def _bar_before(starts: Sequence[int], index: int) -> int:
    """Return the beat that begins the bar before that of a beat; of the first bar, its own."""
    return starts[max(0, bisect.bisect_right(starts, index) - 2)]


def _hold_news(beats: Sequence[GuideBeat], starts: Sequence[int]) -> Iterator[News]:
    """Yield what is said about beats that are held, and about breaths."""
    for index, beat in enumerate(beats):
        breath_from_s = breath_begins_s(beat)
        if beat.held_s > 0.0:
            if beat.held_s >= _TOLD_HOLD_S:
                ahead_s = beats[_bar_before(starts, index)].guide_s
                yield News(ahead_s, beat.guide_s, f"hold: {_place(beat, always=True)}")
            yield News(beat.guide_s, breath_from_s, "hold")
        if beat.breath_s > 0.0:
            if beat.breath_s >= _TOLD_HOLD_S and index + 1 < len(beats):
                ahead_s = beats[_bar_before(starts, index + 1)].guide_s
                yield News(ahead_s, breath_from_s, f"breath before {_place(beats[index + 1])}")
            yield News(breath_from_s, beat.guide_s + beat.length_s, "breath")


def breath_begins_s(beat: GuideBeat) -> float:
    """Return when the silence before the next beat begins; its end where there is none."""
    return beat.guide_s + beat.length_s - beat.breath_s


def _place(beat: GuideBeat, *, always: bool = False) -> str:
    """Name a bar and its beat; the first one only if that is `always` wanted."""
    return f"bar {beat.bar}, beat {beat.beat}" if always or beat.beat > 1 else f"bar {beat.bar}"


def _entry_news(guide: GuideMap, starts: Sequence[int]) -> Iterator[News]:
    """Yield who comes in; those who do so together are named together."""
    entries: dict[tuple[float, float], list[str]] = defaultdict(list)
    for mark in guide.marks:
        if mark.kind == "cue" and guide.beats:
            entry_s = _entry_s(guide.beats, starts, mark.guide_s, mark.bar)
            entries[mark.guide_s, entry_s].append(mark.name)
    for (from_s, to_s), names in sorted(entries.items()):
        *others, last = names
        told = f"{', '.join(others)} and {last}" if others else last
        yield News(from_s, to_s, f"{told} in 1 bar")


def _entry_s(beats: Sequence[GuideBeat], starts: Sequence[int], cue_s: float, bar: int) -> float:
    """Return when a part comes in: at the beat of its bar at which, a bar before, the cue was."""
    at = max(0, bisect.bisect_right(beats, cue_s + 1e-6, key=lambda beat: beat.guide_s) - 1)
    later = [index for index in starts if index > at and beats[index].bar == bar]
    if not later:
        return beats[-1].guide_s
    bar_beats = itertools.takewhile(lambda beat: beat.bar == bar, beats[later[0] :])
    fitting = (beat.guide_s for beat in bar_beats if beat.beat >= beats[at].beat)
    return next(fitting, beats[later[0]].guide_s)
