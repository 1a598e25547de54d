"""The bars of a guide as they are played, and how the tempo runs in each beat.

A guide's map tells the tempo at each beat and how long it lasts.  Whether the tempo is steady in
a beat or on its way to the next follows from both: a steady beat is a plain note value long.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from syncvid.production.beats import GuideBeat, GuideMap

# Beats of metres are multiples of a 64th or of its third (a quarter has 48).  Lengths
# are told to a nanosecond: what is further from such a value than this, in quarters, is none.
_GRAIN = 48
_PLAIN = 2e-6

_SLIGHT = 1e-6
"""Tempi closer than this, as a share, are the same."""


class BeatTempo(NamedTuple):
    """The tempo in a beat.

    Attributes
    ----------
    begin, end : float
        Where in its bar, from 0 to 1.
    from_, to : float
        Tempo at its beginning and at its end, in quarters per minute.
    held_s : float
        Seconds that were put in.
    """

    begin: float
    end: float
    from_: float
    to: float
    held_s: float


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


def played_bars(guide: GuideMap) -> tuple[PlayedBar, ...]:
    """Return the bars of a guide in the order in which they are played."""
    groups = _groups(guide.beats)
    done: list[PlayedBar] = []
    nth, changing = 0, False
    for place, group in enumerate(groups):
        beats = []
        for index, beat in enumerate(group):
            nth += 1
            later = guide.beats[nth] if nth < len(guide.beats) else None
            begin, end = index / len(group), (index + 1) / len(group)
            start, stop = _tempi(beat, later, changing=changing)
            changing = start != stop
            beats.append(BeatTempo(begin, end, start, stop, beat.held_s))
        first = group[0]
        done.append(PlayedBar(place, first.bar, first.is_count_in, first.guide_s, tuple(beats)))
    return tuple(done)


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


def _tempi(beat: GuideBeat, later: GuideBeat | None, *, changing: bool) -> tuple[float, float]:
    """Return the tempo at a beat's beginning and end; `changing`: it changed in the one before."""
    sounding_s = beat.length_s - beat.held_s
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
    if not changing:
        return beat.quarters, beat.quarters
    # A ramp after which the tempo steps: its end follows from the mean tempo of the beat.
    length = max(round(beat.quarters * sounding_s / 60.0 * 2.0), 1) / 2.0
    return beat.quarters, max(2.0 * 60.0 * length / sounding_s - beat.quarters, 1.0)


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
