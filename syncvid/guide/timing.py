"""When everything in a guide happens: from a plan to the time of each beat, click and mark."""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from syncvid.errors import ProductionError
from syncvid.guide.tempo import Course, Ramp, lay_course
from syncvid.production.beats import GuideBeat, GuideClick, GuideMap, Mark, Signature
from syncvid.production.guide_plan import Bar, Clicks, GuidePlan, Metre
from syncvid.production.played import PlayedBars, beat_length, beat_starts

# Guide seconds (project choice): silence before the signature; where the count-in begins, with a
# signature (which takes two seconds at most) and without; and quiet after the last bar.
SIGNATURE_FROM_S = 0.5
_COUNT_IN_FROM_S, _PLAIN_COUNT_IN_FROM_S = 3.5, 1.0
QUIET_S = 2.5

# A count-in by seconds has no more bars than this (project choice).
_MOST_COUNT_IN_BARS = 64

_DIVIDED = {Clicks.HALVES: 2, Clicks.THIRDS: 3, Clicks.QUARTERS: 4}


@dataclass(frozen=True, slots=True)
class Timing:
    """A plan with its times.

    Attributes
    ----------
    map : GuideMap
        Every beat, click and mark.
    """

    map: GuideMap
    _clock: _Clock

    def seconds_at(self, position: Fraction) -> float:
        """Return when a position of the score sounds; after the hold where one is there.

        Parameters
        ----------
        position : Fraction
            In whole notes from the beginning of the first bar.

        Returns
        -------
        float
            Guide seconds.
        """
        return self._clock.after(position)

    def sounds_until(self, position: Fraction) -> float:
        """Return until when what ends at a position sounds: through a hold, but not a breath."""
        return self._clock.before(position)


def time_plan(
    plan: GuidePlan, *, guide: int = 0, version: int = 1, fingerprint: str = ""
) -> Timing:
    """Work out when everything in a guide happens.

    Parameters
    ----------
    plan : GuidePlan
        Of at least one bar.
    guide, version : int
        What its signature says.
    fingerprint : str
        Of the plan; goes into the map.

    Returns
    -------
    Timing

    Raises
    ------
    ProductionError
        A change, hold or entry is at a place that is not played.
    """
    played = PlayedBars(plan.bars)
    grid = list(_grid(plan, played))
    course = _course(plan, played, [tick.at for tick in grid])
    counted = _count_in(plan, course)
    from_s = _COUNT_IN_FROM_S if plan.sound.signature else _PLAIN_COUNT_IN_FROM_S
    if counted:
        from_s -= course.seconds(counted[0].at)
    clock = _Clock(from_s, course, *_holds(plan, played, course, [tick.at for tick in grid]))
    end_s = clock.after(played.end)
    beats = _beats([*counted, *grid], clock, played.end, end_s)
    signed = Signature(SIGNATURE_FROM_S, guide, version) if plan.sound.signature else None
    guide_map = GuideMap(
        title=plan.title,
        version=version,
        fingerprint=fingerprint,
        duration_s=end_s + QUIET_S,
        music_from_s=clock.after(Fraction(0)),
        music_to_s=end_s,
        beats=tuple(beats),
        clicks=tuple(
            GuideClick(clock.after(at), strength) for at, strength in _clicks(plan, counted, played)
        ),
        marks=tuple(sorted(_marks(plan, played, clock), key=lambda mark: mark.guide_s)),
        signature=signed,
    )
    return Timing(guide_map, clock)


def at_speed(plan: GuidePlan, speed: float) -> GuidePlan:
    """Return a plan for practice: all tempi times `speed`, holds longer in proportion."""
    return replace(
        plan,
        tempo=plan.tempo._replace(per_minute=plan.tempo.per_minute * speed),
        changes=tuple(
            replace(
                change,
                tempo=change.tempo._replace(per_minute=change.tempo.per_minute * speed),
            )
            for change in plan.changes
        ),
        holds=tuple(replace(hold, seconds=hold.seconds / speed) for hold in plan.holds),
        count_in=replace(
            plan.count_in,
            seconds=None if plan.count_in.seconds is None else plan.count_in.seconds / speed,
        ),
    )


@dataclass(frozen=True, slots=True)
class _Tick:
    """A beat at its position in the score."""

    bar: int
    beat: int
    at: Fraction
    length: Fraction
    metre: Metre
    section: int


