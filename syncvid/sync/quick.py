"""A quick search for clips that are clearly in the reference: most are.

A dozen windows spread over the clip are asked for their best lag.  If most of them lie on one line,
its drift is known, and one correlation of the whole clip at this drift shows all places at once,
repeats among them.  If they do not, nothing is concluded: all lines are summed (`score_lines`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from syncvid.arrays import Audio, Floats
from syncvid.sync.lines import (
    LINE_RATE,
    WINDOW,
    LineScores,
    Searchable,
    overlap,
    search_windows,
)
from syncvid.sync.refine import read_lags
from syncvid.sync.windows import correlate_near
from syncvid.timeline import PPM, Placement

# Windows that are asked first, spread over the clip; shorter clips are searched whole.
ASKED = 16

# A window is clear if its peak stands out by so many standard deviations: of half a million
# independent lags chance exceeds 6 in one window of a thousand.
CLEAR = 6.0

# Clear windows that must lie on one line, as a share of all that are asked, and how close to it.
# Chance puts no three there: windows of unrelated music spread over the whole reference.
SHARE = 0.5
NEAR_S = 0.75e-3

# A line may be as steep as this.
STEEPEST_PPM = 400.0

# Windows further apart than this tell a slope.
APART_S = 8.0

# Lags read around the line in a close look.
REACH_S = 0.02


def score_quickly(clip: Audio, reference: Searchable, sound: Audio) -> LineScores | None:
    """Search for one clear line.

    Parameters
    ----------
    clip : ndarray, shape (samples,), float32
        Whitened sound at `LINE_RATE`.
    reference : Searchable
        From `prepare`.
    sound : ndarray, shape (samples,), float32
        What `reference` was prepared from.

    Returns
    -------
    LineScores or None
        As from `score_lines`, all lines with the same drift; None if there is no clear line.
    """
    windows = -(-len(clip) // WINDOW)
    if windows < ASKED:
        return None
    asked = np.unique(np.linspace(0, windows - 1, ASKED).round().astype(np.int64))
    lags, peaks = search_windows(clip, reference, asked)
    # A low tone fits upside down half a period later nearly as well: the stronger side counts.
    inverted = bool(peaks[1].sum() > peaks[0].sum())
    line = clear_line(_middles_s(asked), lags[int(inverted)] / LINE_RATE, peaks[int(inverted)])
    if line is None:
        return None
    scores = _at_drift(-clip if inverted else clip, reference, sound, line.drift_ppm)
    all_lags, all_peaks = _ask_all(clip, reference, sound, line, inverted=inverted)
    first_lag = -len(clip)
    return LineScores(
        LINE_RATE,
        first_lag,
        scores,
        np.full(len(scores), inverted),
        np.ones(len(scores), np.int16),
        line.drift_ppm,
        all_lags,
        all_peaks,
    )


def _middles_s(windows: NDArray[np.int64]) -> Floats:
    """Return the middles of windows in seconds."""
    return np.asarray((windows + 0.5) * WINDOW / LINE_RATE)


def clear_line(times_s: Floats, lags_s: Floats, peaks: Audio) -> Placement | None:
    """Return the line on which at least half of the windows lie, if there is one.

    Parameters
    ----------
    times_s, lags_s : ndarray, shape (windows,), float64
        Middle of each window and its best lag, in seconds.
    peaks : ndarray, shape (windows,), float32
        How far each stands out, in standard deviations.

    Returns
    -------
    Placement or None
    """
    clear = peaks >= CLEAR
    times, lags = times_s[clear], lags_s[clear]
    best = np.zeros(len(times), np.bool_)
    for time, lag in zip(times, lags, strict=True):
        away = times - time
        far = np.abs(away) > APART_S
        slopes = (lags - lag)[far] / away[far]
        for slope in slopes[np.abs(slopes) <= STEEPEST_PPM * PPM]:
            near = np.abs(lags - lag - slope * away) < NEAR_S
            if near.sum() > best.sum():
                best = near
    if best.sum() < SHARE * len(times_s):
        return None
    middle = times[best].mean()
    slope, at_middle = np.polyfit(times[best] - middle, lags[best], 1)
    return Placement(float(at_middle - slope * middle), float(slope) / PPM)


def _at_drift(clip: Audio, reference: Searchable, sound: Audio, drift_ppm: float) -> Audio:
    """Return the evidence at every lag from -len(clip) on, for one drift."""
    # Whole samples are left out or said twice: half a sample is an eighth of a millisecond.
    middle = np.arange(len(clip)) - WINDOW / 2
    at = np.arange(len(clip)) - np.round(middle * drift_ppm * PPM).astype(np.int64)
    steady = clip[np.clip(at, 0, len(clip) - 1)]
    size = int(fft.next_fast_len(len(clip) + len(sound), real=True))
    near, far = fft.rfft(steady, size), fft.rfft(sound, size)
    product = far * np.conj(near)
    power = 2.0 * float(np.sum(product.real**2 + product.imag**2, dtype=np.float64))
    sums = fft.irfft(product, size)
    sums = np.concatenate((sums[size - len(clip) :], sums[: len(sound)]))
    windows = max(1.0, len(clip) / WINDOW)
    deviation = np.sqrt(power / windows) / size
    spread = np.sqrt(overlap(reference, len(clip), -len(clip), len(sums)))
    return np.asarray(np.maximum(sums, 0.0) / (max(deviation, 1e-6) * spread), np.float32)


def _ask_all(
    clip: Audio, reference: Searchable, sound: Audio, line: Placement, *, inverted: bool
) -> tuple[NDArray[np.int64], Audio]:
    """Return each window's best lag and strength: on the line where it is clear, else anywhere."""
    window_s = WINDOW / LINE_RATE
    count = -(-len(clip) // WINDOW)
    rows = correlate_near(
        -clip if inverted else clip,
        sound,
        line,
        sample_rate=LINE_RATE,
        window_s=window_s,
        hop_s=window_s,
        reach_s=REACH_S,
    )
    peaks = read_lags(rows, np.zeros(len(rows.clip_s)))
    index = (rows.clip_s / window_s).astype(np.int64)
    on_line = peaks.heights >= CLEAR
    lags = np.zeros((2, count), np.int64)
    heights = np.zeros((2, count), np.float32)
    own_s = line.offset_s + line.drift_ppm * PPM * rows.clip_s + peaks.positions
    side = int(inverted)
    lags[side, index[on_line]] = np.round(own_s[on_line] * LINE_RATE).astype(np.int64)
    heights[side, index[on_line]] = peaks.heights[on_line]
    others = np.setdiff1d(np.arange(count), index[on_line])
    lags[:, others], heights[:, others] = search_windows(clip, reference, others)
    return lags, heights
