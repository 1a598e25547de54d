"""The course of the tempo: from positions in the score to seconds.

Positions are whole notes from the beginning of the first bar.  With q(x) whole notes a minute at
position x, a stretch of the score lasts the integral of 60 / q(x).  On a ramp from q0 to q1 over
the length L

- `Law.BY_BEATS` has q linear in x: x lasts 60 L / (q1 - q0) ln(q(x) / q0);
- `Law.BY_TIME` has q linear in time: the whole ramp lasts 120 L / (q0 + q1);
- `Law.STEPS` is steady within each beat, at the tempo of `BY_BEATS` where the beat begins.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from syncvid.production.guide_plan import Law


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of the score in one tempo, or on its way between two.

    Attributes
    ----------
    from_x, to_x : Fraction
        Positions in whole notes.
    rate, to_rate : float
        Whole notes per minute at both ends.
    law : Law
        Never `Law.STEPS`: such a ramp is one stretch for each beat.
    """

    from_x: Fraction
    to_x: Fraction
    rate: float
    to_rate: float
    law: Law = Law.BY_BEATS

    def seconds(self, x: Fraction) -> float:
        """Return how long it takes from the beginning to a position."""
        way, length = float(x - self.from_x), float(self.to_x - self.from_x)
        rise = self.to_rate - self.rate
        if rise == 0.0 or length == 0.0:
            return 60.0 * way / self.rate
        if self.law is Law.BY_TIME:
            # Of q0 t + (q1 - q0) t^2 / (2 T) = 60 x the root that loses no digits.
            bend = rise * (self.rate + self.to_rate) / (240.0 * length)
            root = math.sqrt(self.rate**2 + 240.0 * bend * way)
            return 120.0 * way / (self.rate + root)
        return 60.0 * length / rise * math.log1p(rise * way / (length * self.rate))

    def rate_at(self, x: Fraction) -> float:
        """Return the whole notes per minute at a position."""
        length = float(self.to_x - self.from_x)
        if length == 0.0:
            return self.to_rate
        share = float(x - self.from_x) / length
        if self.law is Law.BY_TIME:
            return math.sqrt(self.rate**2 + share * (self.to_rate**2 - self.rate**2))
        return self.rate + share * (self.to_rate - self.rate)


@dataclass(frozen=True, slots=True)
class Ramp:
    """A change of tempo: a step at `from_x` where `to_x` is the same position.

    Attributes
    ----------
    from_x, to_x : Fraction
    rate : float
        Whole notes per minute that it comes to.
    law : Law
    """

    from_x: Fraction
    to_x: Fraction
    rate: float
    law: Law = Law.BY_BEATS


@dataclass(frozen=True, slots=True)
class Course:
    """The tempo over the whole score.

    Parameters
    ----------
    stretches : sequence of Stretch
        Without gaps, from position 0 on; what lies beyond is in the tempo of the end.
    """

    stretches: tuple[Stretch, ...]
    _from_x: tuple[Fraction, ...] = field(init=False, repr=False)
    _from_s: tuple[float, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        lengths_s = [stretch.seconds(stretch.to_x) for stretch in self.stretches]
        object.__setattr__(self, "_from_x", tuple(s.from_x for s in self.stretches))
        starts_s = itertools.accumulate(lengths_s[:-1], initial=0.0)
        object.__setattr__(self, "_from_s", tuple(starts_s))

    def seconds(self, x: Fraction) -> float:
        """Return how long the music takes from position 0 to a position, holds left out."""
        stretch, from_s = self._at(x)
        if x < stretch.from_x or x > stretch.to_x:
            edge, rate = (
                (stretch.from_x, stretch.rate)
                if x < stretch.from_x
                else (stretch.to_x, stretch.to_rate)
            )
            return from_s + stretch.seconds(edge) + 60.0 * float(x - edge) / rate
        return from_s + stretch.seconds(x)

    def rate(self, x: Fraction) -> float:
        """Return the whole notes per minute at a position; of two at a step, the new one."""
        stretch, _ = self._at(x)
        return stretch.rate_at(min(max(x, stretch.from_x), stretch.to_x))

    def _at(self, x: Fraction) -> tuple[Stretch, float]:
        """Return the stretch of a position, and when it begins."""
        index = max(0, bisect.bisect_right(self._from_x, x) - 1)
        return self.stretches[index], self._from_s[index]


def lay_course(
    rate: float, ramps: Sequence[Ramp], beats: Sequence[Fraction], end: Fraction
) -> Course:
    """Lay out the tempo of a piece.

    Parameters
    ----------
    rate : float
        Whole notes per minute at the beginning.
    ramps : sequence of Ramp
        In the order of their beginnings; one that begins cuts off one that is still going on.
    beats : sequence of Fraction
        Where beats begin, in order; for `Law.STEPS`.
    end : Fraction
        Where the music ends.

    Returns
    -------
    Course
    """
    stretches: list[Stretch] = []
    here = Fraction(0)
    for index, ramp in enumerate(ramps):
        stop = ramps[index + 1].from_x if index + 1 < len(ramps) else None
        if ramp.from_x > here:
            stretches.append(Stretch(here, ramp.from_x, rate, rate))
            here = ramp.from_x
        if ramp.to_x <= ramp.from_x:
            rate = ramp.rate
            continue
        way = Stretch(ramp.from_x, ramp.to_x, rate, ramp.rate, ramp.law)
        for stretch in _walked(way, beats):
            if stop is not None and stretch.to_x > stop:
                stretch = _cut(stretch, stop)
            if stretch.to_x > stretch.from_x:
                stretches.append(stretch)
                here, rate = stretch.to_x, stretch.to_rate
        if here >= ramp.to_x:
            rate = ramp.rate
    stretches.append(Stretch(here, max(end, here), rate, rate))
    return Course(tuple(stretches))


def _walked(way: Stretch, beats: Sequence[Fraction]) -> list[Stretch]:
    """Return a ramp as it is walked: as one stretch, or in a step for each beat."""
    if way.law is not Law.STEPS:
        return [way]
    inner = beats[bisect.bisect_right(beats, way.from_x) : bisect.bisect_left(beats, way.to_x)]
    edges = [way.from_x, *inner, way.to_x]
    steady = [(a, b, way.rate_at(a)) for a, b in itertools.pairwise(edges)]
    return [Stretch(a, b, rate, rate) for a, b, rate in steady]


def _cut(stretch: Stretch, stop: Fraction) -> Stretch:
    """Return the part of a stretch that lies before a position."""
    if stop <= stretch.from_x:
        return Stretch(stretch.from_x, stretch.from_x, stretch.rate, stretch.rate)
    return Stretch(stretch.from_x, stop, stretch.rate, stretch.rate_at(stop), stretch.law)
