"""Sound against picture inside one file, by claps and strokes: seen to stop, heard to strike.

When hands meet, or a stick its drum, a fast motion ends at once; that moment can be seen to within
a picture, and the stroke be heard to within two milliseconds.  Several strokes together tell how
far picture and sound are apart to a fraction of a picture.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio, Floats, check_mono
from syncvid.lazily import ndimage, signal
from syncvid.timeline import to_samples

REACH_S = 0.300
"""Picture and sound of one file are looked for no further apart than this, in seconds."""

AROUND_S = REACH_S + 0.300
"""How much picture is needed on either side of a stroke, in seconds."""

MOST_STROKES = 12
"""More strokes than these make nothing any better."""

# A stroke is broad-band: it is looked for above the playing, in steps of 2 ms.  It rises by this
# much over the quarter of a second before it, and has fallen off as much 0.15 s later.
_FROM_HZ = 1500.0
_HOP_S = 0.002
_RISE_DB = 18.0
_FALL_DB = 10.0
_BEFORE_S = 0.250
_AFTER_S = (0.120, 0.200)

# What is quieter than the loudest stroke by more than this is none.
_WITHIN_DB = 26.0

# Shifts are tried in these steps.
_STEP_S = 0.001

# The moment at which a motion stops is blurred to about the length of a picture.
_BLUR_S = 0.012

# Strokes agree on a shift if each has one of its most sudden stops within this of it.  It is
# believed if three or more agree, and more than chance would bring together once in a hundred
# files.  Measured on 1,000 sets of unrelated motion each for 3, 4, 5, 6, 8 and 12 strokes: 4, 5, 6,
# 3, 7 and 15 were believed.
FEWEST = 3
_AGREE_S = 0.015
_NEARLY = 0.8
_RARE = 0.01


@dataclass(frozen=True, slots=True)
class Motion:
    """What moves in the pictures around one stroke.

    Attributes
    ----------
    times_s : ndarray, shape (pictures,), float64
        When each picture appears, in clip seconds.
    amounts : ndarray, shape (pictures,), float64
        How much each differs from the one before; 0 for the first.
    """

    times_s: Floats
    amounts: Floats


@dataclass(frozen=True, slots=True)
class PictureShift:
    """How far picture and sound of a file are apart.

    Attributes
    ----------
    shift_ms : float
        By how much the picture comes late behind the sound; negative: early.
    spread_ms : float
        How far the strokes scatter about it (the median of their distances).
    agreeing, strokes : int
        How many strokes agree, and how many were looked at.
    is_clear : bool
        Whether that is enough to believe it.
    """

    shift_ms: float
    spread_ms: float
    agreeing: int
    strokes: int
    is_clear: bool


def find_strokes(samples: Audio, *, sample_rate: int) -> Floats:
    """Find claps and strokes: sudden, broad-band, short.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound.
    sample_rate : int
        Its rate in Hz; above 2 * 1500.

    Returns
    -------
    ndarray, shape (strokes,), float64
        When each begins, in clip seconds; the clearest `MOST_STROKES`, in the order of time.
    """
    samples = check_mono(samples)
    hop = to_samples(_HOP_S, sample_rate)
    if samples.size < to_samples(1.0, sample_rate) or not samples.any():
        return np.zeros(0)
    high = signal.butter(4, _FROM_HZ, "highpass", fs=sample_rate, output="sos")
    bright = signal.sosfilt(high, samples)
    power = np.square(bright[: bright.size // hop * hop]).reshape(-1, hop).mean(axis=1)
    level_db = 10 * np.log10(power + 1e-12)
    before, after = (round(s / _HOP_S) for s in (_BEFORE_S, _AFTER_S[0]))
    length = round((_AFTER_S[1] - _AFTER_S[0]) / _HOP_S)
    padded = np.pad(level_db, (before, after + length), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view
    quiet_db = windows(padded, before)[: level_db.size].max(axis=1)
    later_db = windows(padded[before + after :], length)[: level_db.size].mean(axis=1)
    # The attack may be spread over a few steps: the level reached within 10 ms counts.
    reached = np.pad(level_db, (0, 4), mode="edge")
    reached_db = windows(reached, 5)[: level_db.size].max(axis=1)
    rise_db = reached_db - quiet_db
    fits = (rise_db >= _RISE_DB) & (reached_db - later_db >= _FALL_DB)
    fits &= reached_db >= level_db.max() - _WITHIN_DB
    return _clearest(fits, rise_db, level_db, quiet_db)


def measure_shift(strokes_s: Floats, motions: Sequence[Motion]) -> PictureShift | None:
    """Measure how far the picture of a file comes late behind its sound.

    Parameters
    ----------
    strokes_s : ndarray, shape (strokes,), float64
        From `find_strokes`.
    motions : sequence of Motion
        What moves within `AROUND_S` of each stroke.

    Returns
    -------
    PictureShift or None
        None where nothing moves around any stroke.
    """
    shifts_s: Floats = np.arange(-REACH_S, REACH_S + _STEP_S / 2, _STEP_S)
    curves = [
        curve
        for stroke_s, motion in zip(strokes_s.tolist(), motions, strict=True)
        if (curve := _stops(motion, stroke_s + shifts_s)).any()
    ]
    if not curves:
        return None
    window = round(2 * _AGREE_S / _STEP_S) + 1
    agree = np.array([ndimage.maximum_filter1d(c, window) >= _NEARLY * c.max() for c in curves])
    counts = agree.sum(axis=0)
    together = np.sum([ndimage.uniform_filter1d(curve, window) for curve in curves], axis=0)
    best = int(np.argmax(counts + together / (together.max() + 1.0)))
    near = slice(max(0, best - window // 2), best + window // 2 + 1)
    own_s = [
        shifts_s[near][int(np.argmax(c[near]))]
        for c, a in zip(curves, agree, strict=True)
        if a[best]
    ]
    shift_s = float(np.median(own_s))
    spread_s = float(np.median(np.abs(np.array(own_s) - shift_s)))
    agreeing = len(own_s)
    chance = shifts_s.size / window * _chance(len(curves), agreeing, float(agree.mean()))
    clear = agreeing >= FEWEST and chance <= _RARE
    return PictureShift(shift_s * 1e3, spread_s * 1e3, agreeing, len(curves), clear)


def _chance(strokes: int, agreeing: int, share: float) -> float:
    """Return how likely so many strokes agree on a shift by chance (binomial distribution)."""
    return sum(
        math.comb(strokes, k) * share**k * (1 - share) ** (strokes - k)
        for k in range(agreeing, strokes + 1)
    )


def _clearest(fits: np.ndarray, rise_db: Floats, level_db: Floats, quiet_db: Floats) -> Floats:
    """Return the beginnings of the clearest strokes, none of them close to another."""
    apart = round(_BEFORE_S / _HOP_S)
    worth = np.where(fits, rise_db, 0.0)
    found: list[int] = []
    while len(found) < MOST_STROKES and worth.max(initial=0.0) > 0:
        at = int(np.argmax(worth))
        worth[max(0, at - apart) : at + apart] = 0.0
        # It begins where half of the rise is passed.
        end = min(level_db.size, at + 6)
        above = np.flatnonzero(level_db[at:end] >= quiet_db[at] + rise_db[at] / 2)
        found.append(at + (int(above[0]) if above.size else 0))
    return np.sort(np.array(found, dtype=np.float64)) * _HOP_S


def _stops(motion: Motion, times_s: Floats) -> Floats:
    """Return how suddenly motion stops at times, 1 for the most sudden stop of all.

    A picture shows the moment of its timestamp.  Where motion is fastest up to picture k and has
    ended by k + 2, it stopped after k by that share of a picture's time which the motion from k to
    k + 1 is of the motion before.
    """
    if motion.amounts.size < 4:
        return np.zeros(times_s.size)
    amounts = np.maximum(motion.amounts - np.median(motion.amounts), 0.0)
    fast, partly, after = amounts[1:-2], amounts[2:-1], amounts[3:]
    drops = np.where(fast >= partly, np.maximum(fast - after, 0.0), 0.0)
    if drops.max(initial=0.0) <= 0:
        return np.zeros(times_s.size)
    share = np.clip((partly - after) / np.maximum(fast - after, 1e-9), 0.0, 1.0)
    stops_s = motion.times_s[1:-2] + share * (motion.times_s[2:-1] - motion.times_s[1:-2])
    away = (times_s[np.newaxis, :] - stops_s[:, np.newaxis]) / _BLUR_S
    curve: Floats = (drops[:, np.newaxis] * np.exp(-0.5 * away**2)).max(axis=0) / drops.max()
    return curve
