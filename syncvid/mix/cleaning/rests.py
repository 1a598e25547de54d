"""Between its notes a part is made quiet, so that the noise of twenty rooms does not add up.

Where a part rests is known from elsewhere, coarsely.  Within each rest the gain falls only when the
last note has died away into the background, and is back before the next sound begins; what lies
outside of the rests is not touched.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.errors import SignalError
from syncvid.mix.cleaning.result import Cleaned
from syncvid.mix.door import check_stem
from syncvid.timeline import to_samples

# All lengths here: project choice.  Shorter gaps are left alone, or the background would pump.
_SHORTEST_S = 0.7

# How long the gain takes to fall and to rise, and how long it must stay down in between.
_FALL_S, _RISE_S, _STAY_S = 0.25, 0.20, 0.10

# A tone is still heard a while after its level has sunk into that of the noise.
_AFTER_S = 0.15

# The gain is back this long before the next sound, whose beginning is known to 25 ms.
_BEFORE_S, _COARSE_S = 0.060, 0.025

# Levels are those of hops of 10 ms, smoothed over five.
_HOP_S, _SMOOTH_HOPS = 0.010, 5

# The background is the level that this share of a rest stays under; a sound is what is louder than
# it by this much, and has died away when it has been softer for this long.
_BACKGROUND_SHARE, _LOUDER_DB, _AWAY_S = 0.25, 3.0, 0.10

# A background that falls by more than this from the first half to the second is a note's decay.
_DECAYS_DB = 2.0

_FLOOR_DB = -120.0


def quiet_rests(
    samples: Audio,
    *,
    sample_rate: int,
    rests: Sequence[tuple[float, float]],
    most_db: float = 18.0,
) -> Cleaned:
    """Lower a stem where its part rests.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        A stem of one or two channels.
    sample_rate : int
        In Hz.
    rests : sequence of (float, float)
        Seconds of the stem between which the part does not play, to about 25 ms; in any order.
        What lies outside of the stem does not count.
    most_db : float
        By how much; 0 or more.

    Returns
    -------
    Cleaned
        Bit-identical outside of the rests.  The same array where there is no rest that is long
        enough, and for silence.

    Raises
    ------
    SignalError
        See `check_stem`; times that are not finite, or a negative `most_db`.
    """
    check_stem(samples, sample_rate=sample_rate)
    if not (most_db >= 0 and math.isfinite(most_db)):
        raise SignalError(f"Rests cannot be lowered by {most_db!r} dB; it must be 0 or more.")
    out = samples.copy()
    lowered, total_s = 0, 0.0
    for first, last in _merged(rests, sample_rate, samples.shape[1]):
        down = _down(samples[:, first:last], sample_rate, first == 0, last == samples.shape[1])
        if down is not None:
            _lower(out[:, first:last], *down, most_db, sample_rate)
            lowered, total_s = lowered + 1, total_s + (last - first) / sample_rate
    if not lowered or not most_db:
        return Cleaned(samples, "There is no rest in which the background could be lowered.", False)
    where = "1 rest" if lowered == 1 else f"{lowered} rests"
    told = f"The background was lowered by {most_db:g} dB in {where}, {total_s:.0f} s in all."
    return Cleaned(out, told, True)


def _merged(
    rests: Sequence[tuple[float, float]], sample_rate: int, size: int
) -> Iterator[tuple[int, int]]:
    """Yield the rests within the stem that are long enough, in samples and without overlaps."""
    if not np.isfinite(np.asarray(rests, np.float64)).all():
        raise SignalError("The rests hold times that are not finite.")
    joined: list[list[int]] = []
    for from_s, to_s in sorted(rests):
        # Rounded inwards, so that not one sample outside is touched.
        first = max(0, math.ceil(from_s * sample_rate))
        last = min(size, math.floor(to_s * sample_rate))
        if last <= first:
            continue
        if joined and first <= joined[-1][1]:
            joined[-1][1] = max(joined[-1][1], last)
        else:
            joined.append([first, last])
    shortest = to_samples(_SHORTEST_S, sample_rate)
    yield from ((first, last) for first, last in joined if last - first >= shortest)


def _down(rest: Audio, sample_rate: int, at_start: bool, at_end: bool) -> tuple[int, int] | None:
    """Return where the gain begins to fall and where it is back; None where it stays.

    At the stem's own ends there is no note to wait for: both then lie outside of the rest, so that
    the gain is down from the first sample, or to the last one.
    """
    hop = max(1, to_samples(_HOP_S, sample_rate))
    levels_db = _levels_db(rest, hop)
    if levels_db.max(initial=_FLOOR_DB) <= _FLOOR_DB:
        return None
    quiet = _quiet(levels_db, at_start=at_start, at_end=at_end)
    if quiet is None:
        return None
    fall, rise, stay, after, before = (
        to_samples(length_s, sample_rate)
        for length_s in (_FALL_S, _RISE_S, _STAY_S, _AFTER_S, _BEFORE_S + _COARSE_S)
    )
    begin = -fall if at_start else quiet[0] * hop + after
    end = rest.shape[1] + rise if at_end else min(quiet[1] * hop, rest.shape[1]) - before
    return (begin, end) if end - begin >= fall + rise + stay else None


def _lower(rest: Audio, begin: int, end: int, most_db: float, sample_rate: int) -> None:
    """Lower a rest in place, between the samples at which the gain begins to fall and is back."""
    fall, rise = to_samples(_FALL_S, sample_rate), to_samples(_RISE_S, sample_rate)
    if begin >= 0:
        rest[:, begin : begin + fall] *= _curve(fall, most_db)
    if end <= rest.shape[1]:
        rest[:, end - rise : end] *= _curve(rise, most_db)[::-1]
    rest[:, max(0, begin + fall) : min(rest.shape[1], end - rise)] *= _curve(1, most_db)[-1]


def _curve(size: int, most_db: float) -> Audio:
    """Return gains that fall from 1 as a raised cosine in decibels, which has no corner."""
    down = np.arange(1, size + 1) / size
    return np.asarray(10 ** (most_db * (1 - np.cos(math.pi * down)) / -40), np.float32)


def _levels_db(rest: Audio, hop: int) -> Floats:
    """Return the smoothed level of every hop, the last one perhaps shorter, shape (hops,)."""
    starts = np.arange(0, rest.shape[1], hop)
    powers = np.add.reduceat(np.square(rest), starts, axis=1).sum(axis=0, dtype=np.float64)
    powers /= np.diff(starts, append=rest.shape[1])
    kernel = np.ones(_SMOOTH_HOPS)
    near = np.convolve(powers, kernel, "same") / np.convolve(np.ones(powers.size), kernel, "same")
    return np.asarray(10 * np.log10(np.maximum(near, 10 ** (_FLOOR_DB / 10))))


def _quiet(levels_db: Floats, *, at_start: bool, at_end: bool) -> tuple[int, int] | None:
    """Return between which hops there is only background; None where the last note stays.

    A noise in the midst of a rest, such as a page that is turned, is background too.
    """
    background_db = np.quantile(levels_db, _BACKGROUND_SHARE)
    soft = levels_db <= background_db + _LOUDER_DB
    away = round(_AWAY_S / _HOP_S)
    # Hops from which on it stays soft for long enough.
    calm = np.flatnonzero(np.convolve(soft, np.ones(away), "valid") > away - 0.5)
    if not calm.size:
        return None
    first = 0 if at_start else int(calm[0])
    last = levels_db.size if at_end else int(calm[-1]) + away
    if not at_start:
        first_half, second_half = np.array_split(levels_db[first:last], 2)
        if np.median(first_half) - np.median(second_half) > _DECAYS_DB:
            return None
    return first, last