class _Clock:
    """Positions to guide seconds, time that holds put in included.

    Of what is put in at a position, breaths are silent; in holds what ends there sounds on.
    """

    def __init__(
        self,
        zero_s: float,
        course: Course,
        holds: dict[Fraction, float],
        breaths: dict[Fraction, float],
    ) -> None:
        self.zero_s, self.course, self._breaths = zero_s, course, breaths
        self._at = sorted(holds.keys() | breaths.keys())
        amounts = (holds.get(at, 0.0) + breaths.get(at, 0.0) for at in self._at)
        self._sums = list(itertools.accumulate(amounts, initial=0.0))

    def after(self, position: Fraction) -> float:
        """Return the time after what is put in at a position."""
        holds = bisect.bisect_right(self._at, position)
        return self.zero_s + self.course.seconds(position) + self._sums[holds]

    def breaths_s(self, begin: Fraction, end: Fraction) -> float:
        """Return the seconds of the breaths after one position, up to another and at it."""
        first, last = (bisect.bisect_right(self._at, position) for position in (begin, end))
        return sum(self._breaths.get(at, 0.0) for at in self._at[first:last])

    def before(self, position: Fraction) -> float:
        """Return the time before the breath at a position."""
        return self.after(position) - self._breaths.get(position, 0.0)


def _grid(plan: GuidePlan, played: PlayedBars) -> Iterator[_Tick]:
    """Yield the beats of the music."""
    for index in range(len(plan.bars)):
        bar, zero = played.bar_at(index)
        for number, start in beat_starts(bar):
            yield _tick(bar, number, zero + start)


def _tick(bar: Bar, number: int, at: Fraction) -> _Tick:
    """Return a beat of a bar."""
    return _Tick(bar.number, number, at, beat_length(bar.metre, number), bar.metre, bar.section)


def _course(plan: GuidePlan, played: PlayedBars, beats: list[Fraction]) -> Course:
    """Lay out the tempo; a ramp ends at the first of its ends after its beginning."""
    ramps = []
    for change in plan.changes:
        ends = [] if change.until is None else played.positions(change.until)
        for at in played.positions(change.at):
            end = next((end for end in ends if end > at), None)
            if change.until is not None and end is None:
                raise ProductionError(
                    f"The change of tempo at bar {change.at.bar} ends at bar {change.until.bar}, "
                    "where it does not begin before.",
                    fix="Let it end later.",
                )
            rate = 60.0 / change.tempo.whole_s
            ramps.append(Ramp(at, at if end is None else end, rate, change.law))
    # Stable: of two at one position the later one in the plan holds.
    ramps.sort(key=lambda ramp: ramp.from_x)
    return lay_course(60.0 / plan.tempo.whole_s, ramps, beats, played.end)


def _holds(
    plan: GuidePlan, played: PlayedBars, course: Course, beats: list[Fraction]
) -> tuple[dict[Fraction, float], dict[Fraction, float]]:
    """Return how many seconds holds, and breaths, put in at which position."""
    holds: dict[Fraction, float] = {}
    breaths: dict[Fraction, float] = {}
    for hold in plan.holds:
        for at in played.positions(hold.at):
            seconds = hold.seconds + 60.0 * float(hold.length) / course.rate(at)
            where = at if hold.before else _end_of_beat(at, beats, played.end)
            put_in = breaths if hold.before else holds
            put_in[where] = put_in.get(where, 0.0) + seconds
    return holds, breaths


def _end_of_beat(at: Fraction, beats: list[Fraction], end: Fraction) -> Fraction:
    """Return where the beat of a position ends."""
    index = bisect.bisect_right(beats, at)
    return beats[index] if index < len(beats) else end


def _count_in(plan: GuidePlan, course: Course) -> list[_Tick]:
    """Return the beats before the music, at positions below 0; an upbeat completes the last bar."""
    first = plan.bars[0]
    count = _count_in_bars(plan, first, course)
    if count == 0:
        return []
    # Whole bars before the one that the upbeat completes; bar 0 ends the count-in.
    last = first.number if first.begin else min(0, first.number - 1)
    zero = -first.begin if first.begin else -first.metre.length
    ticks = []
    for back in range(count - 1, -1, -1):
        bar = Bar(last - back, first.metre, first.metre.length, section=-1)
        if first.begin and back == 0:
            bar = replace(bar, length=first.begin)
        start = zero - back * first.metre.length
        ticks += [_tick(bar, number, start + offset) for number, offset in beat_starts(bar)]
    return ticks


