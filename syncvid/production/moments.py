"""Moments as people write them: seconds, a clock, or a bar and a beat."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from syncvid.errors import ProductionError
from syncvid.timeline import Bars

_CLOCK = re.compile(r"(?:(\d+):)?(\d+):([0-5]?\d(?:\.\d+)?)")
_BAR = re.compile(r"bar\s+(-?\d+)(?:,?\s+beat\s+(\d+(?:\.\d+)?))?", re.IGNORECASE)
_BAR_END = re.compile(r"end of bar\s+(-?\d+)", re.IGNORECASE)
_PLAIN = re.compile(r"-?\d+(?:\.\d+)?")

_HOW = (
    'Write seconds (12.5), a clock in quotes ("1:05.5"), or "bar 9", "bar 9 beat 3" or '
    '"end of bar 16".'
)


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment of the piece, as it was written.

    Attributes
    ----------
    seconds : float or None
        Reference seconds; None where it is told by its bar.
    bar : int
        Number of the bar, as in the parts; the count-in ends in bar 0.
    beat : float
        Beat of the bar, from 1; 2.5 lies half-way between the second and the third.
    is_end : bool
        It is the end of the bar.
    """

    seconds: float | None = None
    bar: int = 0
    beat: float = 1.0
    is_end: bool = False

    def __str__(self) -> str:
        """Write it as a person would."""
        if self.seconds is not None:
            return f"{self.seconds:g} s"
        if self.is_end:
            return f"end of bar {self.bar}"
        return f"bar {self.bar}" + (f" beat {self.beat:g}" if self.beat != 1.0 else "")

    def surely_not_after(self, other: Moment) -> bool:
        """Tell whether it lies no later than another one, as far as that is known without bars."""
        if self.seconds is not None and other.seconds is not None:
            return self.seconds <= other.seconds
        if self.seconds is not None or other.seconds is not None:
            return False
        # The end of a bar lies behind all its beats.
        mine, others = ((m.bar, m.is_end, m.beat) for m in (self, other))
        return mine <= others

    def at_s(self, bars: Bars | None) -> float:
        """Return the moment in reference seconds.

        Parameters
        ----------
        bars : Bars or None
            Where the bars lie; None where no beats are known.  Not needed for seconds.

        Raises
        ------
        ProductionError
            A bar that cannot be found, with the reason.
        """
        if self.seconds is not None:
            return self.seconds
        if bars is None:
            raise ProductionError(
                f"{self} cannot be found: no guide with a beat map is known.".capitalize(),
                fix="Name the guide in production.toml, or write seconds instead.",
            )
        return bars.end_s(self.bar) if self.is_end else bars.at_s(self.bar, self.beat)


def parse_moment(written: object) -> Moment:
    """Read a moment.

    Parameters
    ----------
    written : object
        Seconds as a number, or text: ``"1:05.5"``, ``"bar 9"``, ``"bar 9 beat 3"``,
        ``"end of bar 16"``.

    Returns
    -------
    Moment

    Raises
    ------
    ProductionError
        It is none of these.

    Examples
    --------
    >>> parse_moment("1:05.5").seconds, str(parse_moment("Bar 9, beat 3"))
    (65.5, 'bar 9 beat 3')
    """
    if isinstance(written, int | float) and not isinstance(written, bool):
        if math.isfinite(written):
            return Moment(float(written))
    elif isinstance(written, str):
        text = written.strip()
        if _PLAIN.fullmatch(text):
            return Moment(float(text))
        if clock := _CLOCK.fullmatch(text):
            hours, minutes, seconds = clock[1] or "0", clock[2], clock[3]
            return Moment(3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds))
        if end := _BAR_END.fullmatch(text):
            return Moment(None, int(end[1]), is_end=True)
        if bar := _BAR.fullmatch(text):
            return Moment(None, int(bar[1]), float(bar[2] or 1.0))
    raise ProductionError(f"{_shown(written)} is no moment.", fix=_HOW)


def _shown(written: object) -> str:
    """Show what was written; a date or time of day in its own notation."""
    return repr(written) if isinstance(written, str | int | float) else str(written)
