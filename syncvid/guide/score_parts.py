"""Parts of a score by their names, and the plain line of the lowest notes."""

from __future__ import annotations

import bisect
import heapq
import itertools
import math
from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import NamedTuple

from syncvid.errors import ProductionError
from syncvid.production.guide_plan import Bar, Note, Score, ScorePart
from syncvid.production.played import PlayedBars, beat_starts


class Held(NamedTuple):
    """Notes that sound from one position of the score to another, in whole notes."""

    from_at: Fraction
    to_at: Fraction
    notes: tuple[float, ...]


class _Stretch(NamedTuple):
    """A note that is the lowest for some ticks."""

    from_tick: int
    to_tick: int
    midi: float


def find_part(score: Score | None, name: str) -> ScorePart:
    """Return a part by its name; capitals and blanks around it do not matter.

    Raises
    ------
    ProductionError
        There is no such part, or no score.
    """
    if score is None:
        raise ProductionError(
            f"The part {name!r} cannot be played: the guide has no score.",
            fix="Name the score, or write notes as D3 instead of the part's name.",
        )
    wanted = name.strip().casefold()
    for part in score.parts:
        if part.name.strip().casefold() == wanted:
            return part
    names = ", ".join(repr(part.name) for part in score.parts) or "no parts at all"
    raise ProductionError(
        f"There is no part {name!r} in the score: it has {names}.", fix="Choose one of them."
    )


def plain_lowest_line(parts: Sequence[ScorePart], bars: Sequence[Bar]) -> tuple[Held, ...]:
    """Return the lowest sounding line of some parts, simplified so that it can be sustained.

    A part's rests of less than a bar are bridged: while the bass is silent for a beat, the chord
    above it is not the lowest line.  In each beat the note counts that is the lowest for longest,
    of two the lower one.  Repeated notes become one.

    Parameters
    ----------
    parts : sequence of ScorePart
        At least one.
    bars : sequence of Bar
        As played.

    Returns
    -------
    tuple of Held
        One note each, in the order of time.
    """
    played = PlayedBars(bars)
    beats = [
        played.bar_at(index)[1] + start
        for index in range(len(bars))
        for _, start in beat_starts(bars[index])
    ]
    # A bar that begins between two beats begins a beat here too.
    edges = sorted({*beats, *played.starts})
    per_whole = _ticks_per_whole(edges, (note for part in parts for note in part.notes))
    ticks = [int(edge * per_whole) for edge in edges]
    bar_ticks = [int(at * per_whole) for at in played.starts]
    through = [
        stretch
        for part in parts
        for stretch in _bridged(_lowest(_stretches(part.notes, per_whole)), bar_ticks)
    ]
    line = _merged(_one_for_each_beat(_lowest(through), ticks))
    return tuple(
        Held(Fraction(first, per_whole), Fraction(last, per_whole), (midi,))
        for first, last, midi in line
    )


def _ticks_per_whole(edges: Iterable[Fraction], notes: Iterable[Note]) -> int:
    """Return into how many ticks a whole note is divided so that all positions are whole."""
    denominators = {edge.denominator for edge in edges}
    for note in notes:
        denominators.update((note.at.denominator, note.length.denominator))
    return math.lcm(*denominators)


def _stretches(notes: Sequence[Note], per_whole: int) -> list[_Stretch]:
    """Return notes in ticks."""
    return [
        _Stretch(
            int(note.at * per_whole), int((note.at + note.length) * per_whole), float(note.midi)
        )
        for note in notes
        if note.length > 0
    ]


def _lowest(sounds: Sequence[_Stretch]) -> list[_Stretch]:
    """Return which of the notes is the lowest when; nothing where all are silent."""
    events = sorted(sounds)
    times = sorted({time for first, last, _ in events for time in (first, last)})
    sounding: list[tuple[float, int]] = []
    stretches, following = [], 0
    for here, there in itertools.pairwise(times):
        while following < len(events) and events[following][0] <= here:
            _, last, midi = events[following]
            heapq.heappush(sounding, (midi, last))
            following += 1
        while sounding and sounding[0][1] <= here:
            heapq.heappop(sounding)
        if sounding:
            stretches.append(_Stretch(here, there, sounding[0][0]))
    return stretches


def _one_for_each_beat(lowest: Sequence[_Stretch], beats: Sequence[int]) -> list[_Stretch]:
    """Return one note for each beat in which something sounds."""
    chosen, first = [], 0
    for begin, end in itertools.pairwise(beats):
        while first < len(lowest) and lowest[first].to_tick <= begin:
            first += 1
        lengths: dict[float, int] = {}
        for stretch in itertools.islice(lowest, first, None):
            if stretch.from_tick >= end:
                break
            inside = min(end, stretch.to_tick) - max(begin, stretch.from_tick)
            lengths[stretch.midi] = lengths.get(stretch.midi, 0) + inside
        if lengths:
            midi = min(lengths, key=lambda note: (-lengths[note], note))
            chosen.append(_Stretch(begin, end, midi))
    return chosen


def _merged(line: Iterable[_Stretch]) -> list[_Stretch]:
    """Join equal notes that follow each other."""
    out: list[_Stretch] = []
    for stretch in line:
        if out and out[-1].to_tick == stretch.from_tick and out[-1].midi == stretch.midi:
            out[-1] = out[-1]._replace(to_tick=stretch.to_tick)
        else:
            out.append(stretch)
    return out


def _bridged(line: Sequence[_Stretch], bar_starts: Sequence[int]) -> list[_Stretch]:
    """Let notes go on over rests that are shorter than the bar in which they begin."""
    out = list(line)
    for index, (stretch, following) in enumerate(itertools.pairwise(line)):
        bar = min(bisect.bisect_right(bar_starts, stretch.to_tick), len(bar_starts) - 1)
        bar_length = bar_starts[bar] - bar_starts[bar - 1]
        if following.from_tick - stretch.to_tick < bar_length:
            out[index] = stretch._replace(to_tick=following.from_tick)
    return _merged(out)
