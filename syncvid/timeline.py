"""Clocks, and all arithmetic on time.

The **reference** is the finished mix where there is one, otherwise the guide track, otherwise one
of the clips; its first sample is 0.  **clip_s** is the presentation timeline of a file: 0 is the
earliest presentation timestamp of any of its streams after edit lists.  The two are tied by

    reference_s = offset_s + clip_s * (1 + drift_ppm * 1e-6)

so a positive offset means that the clip starts after the reference starts, and a positive drift
that the clip's clock runs slow against the reference.

Output picture k is on screen from k / rate to (k + 1) / rate; each tile shows the source picture
whose display interval contains the clip time that matches the middle of that stretch.

All rounding of times to samples or pictures in the package happens here.
"""

from __future__ import annotations

import bisect
import itertools
import math
from dataclasses import dataclass, field
from fractions import Fraction

from syncvid.errors import ProductionError, SyncvidError

PPM = 1e-6

FrameRate = Fraction
"""Pictures per second, always exact."""


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a clip's clock lies on the reference.

    Attributes
    ----------
    offset_s : float
        Reference time of clip time 0, in seconds.
    drift_ppm : float
        How much longer a clip second is than a reference second, in millionths.
    """

    offset_s: float
    drift_ppm: float = 0.0

    @property
    def rate(self) -> float:
        """Reference seconds per clip second."""
        return 1.0 + self.drift_ppm * PPM

    def to_reference(self, clip_s: float) -> float:
        """Map clip seconds to reference seconds.

        Examples
        --------
        >>> round(Placement(offset_s=2.0, drift_ppm=50.0).to_reference(100.0), 9)
        102.005
        """
        return self.offset_s + clip_s * self.rate

    def to_clip(self, reference_s: float) -> float:
        """Map reference seconds to clip seconds; the inverse of `to_reference`."""
        return (reference_s - self.offset_s) / self.rate

    def then(self, second: Placement) -> Placement:
        """Return the placement that maps through this one and then through another.

        Examples
        --------
        >>> Placement(1.0).then(Placement(2.0))
        Placement(offset_s=3.0, drift_ppm=0.0)
        """
        drift_ppm = (self.rate * second.rate - 1.0) / PPM
        return Placement(second.to_reference(self.offset_s), round(drift_ppm, 9))

    def inverse(self) -> Placement:
        """Return the placement that undoes this one."""
        return Placement(self.to_clip(0.0), (1.0 / self.rate - 1.0) / PPM)


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a clip whose sound is really in the reference.

    Attributes
    ----------
    clip_from_s, clip_to_s : float
        The stretch, in clip seconds.
    offset_s : float
        The local intercept at clip time 0, with the drift of the clip or of this span.
    drift_ppm : float or None
        A drift of its own (a stretched phrase); None: that of the clip.
    """

    clip_from_s: float
    clip_to_s: float
    offset_s: float
    drift_ppm: float | None = None

    @property
    def length_s(self) -> float:
        """Length in clip seconds."""
        return self.clip_to_s - self.clip_from_s


@dataclass(frozen=True, slots=True)
class Lead:
    """A time in which one part leads.

    Attributes
    ----------
    from_s, to_s : float
        Reference seconds.
    voice : int
        Its number in score order, from 0.
    """

    from_s: float
    to_s: float
    voice: int


@dataclass(frozen=True, slots=True)
class Beat:
    """One beat of the guide track: its bar, its number within the bar, its guide time."""

    bar: int
    beat: int
    guide_s: float


