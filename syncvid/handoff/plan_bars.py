"""The bars of a guide as they are played, and how the tempo runs in each beat.

A guide's map tells the tempo at each beat and how long it lasts, with what is put in: a beat may be
held, and a breath may follow it.  Whether the tempo is steady in a beat or on its way to the next
follows from both: a steady beat is a plain note value long.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import NamedTuple

from syncvid.production.beats import GuideBeat
from syncvid.production.note_values import unit_text

# Beats of metres are multiples of a 64th or of its third (a quarter has 48).  Lengths
# are told to a nanosecond: what is further from such a value than this, in quarters, is none.
_GRAIN = 48
_PLAIN = 2e-6

# Lengths of beats in quarters, from a sixteenth to two whole notes, fives and sevens among them;
# what is as close to one of them as this share is one.
_BEATS = (0.25, 0.375, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 3.5, 4.0, 6.0, 8.0)
_NEAR = 0.03

# A beat that ends a ramp is as long as the one before it if it seems to be, by this factor.
_ALIKE = 1.34

_SLIGHT = 1e-6
"""Tempi closer than this, as a share, are the same."""


class BeatTempo(NamedTuple):
    """The tempo in a beat.

    Attributes
    ----------
    begin, end : float
        Where in its bar, from 0 to 1, by the lengths of its beats.
    from_, to : float
        Tempo at its beginning and at its end, in quarters per minute; see `in_beats`.
    held_s : float
        Seconds that were put in and sound.
    breath_s : float
        Seconds of silence that were put in before the next beat.
    length : float
        In quarters.
    """

    begin: float
    end: float
    from_: float
    to: float
    held_s: float
    breath_s: float
    length: float


@dataclass(frozen=True, slots=True)
class PlayedBar:
    """A bar as it is played.

    Attributes
    ----------
    place : int
        Which of all bars, from 0, count-in included.
    number : int
        As printed.
    is_count_in : bool
    guide_s : float
        When it begins.
    beats : tuple of BeatTempo
    """

    place: int
    number: int
    is_count_in: bool
    guide_s: float
    beats: tuple[BeatTempo, ...]


class Stretch(NamedTuple):
    """Bars that are played again: from which place on, how many, their first and last number."""

    place: int
    bars: int
    first: int
    last: int


def played_bars(guide_beats: Sequence[GuideBeat]) -> tuple[PlayedBar, ...]:
    """Return the bars of a guide's beats in the order in which they are played."""
    done: list[PlayedBar] = []
    nth = 0
    before: BeatTempo | None = None
    for place, group in enumerate(_groups(guide_beats)):
        beats = []
        for beat in group:
            nth += 1
            later = guide_beats[nth] if nth < len(guide_beats) else None
            start, stop = _tempi(beat, later, before)
            length = _length((start + stop) / 2.0 * _steady_s(beat) / 60.0)
            before = BeatTempo(0.0, 1.0, start, stop, beat.held_s, beat.breath_s, length)
            beats.append(before)
        first = group[0]
        done.append(
            PlayedBar(place, first.bar, first.is_count_in, first.guide_s, _side_by_side(beats))
        )
    return tuple(done)


def in_beats(bars: Sequence[PlayedBar]) -> tuple[tuple[PlayedBar, ...], str]:
    """Return bars with their tempi in the beats that are counted, and what these are called.

    Where not all beats of the music are equally long, quarters are counted.
    """
    unit = _beat_unit([bar for bar in bars if not bar.is_count_in])
    counted = tuple(
        replace(
            bar,
            beats=tuple(
                beat._replace(from_=beat.from_ / unit, to=beat.to / unit) for beat in bar.beats
            ),
        )
        for bar in bars
    )
    name = unit_text(Fraction(unit) / 4)
    if "/" in name:
        return counted, f"beats of {name}"
    return counted, f"{name[:-1]}ves" if name.endswith("half") else f"{name}s"


def _beat_unit(music: Sequence[PlayedBar]) -> float:
    """Return the length of all beats in quarters; a quarter where they differ or are uncommon."""
    lengths: set[float] = set()
    for bar, later in itertools.zip_longest(music, music[1:]):
        # Before a repeat and at the end a bar may break off within a beat.
        whole = len(bar.beats) == 1 or (later is not None and later.number == bar.number + 1)
        lengths |= {beat.length for beat in (bar.beats if whole else bar.beats[:-1])}
    unit = lengths.pop() if len(lengths) == 1 else 1.0
    return unit if unit in _BEATS else 1.0


