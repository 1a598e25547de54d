"""Judging a finished mix that somebody else has made: what its user should know before using it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.listen.broad_tops import BroadTops, find_broad_tops
from syncvid.listen.finished_words import sentences_on
from syncvid.listen.levels import breaks_off
from syncvid.listen.sides import Side, Sides
from syncvid.listen.tops import HOP, Extremes, FlatTops, find_extremes, find_flat_tops
from syncvid.signals.programme import measure_programme

# Peak below which a mix is silent (project choice).
_SILENT_DBFS = -60.0

# Silence before and after the music: below -60 dBFS, and 40 dB under the highest peak at least.
_QUIET, _QUIET_SHARE = 1e-3, 1e-2

# Fewer flat tops that are shorter may be chance (project choice).
_SOME_TOPS, _LONG_TOP = 3, 6

# An offset above this would pass for sound that goes on to the end.
_OFFSET_HIDES = 1e-4


@dataclass(frozen=True, slots=True)
class Finished:
    """What a finished mix is like.

    Attributes
    ----------
    duration_s : float
        Length in seconds.
    channels : int
        1 or 2.
    integrated_lufs, range_lu : float or None
        As it is heard on two loudspeakers: one channel counts as two alike.  None for silence,
        and where it is too short.
    true_peak_dbtp, sample_peak_dbfs : float or None
        None for silence.
    flat_tops : FlatTops
        Where it is clipped.
    broad_tops : BroadTops
        Where it may have been clipped before it was coded.
    alike : bool
        Two channels hold the same.
    silent_side : {"", "left", "right"}
        Which of two channels holds nothing beside the other.
    correlation : float or None
        Of the two channels, -1 to 1; None for one channel, and where one is silent.
    offset : float
        Largest mean of a channel, 1 is full scale.
    head_s, tail_s : float
        Silence before and after the music; of silence the head is all.
    cut_off : bool
        It ends at full strength.
    """

    duration_s: float
    channels: int
    integrated_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None
    flat_tops: FlatTops
    broad_tops: BroadTops
    alike: bool
    silent_side: Side
    correlation: float | None
    offset: float
    head_s: float
    tail_s: float
    cut_off: bool

    @property
    def is_silent(self) -> bool:
        """Whether there is nothing to hear."""
        return self.sample_peak_dbfs is None or self.sample_peak_dbfs < _SILENT_DBFS

    @property
    def is_mono(self) -> bool:
        """Whether both loudspeakers play the same."""
        return self.channels == 1 or self.alike

    @property
    def is_clipped(self) -> bool:
        """Whether tops of its waves are cut off, beyond what may be chance."""
        return self.flat_tops.tops >= _SOME_TOPS or self.flat_tops.longest >= _LONG_TOP

    def sentences(self) -> tuple[str, ...]:
        """Say what the user should know: nothing if all is well."""
        return sentences_on(self)


def judge_finished(samples: Audio, *, sample_rate: int) -> Finished:
    """Judge a finished mix.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        One channel or two, as it was decoded.
    sample_rate : int
        In Hz.

    Returns
    -------
    Finished
        Of silence, and of no samples at all: `is_silent`.

    Raises
    ------
    SignalError
        Another shape or type, or values that are not finite.
    """
    if samples.ndim != 2 or samples.shape[0] not in (1, 2) or samples.dtype != np.float32:
        raise SignalError(
            f"A mix is (1 or 2 channels, samples) float32, not {samples.dtype} of shape "
            f"{samples.shape}."
        )
    extremes = find_extremes(samples)
    if not np.isfinite(extremes.magnitude).all():
        raise SignalError("The mix holds values that are not finite.")
    sides = Sides.of(samples)
    # One channel is heard from both loudspeakers.
    heard = np.broadcast_to(samples, (2, samples.shape[1]))
    measured = measure_programme(heard, sample_rate=sample_rate)
    head_s, tail_s = (at / sample_rate for at in _silence(samples, extremes))
    return Finished(
        duration_s=samples.shape[1] / sample_rate,
        channels=samples.shape[0],
        integrated_lufs=measured.integrated_lufs,
        range_lu=measured.range_lu,
        true_peak_dbtp=_finite(measured.true_peak_dbtp),
        sample_peak_dbfs=_finite(measured.sample_peak_dbfs),
        flat_tops=find_flat_tops(samples, extremes, sample_rate=sample_rate),
        broad_tops=find_broad_tops(samples, extremes, sample_rate=sample_rate),
        alike=sides.alike,
        silent_side=sides.silent_side,
        correlation=sides.correlation,
        offset=max(map(abs, sides.means)),
        head_s=head_s,
        tail_s=tail_s,
        cut_off=_is_cut_off(samples, sides, sample_rate),
    )


def _silence(samples: Audio, extremes: Extremes) -> tuple[int, int]:
    """Return how many samples are silent before and after the music."""
    length, levels = samples.shape[1], extremes.magnitude
    quiet = min(_QUIET, _QUIET_SHARE * float(levels.max(initial=0.0)))
    loud = np.flatnonzero(levels > quiet)
    if not loud.size:
        return length, 0
    ends = []
    for hop in (int(loud[0]), int(loud[-1])):
        inside = np.abs(samples[:, hop * HOP : (hop + 1) * HOP]).max(axis=0) > quiet
        ends.append(hop * HOP + np.flatnonzero(inside))
    return int(ends[0][0]), length - 1 - int(ends[1][-1])


def _is_cut_off(samples: Audio, sides: Sides, sample_rate: int) -> bool:
    """Tell whether the stronger channel ends at full strength."""
    nth = int(np.argmax(sides.powers))
    offset = sides.means[nth]
    channel = samples[nth] - np.float32(offset) if abs(offset) > _OFFSET_HIDES else samples[nth]
    return breaks_off(channel, sample_rate=sample_rate)


def _finite(level: float) -> float | None:
    """Return a level, or None for that of silence."""
    return level if math.isfinite(level) else None