@dataclass(frozen=True, slots=True)
class BeatMap:
    """The beats of a guide track in the order of time."""

    beats: tuple[Beat, ...]
    _times: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        times = tuple(beat.guide_s for beat in self.beats)
        if any(later <= earlier for earlier, later in itertools.pairwise(times)):
            raise SyncvidError("The beats of a beat map must follow each other in time.")
        object.__setattr__(self, "_times", times)

    def at(self, guide_s: float) -> Beat | None:
        """Return the beat that sounds at a guide time; None before the first one."""
        index = bisect.bisect_right(self._times, guide_s) - 1
        return self.beats[index] if index >= 0 else None

    def bar_starts(self) -> tuple[Beat, ...]:
        """Return the first beat of every bar."""
        return tuple(
            beat
            for before, beat in zip((None, *self.beats), self.beats, strict=False)
            if before is None or before.bar != beat.bar
        )


@dataclass(frozen=True, slots=True)
class Bars:
    """Where bars and beats lie on the reference: the guide's beats, a constant apart.

    Attributes
    ----------
    beats : BeatMap
        In guide seconds.
    guide_offset_s : float or None
        Reference time of guide time 0; None where it is not known.
    """

    beats: BeatMap
    guide_offset_s: float | None = 0.0

    def at_s(self, bar: int, beat: float = 1.0) -> float:
        """Return the reference second of a beat.

        A bar that is played more than once is meant the first time.

        Parameters
        ----------
        bar : int
            Number of the bar.
        beat : float
            From 1; a fraction lies between two beats.

        Raises
        ------
        ProductionError
            No such bar or beat, or the guide's place on the reference is not known.

        Examples
        --------
        >>> bars = Bars(BeatMap((Beat(1, 1, 0.0), Beat(1, 2, 0.5), Beat(2, 1, 1.0))), 10.0)
        >>> bars.at_s(2), bars.at_s(1, 1.5), bars.end_s(2)
        (11.0, 10.25, 11.5)
        """
        whole = math.floor(beat)
        within = self._beats_of(bar)
        for index in within:
            if self.beats.beats[index].beat == whole:
                return self._after(index, beat - whole)
        first, last = (self.beats.beats[index].beat for index in (within[0], within[-1]))
        raise ProductionError(
            f"Bar {bar} has no beat {beat:g}: its beats are {first} to {last}.",
            fix="Choose one of them.",
        )

    def end_s(self, bar: int) -> float:
        """Return the reference second at which a bar ends.

        Raises
        ------
        ProductionError
            No such bar, or the guide's place on the reference is not known.
        """
        return self._after(self._beats_of(bar)[-1], 1.0)

    def _beats_of(self, bar: int) -> range:
        """Return the indices of a bar's beats, the first time that it is played."""
        if self.guide_offset_s is None:
            raise ProductionError(
                f"Bar {bar} cannot be found: the guide's place on the mix is not known.",
                fix="Write seconds instead, or say with `guide_offset_s` in production.toml where "
                "the guide begins.",
            )
        beats = self.beats.beats
        first = next((i for i, beat in enumerate(beats) if beat.bar == bar), None)
        if first is None:
            numbers = [beat.bar for beat in beats]
            known = (
                f"the guide has bars {min(numbers)} to {max(numbers)}" if beats else "none is known"
            )
            raise ProductionError(f"There is no bar {bar}: {known}.", fix="Choose one of them.")
        ends = (i for i in range(first, len(beats)) if beats[i].bar != bar)
        return range(first, next(ends, len(beats)))

    def _after(self, index: int, share: float) -> float:
        """Return the reference second that lies a share of a beat after a beat."""
        times = [beat.guide_s for beat in self.beats.beats[max(0, index - 1) : index + 2]]
        here_s = self.beats.beats[index].guide_s
        # After the last beat the time goes on as before it.
        length_s = times[-1] - times[-2] if len(times) > 1 else 0.0
        return here_s + share * length_s + (self.guide_offset_s or 0.0)