def _side_by_side(beats: Sequence[BeatTempo]) -> tuple[BeatTempo, ...]:
    """Give beats their places in their bar."""
    edges = list(itertools.accumulate((beat.length for beat in beats), initial=0.0))
    return tuple(
        beat._replace(begin=begin / edges[-1], end=end / edges[-1])
        for beat, begin, end in zip(beats, edges, edges[1:], strict=False)
    )


def _length(about: float) -> float:
    """Return the length of a beat that seems to have so many quarters; never 0."""
    near = min(_BEATS, key=lambda length: abs(length - about))
    return near if abs(near - about) <= _NEAR * near else max(about, _NEAR)


def _steady_s(beat: GuideBeat) -> float:
    """Return how long a beat lasts without what is put in."""
    return beat.length_s - beat.held_s - beat.breath_s


def again(bars: Sequence[PlayedBar]) -> Iterator[Stretch]:
    """Yield the stretches of bars that were played before."""
    seen: set[int] = set()
    run: list[PlayedBar] = []
    for bar in bars:
        if bar.is_count_in:
            continue
        goes_on = bool(run) and bar.number == run[-1].number + 1
        if run and not (goes_on and bar.number in seen):
            yield _stretch(run)
            run = []
        if bar.number in seen:
            run.append(bar)
        seen.add(bar.number)
    if run:
        yield _stretch(run)


def _groups(beats: Sequence[GuideBeat]) -> list[list[GuideBeat]]:
    """Return the beats bar by bar; a bar that comes twice in a row is two."""
    groups: list[list[GuideBeat]] = []
    for beat in beats:
        last = groups[-1][-1] if groups else None
        same = last is not None and (last.bar, last.is_count_in) == (beat.bar, beat.is_count_in)
        if same and last is not None and beat.beat > last.beat:
            groups[-1].append(beat)
        else:
            groups.append([beat])
    return groups


def _tempi(
    beat: GuideBeat, later: GuideBeat | None, before: BeatTempo | None
) -> tuple[float, float]:
    """Return the tempo at a beat's beginning and end."""
    sounding_s = _steady_s(beat)
    if beat.quarters <= 0.0 or sounding_s <= 0.0:
        # A map without tempi tells at least how fast the beats come.
        guessed = beat.quarters or (60.0 / sounding_s if sounding_s > 0.0 else 60.0)
        return guessed, guessed
    goes_on = later is not None and abs(later.quarters / beat.quarters - 1.0) < _SLIGHT
    if goes_on or _is_plain(beat.quarters * sounding_s / 60.0):
        return beat.quarters, beat.quarters
    if later is not None and any(
        _is_plain(mean * sounding_s / 60.0) for mean in _means(beat.quarters, later.quarters)
    ):
        return beat.quarters, later.quarters
    if before is None or before.from_ == before.to:
        return beat.quarters, beat.quarters
    return beat.quarters, _end_of_ramp(beat.quarters, sounding_s, before)


def _end_of_ramp(start: float, sounding_s: float, before: BeatTempo) -> float:
    """Return the tempo at the end of a ramp after which the tempo steps, or nothing comes."""
    about = start * sounding_s / 60.0
    alike = before.length / _ALIKE < about < before.length * _ALIKE
    length = before.length if alike else max(round(about * 2.0), 1) / 2.0
    # It goes on as in the beat before: by the score if that fits the time it takes, or by time.
    by_score = start + (before.to - before.from_) * length / before.length
    if by_score > 0.0 and _is_plain(_means(start, by_score)[0] * sounding_s / 60.0):
        return by_score
    return max(2.0 * 60.0 * length / sounding_s - start, 1.0)


def _means(start: float, end: float) -> tuple[float, ...]:
    """Return the mean tempo on the way between two: linear in the score, linear in time."""
    if end <= 0.0:
        return ()
    return (end - start) / math.log(end / start), (start + end) / 2.0


def _is_plain(quarters: float) -> bool:
    """Return whether a length is a plain note value."""
    return abs(quarters * _GRAIN - round(quarters * _GRAIN)) < _PLAIN * _GRAIN


def _stretch(run: Sequence[PlayedBar]) -> Stretch:
    """Return bars as a stretch."""
    return Stretch(run[0].place, len(run), run[0].number, run[-1].number)
