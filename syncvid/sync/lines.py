"""Finding the straight lines on which the windows of a clip agree.

A clip is cut into windows that touch.  Each is correlated against the whole reference; where it
really sounds there, the correlation stands out at one **lag** (reference time minus clip time).  A
clock that drifts moves the lag from window to window by a constant amount, so the evidence for a
place lies on a straight line over the windows.  The lines of all plausible drifts are summed by
merging neighbouring windows again and again, each time with twice as many slopes, which costs
little more than one line per lag.

Correlations are counted in standard deviations, and each window is cut off at `CAP` of them, so
that no single one can carry a place alone.  A microphone or a mixing desk may turn the sound upside
down: a line of negative correlations counts as much as one of positive ones.

References
----------
M. L. Brady, "A fast discrete approximation algorithm for the Radon transform", SIAM J. Comput. 27
(1998): the merging of neighbours in `sum_lines`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.lazily import fft
from syncvid.timeline import PPM, Placement

# Rate of the whitened sounds that are searched.  The band below 2 kHz holds most of what rooms and
# codecs leave alike, and a drift within a window does not blur it.
LINE_RATE = 4000

# A window of 4 s holds several notes, and 300 ppm move its ends by 0.6 ms only.  Short clips are
# searched at 16 kHz too, where as many samples make a window of 1 s.
WINDOW_S = 4.0
WINDOW = round(WINDOW_S * LINE_RATE)

# Two phones differ by 60 ppm at most as a rule, and 273 ppm have been measured.  The search covers
# 300 ppm for short clips; it narrows with length, since its work grows with the square of it, down
# to 120 ppm from four minutes on.
DRIFT_PPM = 120.0
SHORT_DRIFT_PPM = 300.0
NARROWS_S = 240.0

# Standard deviations at which a window's correlation is cut off.
CAP = 10.0

# A place where fewer windows than this meet the reference is judged as if so many did: one window
# alone finds a tone that fits by chance too easily.
FEWEST_WINDOWS = 2.0

# Keeps a window of silence from being divided by nothing.
SILENT_DEVIATION = 1e-6

# Windows per block of lags; more wastes less of a transform, fewer needs less memory.
BLOCK_WINDOWS = 3
BLOCK = BLOCK_WINDOWS * WINDOW

# Room for the drift on both sides of a block of lags: 120 ppm over 35 minutes.
MARGIN = 1024
# scipy's next fast length for a window, a block and both margins; asked for here, it would load
# scipy wherever this module is.
SIZE = 67_500

# Lags that are summed into lines at a time, so that the sums stay in the processor's cache.
TILE = 8192

# Neighbouring lags that share a slope: 16 ms.
GROUP = 64

Spectra = NDArray[np.complex64]


@dataclass(frozen=True, slots=True)
class Searchable:
    """A reference, cut and transformed once for all clips.

    Attributes
    ----------
    spectra : ndarray, shape (blocks, bins), complex64
        Transform of the stretch that begins `MARGIN` samples before sample `WINDOW` * block.
    first : int
        Number of the first block; negative, for clips that start before the reference.
    energy : ndarray, shape (samples + 1,), float64
        Sum of squares up to each sample.
    mean_power : ndarray, shape (bins,), float32
        Mean power spectrum of a stretch that is filled with sound.
    """

    spectra: Spectra = field(repr=False)
    first: int
    energy: Floats = field(repr=False)
    mean_power: Audio = field(repr=False)

    @property
    def length(self) -> int:
        """Samples of the reference."""
        return len(self.energy) - 1


@dataclass(frozen=True, slots=True)
class LineScores:
    """The best line at every lag.

    Attributes
    ----------
    sample_rate : int
        Rate of the sounds, in Hz; lags and windows are counted in samples at this rate.
    first_lag : int
        Lag of the first entry, in samples, at the middle of the first window.
    scores : ndarray, shape (lags,), float32
        Sum over the windows in standard deviations of what chance gives.
    inverted : ndarray, shape (lags,), bool
        Whether the best line is one of negative correlations.
    slopes : ndarray, shape (lags,), int16
        Samples by which the best line moves from the first window to the last.
    slope_ppm : float
        Drift of one such sample.
    window_lags, window_peaks : ndarray, shape (2, windows)
        Where each window alone fits best, and how far that stands out: upright, and inverted.
    elected : tuple of (Placement, bool)
        Lines that the windows agree on, and whether upside down; there are no sums then.
    """

    sample_rate: int
    first_lag: int
    scores: Audio = field(repr=False)
    inverted: NDArray[np.bool_] = field(repr=False)
    slopes: NDArray[np.int16] = field(repr=False)
    slope_ppm: float
    window_lags: NDArray[np.int64] = field(repr=False)
    window_peaks: Audio = field(repr=False)
    elected: tuple[tuple[Placement, bool], ...] = ()

    @property
    def window_s(self) -> float:
        """Length of a window in seconds."""
        return WINDOW / self.sample_rate


def prepare(reference: Audio) -> Searchable:
    """Cut and transform a whitened reference.

    Parameters
    ----------
    reference : ndarray, shape (samples,), float32
        Whitened sound, usually at `LINE_RATE`.

    Returns
    -------
    Searchable
    """
    first, last = -(SIZE // WINDOW) - 1, len(reference) // WINDOW
    before = -first * WINDOW + MARGIN
    padded = np.zeros(before + last * WINDOW + SIZE, np.float32)
    padded[before : before + len(reference)] = reference
    starts = range(0, (last - first + 1) * WINDOW, WINDOW)
    spectra = np.stack([fft.rfft(padded[start : start + SIZE]) for start in starts])
    energy = np.concatenate(([0.0], np.cumsum(np.square(reference, dtype=np.float64))))
    # Each sample lies in SIZE / WINDOW stretches, so that this many stretches' worth are filled.
    filled = max(1.0, len(reference) / WINDOW)
    power = np.sum(spectra.real**2 + spectra.imag**2, axis=0, dtype=np.float64) / filled
    return Searchable(spectra, first, energy, np.asarray(power, np.float32))


def score_lines(
    clip: Audio,
    reference: Searchable,
    *,
    sample_rate: int = LINE_RATE,
    either_way_up: bool = True,
    drift_ppm: float = DRIFT_PPM,
) -> LineScores:
    """Sum the evidence of all windows along all lines.

    Parameters
    ----------
    clip : ndarray, shape (samples,), float32
        Whitened sound.
    reference : Searchable
        From `prepare`, at the same rate.
    sample_rate : int
        Rate of both, in Hz; windows are `WINDOW` samples long.
    either_way_up : bool
        Whether the clip may be upside down.
    drift_ppm : float
        Largest drift that is searched for a clip of any length.

    Returns
    -------
    LineScores
        All zeros for a silent clip or reference.
    """
    spectra, deviations = clip_windows(clip, reference)
    windows = len(spectra)
    slots = 1 << max(0, windows - 1).bit_length()
    steepest = _steepest(windows * WINDOW / sample_rate, drift_ppm)
    first_block, last_block = -(len(clip) // BLOCK) - 1, reference.length // BLOCK
    scores, slopes = [], []
    window_peaks = np.zeros((2, windows), np.float32)
    window_lags = np.zeros((2, windows), np.int64)
    for block in range(first_block, last_block + 1):
        rows = np.zeros((slots, BLOCK + 2 * MARGIN), np.float32)
        for index, row in correlations(spectra, deviations, reference, block):
            inner = row[MARGIN:-MARGIN]
            for side, peak in enumerate((int(np.argmax(inner)), int(np.argmin(inner)))):
                if abs(inner[peak]) > window_peaks[side, index]:
                    window_peaks[side, index] = abs(inner[peak])
                    window_lags[side, index] = block * BLOCK + peak
            np.clip(row, -CAP, CAP, out=rows[index])
        best, slope = _best_lines(rows, steepest, either_way_up)
        scores.append(best)
        slopes.append(slope)
    sums = np.concatenate(scores)
    first_lag = first_block * BLOCK
    sums /= np.sqrt(_overlap(reference, len(clip), first_lag, len(sums)))
    slope_ppm = 1e6 / (max(1, slots - 1) * WINDOW)
    return LineScores(
        sample_rate,
        first_lag,
        np.abs(sums) if either_way_up else np.maximum(sums, 0.0),
        sums < 0,
        np.concatenate(slopes),
        slope_ppm,
        window_lags,
        window_peaks,
    )


def clip_windows(clip: Audio, reference: Searchable) -> tuple[Spectra, Audio]:
    """Transform the clip's windows; return them with the deviation that chance gives each."""
    windows = -(-len(clip) // WINDOW)
    padded = np.zeros((windows, WINDOW), np.float32)
    padded.reshape(-1)[: len(clip)] = clip
    spectra = np.asarray(fft.rfft(padded, SIZE, axis=1), np.complex64)
    # Parseval: mean square of a correlation = sum of the product of both power spectra.
    power = (spectra.real**2 + spectra.imag**2) @ reference.mean_power
    deviations = np.sqrt(2.0 * power) / SIZE + SILENT_DEVIATION
    return spectra, np.asarray(deviations, np.float32)


def correlations(
    spectra: Spectra, deviations: Audio, reference: Searchable, block: int
) -> Iterator[tuple[int, Audio]]:
    """Yield the windows that can meet the reference at a block of lags, in deviations."""
    for index in range(len(spectra)):
        place = index + block * BLOCK_WINDOWS - reference.first
        if 0 <= place < len(reference.spectra):
            product = reference.spectra[place] * np.conj(spectra[index])
            row = fft.irfft(product, SIZE)[: BLOCK + 2 * MARGIN]
            yield index, row / deviations[index]


def _steepest(length_s: float, drift_ppm: float) -> float:
    """Return the largest slope that is searched for a clip's length, in lags per window."""
    wide_ppm = min(DRIFT_PPM * NARROWS_S / max(length_s, 1.0), SHORT_DRIFT_PPM)
    return max(wide_ppm, drift_ppm) * PPM * WINDOW


def _best_lines(
    rows: Audio, per_window: float, either_way_up: bool
) -> tuple[Audio, NDArray[np.int16]]:
    """Return the best line at each lag of a block, negative if inverted, and its slope."""
    best = np.empty(BLOCK, np.float32)
    slopes = np.empty(BLOCK, np.int16)
    for start in range(0, BLOCK, TILE):
        stop = min(start + TILE, BLOCK)
        tile = rows[:, start : stop + 2 * MARGIN]
        room = min(MARGIN, math.ceil(per_window * (len(rows) - 1)))
        sums = sum_lines(tile[:, MARGIN - room : tile.shape[1] - MARGIN + room], per_window)
        sums = sums[:, room : room + stop - start]
        high = sums.max(axis=0)
        if either_way_up:
            low = sums.min(axis=0)
            high = np.where(-low > high, low, high)
        best[start:stop] = high
        # A maximum over the slopes costs a tenth of finding out which slope it is, so that is asked
        # for the best lag of each group only.
        groups = np.abs(high).reshape(-1, GROUP)
        tops = np.argmax(groups, axis=1) + GROUP * np.arange(len(groups))
        which = np.argmax(sums[:, tops] * np.sign(high[tops]), axis=0) - len(sums) // 2
        slopes[start:stop] = np.repeat(which, GROUP)
    return best, slopes


def sum_lines(rows: Audio, per_row: float) -> Audio:
    """Sum rows along all straight lines up to a slope.

    Parameters
    ----------
    rows : ndarray, shape (rows, lags), float32
        One correlation per window; the number of rows is a power of two.
    per_row : float
        Largest slope, in lags per row.

    Returns
    -------
    ndarray, shape (2 * steepest + 1, lags), float32
        Entry [steepest + shift, lag]: sum along the line that starts at `lag` in the first row and
        has moved by `shift` in the last.  Lines that leave the rows lack what lies outside.

    Examples
    --------
    >>> sum_lines(np.eye(4, dtype=np.float32), 1.0)[:, 0]
    array([1., 1., 1., 1., 1., 2., 4.], dtype=float32)
    """
    sums, steepest, width = rows[:, None, :], 0, 1
    while len(sums) > 1:
        width *= 2
        reach = math.ceil(per_row * (width - 1))
        merged = np.empty((len(sums) // 2, 2 * reach + 1, sums.shape[2]), np.float32)
        for shift in range(-reach, reach + 1):
            # Of width - 1 steps from the first row to the last, width / 2 - 1 lie in each half.
            half = round(shift * (width // 2 - 1) / (width - 1))
            jump = shift - half
            into = merged[:, shift + reach]
            into[...] = sums[0::2, half + steepest]
            late = sums[1::2, half + steepest]
            if jump >= 0:
                into[:, : into.shape[1] - jump] += late[:, jump:]
            else:
                into[:, -jump:] += late[:, :jump]
        sums, steepest = merged, reach
    return np.asarray(sums[0], np.float32)


def _overlap(reference: Searchable, clip_length: int, first_lag: int, lags: int) -> Audio:
    """Return how many windows of reference sound lie under the clip at each lag, at least one."""
    starts = np.arange(first_lag, first_lag + lags)
    ends = np.clip(starts + clip_length, 0, reference.length)
    inside = reference.energy[ends] - reference.energy[np.clip(starts, 0, reference.length)]
    per_window = WINDOW * reference.energy[-1] / max(1, reference.length)
    windows = np.maximum(inside / max(per_window, 1e-9), FEWEST_WINDOWS)
    return np.asarray(windows, np.float32)


def strongest(scores: LineScores, *, apart: int, count: int) -> Sequence[int]:
    """Return the indices of the strongest lags, each at least `apart` from the others."""
    left = scores.scores.copy()
    found = []
    for _ in range(count if len(left) else 0):
        index = int(np.argmax(left))
        if left[index] <= 0:
            break
        found.append(index)
        left[max(0, index - apart) : index + apart + 1] = 0
    return found