def parse_frame_rate(text: str | int | float | Fraction) -> FrameRate:
    """Read a picture rate, exactly; 29.97 and its kin become the fractions that are meant.

    Parameters
    ----------
    text : str, int, float or Fraction
        ``30``, ``"25"``, ``"30000/1001"`` or ``"29.97"``.

    Returns
    -------
    FrameRate
        Between 1 and 240 pictures per second.

    Raises
    ------
    SyncvidError
        Not a rate, or out of range.

    Examples
    --------
    >>> parse_frame_rate("29.97"), parse_frame_rate(25)
    (Fraction(30000, 1001), Fraction(25, 1))
    """
    try:
        rate = Fraction(str(text).strip())
    except (ValueError, ZeroDivisionError):
        rate = Fraction(0)
    if not 1 <= rate <= 240:
        raise SyncvidError(
            f"{text!r} is no picture rate between 1 and 240.",
            fix="Write 30, 25, 29.97 or 30000/1001.",
        )
    if rate.denominator != 1:
        # SMPTE ST 12-1: the broken rates are whole rates slowed by 1000/1001.
        broken = Fraction(math.ceil(rate) * 1000, 1001)
        if abs(rate - broken) < Fraction(1, 100):
            return broken
    return rate


def middle_of_picture_s(index: int, frame_rate: FrameRate) -> float:
    """Return the middle of the stretch in which output picture `index` is on screen, in seconds.

    Examples
    --------
    >>> middle_of_picture_s(0, Fraction(25)), middle_of_picture_s(30, Fraction(30))
    (0.02, 1.0166666666666666)
    """
    return float((index + Fraction(1, 2)) / frame_rate)


def picture_start_s(index: int, frame_rate: FrameRate) -> float:
    """Return the moment at which output picture `index` appears, in seconds."""
    return float(index / frame_rate)


def pictures_to_cover(duration_s: float, frame_rate: FrameRate) -> int:
    """Return how many pictures cover a duration; a sliver under a microsecond is forgiven.

    Examples
    --------
    >>> pictures_to_cover(5.0, Fraction(30)), pictures_to_cover(5.001, Fraction(30))
    (150, 151)
    """
    return max(1, math.ceil(float(frame_rate) * duration_s - 1e-6 * float(frame_rate)))


def first_picture_from(time_s: float, frame_rate: FrameRate) -> int:
    """Return the first output picture whose middle lies at or after a time.

    Examples
    --------
    >>> first_picture_from(1.0, Fraction(30)), first_picture_from(-0.02, Fraction(30))
    (30, -1)
    """
    return math.ceil(time_s * float(frame_rate) - 0.5 - 1e-9)


def picture_at(time_s: float, frame_rate: FrameRate) -> int:
    """Return the output picture that is on screen; a sliver under a microsecond is forgiven.

    Examples
    --------
    >>> [picture_at(time_s, Fraction(30)) for time_s in (0.999, 1.0, -0.01)]
    [29, 30, -1]
    """
    return math.floor(float(frame_rate) * (time_s + 1e-6))


def to_samples(time_s: float, sample_rate: int) -> int:
    """Round seconds to the nearest sample.

    Examples
    --------
    >>> to_samples(0.0010, 48000), to_samples(-0.5, 44100)
    (48, -22050)
    """
    return round(time_s * sample_rate)


def to_milliseconds(time_s: float) -> int:
    """Round seconds to the nearest millisecond.

    Examples
    --------
    >>> to_milliseconds(59.9996)
    60000
    """
    return round(time_s * 1000)


def clock_text(time_s: float, *, decimals: int = 1) -> str:
    """Write seconds as minutes and seconds, rounding before the carry.

    Examples
    --------
    >>> clock_text(64.0), clock_text(59.97), clock_text(-3.21, decimals=2)
    ('1:04.0', '1:00.0', '-0:03.21')
    """
    ticks = round(abs(time_s) * 10**decimals)
    minutes, rest = divmod(ticks, 60 * 10**decimals)
    seconds = rest / 10**decimals
    width = 3 + decimals if decimals else 2
    sign = "-" if time_s < 0 and ticks else ""
    return f"{sign}{minutes}:{seconds:0{width}.{decimals}f}"