def _count_in_bars(plan: GuidePlan, first: Bar, course: Course) -> int:
    """Return how many bars are counted."""
    if plan.count_in.seconds is None:
        return plan.count_in.bars
    bar_s = 60.0 * float(first.metre.length) / course.rate(Fraction(0))
    missing_s = plan.count_in.seconds + (
        bar_s - 60.0 * float(first.begin) / course.rate(Fraction(0)) if first.begin else 0.0
    )
    return min(math.ceil(missing_s / bar_s - 1e-9), _MOST_COUNT_IN_BARS)


def _beats(ticks: list[_Tick], clock: _Clock, end: Fraction, end_s: float) -> Iterator[GuideBeat]:
    """Yield the beats with their times."""
    ends = [*(tick.at for tick in ticks[1:]), end]
    ends_s = [*(clock.after(tick.at) for tick in ticks[1:]), end_s]
    for tick, next_at, later_s in zip(ticks, ends, ends_s, strict=True):
        at_s = clock.after(tick.at)
        steady_s = clock.course.seconds(next_at) - clock.course.seconds(tick.at)
        breath_s = clock.breaths_s(tick.at, next_at)
        yield GuideBeat(
            bar=tick.bar,
            beat=tick.beat,
            guide_s=at_s,
            length_s=later_s - at_s,
            quarters=4.0 * clock.course.rate(max(tick.at, Fraction(0))),
            section=tick.section,
            beats_in_bar=len(tick.metre.beats),
            # Rounded: the difference of two large numbers is never quite 0.
            held_s=max(0.0, round(later_s - at_s - steady_s - breath_s, 9)),
            breath_s=breath_s,
        )


def _clicks(
    plan: GuidePlan, counted: list[_Tick], played: PlayedBars
) -> Iterator[tuple[Fraction, int]]:
    """Yield position and strength of each click."""
    first = plan.sections[plan.bars[0].section].clicks
    dense = first if first in _DIVIDED else Clicks.BEATS
    for tick in counted:
        stop = min(tick.at + tick.length, Fraction(0))
        yield from _beat_clicks(tick.at, tick.beat, tick.metre, dense, stop)
    for index, bar in enumerate(plan.bars):
        density = plan.sections[bar.section].clicks
        zero = played.starts[index] - bar.begin
        for number, start in beat_starts(bar):
            yield from _beat_clicks(
                zero + start, number, bar.metre, density, played.starts[index + 1]
            )


def _beat_clicks(
    at: Fraction, number: int, metre: Metre, density: Clicks, stop: Fraction
) -> Iterator[tuple[Fraction, int]]:
    """Yield the clicks of one beat, as far as it is played."""
    strength = 0 if number == 1 else 1 if number - 1 in metre.strong else 2
    middle = sum(metre.beats[: number - 1], Fraction(0)) * 2 == metre.length
    wanted = {
        Clicks.NONE: False,
        Clicks.BARS: number == 1,
        Clicks.HALF_BARS: number == 1 or middle,
    }.get(density, True)
    if not wanted:
        return
    yield at, strength
    parts = _DIVIDED.get(density, 1)
    length = beat_length(metre, number)
    for part in range(1, parts):
        inner = at + length * part / parts
        if inner < stop:
            yield inner, 3


def _marks(plan: GuidePlan, played: PlayedBars, clock: _Clock) -> Iterator[Mark]:
    """Yield where named sections begin, and where cues sound."""
    before = -1
    for bar, start in zip(plan.bars, played.starts, strict=False):
        if bar.section != before and plan.sections[bar.section].name:
            yield Mark(plan.sections[bar.section].name, bar.number, clock.after(start))
        before = bar.section
    for entry in plan.entries:
        for at in played.positions(entry.at):
            ahead = at - _bar_length(played, at)
            if ahead >= 0:
                yield Mark(entry.part, entry.at.bar, clock.after(ahead), "cue")


def _bar_length(played: PlayedBars, at: Fraction) -> Fraction:
    """Return the length of a whole bar where a position lies."""
    index = min(bisect.bisect_right(played.starts, at) - 1, len(played.bars) - 1)
    return played.bars[index].metre.length
