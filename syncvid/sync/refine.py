"""Refining a line: its offset and drift to a small part of a sample.

First the windows' correlations are summed along all lines close to the one that is known, which
needs no single window to be clear on its own.  Then each window that stands out by itself gives
its own lag, and a weighted robust line through these lags gives the answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Floats
from syncvid.signals.peaks import Peaks, find_peaks, upsample
from syncvid.sync.windows import Rows
from syncvid.timeline import PPM, Placement

# Rows are made this much finer before they are summed or read.
FINER = 4

# Standard deviations at which a window is cut off in a sum.
CAP = 10.0

# A window's own lag is used if its peak stands out by this many standard deviations; among the
# dozen independent lags that are looked at, chance exceeds it once in more than 10 000 windows.
CLEAR = 4.5

# How far a window may lie from the summed line and still be read, in seconds: a room moves the
# strongest arrival by less.
NEAR_S = 0.75e-3

# Tukey's biweight keeps 95 % efficiency for clean data with this many scales.
TUKEY = 4.685

# Fewer clear windows than this, or windows closer together, make no line of their own; the summed
# line stands.
FEWEST = 4
SHORTEST_S = 4.0


@dataclass(frozen=True, slots=True)
class Summed:
    """The best line near another one.

    Attributes
    ----------
    line : Placement
        The line.
    score : float
        Its evidence, in standard deviations.
    """

    line: Placement
    score: float


def sum_near(rows: Rows, line: Placement, *, offset_s: float, drift_ppm: float) -> Summed:
    """Find the best line near the one that rows were cut along.

    Parameters
    ----------
    rows : Rows
        From `correlate_near` along `line`.
    line : Placement
        The line.
    offset_s, drift_ppm : float
        How far to look, either way, at the middle of the rows.

    Returns
    -------
    Summed
        `line` with a score of 0 if there are no rows.
    """
    if not len(rows.clip_s):
        return Summed(line, 0.0)
    rate = rows.sample_rate * FINER
    middle_s = float(np.mean(rows.clip_s))
    from_middle_s = rows.clip_s - middle_s
    extent_s = max(float(np.ptp(rows.clip_s)), 1.0)
    rows = rows.within(offset_s + drift_ppm * PPM * extent_s + float(np.abs(rows.rests).max()))
    fine = upsample(np.clip(rows.values, -CAP, CAP), FINER)
    steps = max(1, round(drift_ppm * PPM * extent_s / 2 * rate))
    slopes = np.arange(-steps, steps + 1) / max(extent_s / 2 * rate, 1.0)
    width = round(offset_s * rate)
    columns = np.arange(-width, width + 1)
    at = np.arange(len(fine))[:, None]
    sums = np.empty((len(slopes), len(columns)))
    for index, slope in enumerate(slopes):
        base = np.round(rows.columns(slope * from_middle_s) * FINER).astype(np.int64)
        where = np.clip(base[:, None] + columns, 0, fine.shape[1] - 1)
        sums[index] = fine[at, where].sum(axis=0, dtype=np.float64)
    slope_index, column = np.unravel_index(int(np.argmax(sums)), sums.shape)
    top = find_peaks(sums[slope_index][None].astype(np.float32), np.array([column]), 1)
    slope = float(slopes[slope_index])
    shift_s = (float(top.positions[0]) - width) / rate - slope * middle_s
    score = float(sums[slope_index, column] / np.sqrt(max(1.0, float(rows.shares.sum()))))
    return Summed(Placement(line.offset_s + shift_s, line.drift_ppm + slope / PPM), score)


def read_lags(rows: Rows, around_s: Floats, near_s: float = NEAR_S) -> Peaks:
    """Read each window's own lag near a deviation from the line.

    Parameters
    ----------
    rows : Rows
        From `correlate_near`.
    around_s : ndarray, shape (rows,), float64
        Where to look, as a deviation from the rows' line in seconds.
    near_s : float
        How far from it to look, either way.

    Returns
    -------
    Peaks
        Positions are deviations from the rows' line in seconds, heights standard deviations.
    """
    if not len(rows.clip_s):
        return Peaks(np.zeros(0), np.zeros(0))
    coarse = np.floor(rows.columns(around_s - near_s)).astype(np.int64)
    width = int(np.ceil(2 * near_s * rows.sample_rate)) + 2
    pad = 8
    columns = np.clip(coarse[:, None] + np.arange(-pad, width + pad), 0, rows.values.shape[1] - 1)
    fine = upsample(np.take_along_axis(rows.values, columns, axis=1), FINER)
    first = np.round((rows.columns(around_s - near_s) - (coarse - pad)) * FINER).astype(np.int64)
    peaks = find_peaks(fine, first, round(2 * near_s * rows.sample_rate * FINER) + 1)
    deviations = rows.deviations_s(peaks.positions / FINER + coarse - pad)
    return Peaks(deviations, peaks.heights)


@dataclass(frozen=True, slots=True)
class Fit:
    """A line through the windows' own lags.

    Attributes
    ----------
    line : Placement
        The line.
    spread_s : float
        Robust standard deviation of the lags around it.
    """

    line: Placement
    spread_s: float


def fit_line(clip_s: Floats, lags_s: Floats, weights: Floats, start: Placement) -> Fit:
    """Lay a robust straight line through lags.

    Parameters
    ----------
    clip_s, lags_s : ndarray, shape (windows,), float64
        Middle of each window, and reference minus clip time there, in seconds.
    weights : ndarray, shape (windows,), float64
        Trust in each, > 0.
    start : Placement
        Where to begin, and what comes back for fewer than two windows.

    Returns
    -------
    Fit

    Examples
    --------
    >>> times = np.array([10.0, 60.0, 110.0, 160.0, 210.0])
    >>> fit = fit_line(times, 0.1199 + 40e-6 * times, np.ones(5), Placement(0.12, 0.0))
    >>> round(fit.line.offset_s, 6), round(fit.line.drift_ppm, 3)
    (0.1199, 40.0)
    """
    line, scale = start, 0.0
    if len(clip_s) < 2 or float(np.ptp(clip_s)) <= 0.0:
        return Fit(line, scale)
    for _ in range(8):
        misses = lags_s - (line.offset_s + line.drift_ppm * PPM * clip_s)
        misses_from = misses - weighted_median(misses, weights)
        # 1.4826: median absolute deviation to standard deviation of a normal distribution.
        scale = max(1.4826 * weighted_median(np.abs(misses_from), weights), 1e-6)
        trust = weights * np.clip(1.0 - (misses_from / (TUKEY * scale)) ** 2, 0.0, None) ** 2
        middle_s = float(np.average(clip_s, weights=trust))
        away_s = clip_s - middle_s
        lean = float(np.dot(trust, away_s * away_s))
        slope = float(np.dot(trust, away_s * lags_s)) / lean if lean > 0 else line.rate - 1.0
        at_middle = float(np.average(lags_s, weights=trust))
        line = Placement(at_middle - slope * middle_s, slope / PPM)
    return Fit(line, scale)


def weighted_median(values: Floats, weights: Floats) -> float:
    """Return the value below which half of the weight lies."""
    order = np.argsort(values)
    heaped = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(heaped, heaped[-1] / 2)])


def refine(rows: Rows, line: Placement, *, offset_s: float, drift_ppm: float) -> Fit:
    """Refine a line by the rows along it.

    Parameters
    ----------
    rows : Rows
        From `correlate_near` along `line`.
    line : Placement
        The line.
    offset_s, drift_ppm : float
        How far to look for the summed line, either way.

    Returns
    -------
    Fit
    """
    summed = sum_near(rows, line, offset_s=offset_s, drift_ppm=drift_ppm).line
    around = deviation_s(rows, line, summed)
    peaks = read_lags(rows, around)
    clear = peaks.heights >= CLEAR
    clip_s = rows.clip_s[clear]
    if len(clip_s) < FEWEST or float(np.ptp(clip_s)) < SHORTEST_S:
        return Fit(summed, float("inf"))
    lags_s = line.offset_s + line.drift_ppm * PPM * clip_s + peaks.positions[clear]
    return fit_line(clip_s, lags_s, np.square(peaks.heights[clear]), summed)


def deviation_s(rows: Rows, line: Placement, other: Placement) -> Floats:
    """Return how far another line lies from the rows' own at each row, in seconds."""
    return (other.offset_s - line.offset_s) + (other.drift_ppm - line.drift_ppm) * PPM * rows.clip_s
