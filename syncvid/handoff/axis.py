"""The common clock as the sheet shows it: from time to place on the line, and to words.

The line is 1000 units wide and starts at reference time 0.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from syncvid.handoff.page import SheetPage
from syncvid.timeline import Beat, BeatMap, clock_text

WIDTH = 1000.0
"""Width of the line in drawing units."""

MOST_LINES = 64
"""More bar lines than these are thinned out."""

MOST_LABELS = 9

# A time this close before a bar line is meant to lie on it.
_UPBEAT_S = 0.05

_BAR_STEPS = (1, 2, 4, 8, 16, 32, 64, 128, 256)
_SECOND_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600)


@dataclass(frozen=True, slots=True)
class Mark:
    """One line through the parts.

    Attributes
    ----------
    reference_s : float
        Where it stands.
    label : str
        Its bar number or time; empty for a line without one.
    """

    reference_s: float
    label: str


@dataclass(frozen=True, slots=True)
class Axis:
    """The stretch of reference time that is drawn.

    Attributes
    ----------
    duration_s : float
        Its length in seconds, above 0.
    bars : BeatMap or None
        The beats in guide time, if the guide's place is known.
    guide_offset_s : float
        Where the guide's zero lies on the reference.
    """

    duration_s: float
    bars: BeatMap | None = None
    guide_offset_s: float = 0.0

    def x(self, reference_s: float) -> float:
        """Return where a time lies on the line, in drawing units."""
        return WIDTH * reference_s / self.duration_s

    def bar_at(self, reference_s: float) -> int | None:
        """Return the bar that sounds at a time; None without bars, or before the first."""
        guide_s = reference_s - self.guide_offset_s + _UPBEAT_S
        beat = self.bars.at(guide_s) if self.bars else None
        return beat.bar if beat and beat.bar > 0 else None

    @property
    def first_bar_s(self) -> float:
        """Reference time of the first bar that is drawn; 0 without bars."""
        starts = (mark.reference_s for mark in self._bar_marks())
        return next(starts, 0.0)

    def where(self, reference_s: float) -> str:
        """Say where a time lies: ``in bar 3`` or ``at 0:07``."""
        bar = self.bar_at(reference_s)
        return f"at {clock_text(reference_s, decimals=0)}" if bar is None else f"in bar {bar}"

    def marks(self) -> tuple[Mark, ...]:
        """Return the lines through the parts, with labels at sensible steps."""
        return self._bar_marks() or self._second_marks()

    def _bar_marks(self) -> tuple[Mark, ...]:
        """Return the bar lines that lie on the stretch."""
        starts: tuple[Beat, ...] = self.bars.bar_starts() if self.bars else ()
        placed = [(beat.bar, beat.guide_s + self.guide_offset_s) for beat in starts]
        placed = [(bar, time_s) for bar, time_s in placed if 0 <= time_s < self.duration_s]
        lines, labels = _step(len(placed), MOST_LINES), _step(len(placed), MOST_LABELS)
        return tuple(
            Mark(time_s, str(bar) if bar > 0 and (bar - 1) % labels == 0 else "")
            for bar, time_s in placed
            if (bar - 1) % lines == 0
        )

    def _second_marks(self) -> tuple[Mark, ...]:
        """Return marks at round times."""
        step_s = next(
            (step for step in _SECOND_STEPS if self.duration_s / step <= MOST_LABELS),
            _SECOND_STEPS[-1],
        )
        times = itertools.takewhile(
            lambda time_s: time_s < self.duration_s, itertools.count(0, step_s)
        )
        return tuple(Mark(time_s, clock_text(time_s, decimals=0)) for time_s in times)


def axis_of(page: SheetPage) -> Axis:
    """Return the axis of a page; it ends with the reference or, failing that, the last clip."""
    known = page.guide_offset_s is not None or page.reference == "guide"
    return Axis(
        duration_s=_duration_s(page),
        bars=page.bars if known else None,
        guide_offset_s=page.guide_offset_s or 0.0,
    )


def _duration_s(page: SheetPage) -> float:
    """Return how much reference time there is to draw."""
    if page.reference_duration_s is not None and page.reference_duration_s > 0:
        return page.reference_duration_s
    ends = (extent[1] for clip in page.clips if (extent := clip.extent_s))
    return max(1.0, *ends, 0.0)


def _step(count: int, most: int) -> int:
    """Return every how many bars to take so that no more than `most` are left."""
    return next((step for step in _BAR_STEPS if count <= most * step), _BAR_STEPS[-1])
