"""Phrases that were stretched or squeezed in the mix, so that they have a speed of their own.

At 1 or 2 % of stretch a window of a second slides by 10 or 20 ms against the mix, and nothing above
50 Hz correlates.  So the missing piece of the clip is read at a few dozen speeds; at the right one
its windows lie on a straight line again.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from syncvid.arrays import Audio
from syncvid.lazily import fft
from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.sync.lines import LINE_RATE, sum_lines
from syncvid.sync.refine import refine
from syncvid.sync.windows import correlate_near
from syncvid.timeline import PPM, Placement, to_samples

# Speeds that are tried: a step of 0.1 % leaves at most 0.5 ms of slip in a window.
SMALLEST, LARGEST, STEP = 0.004, 0.0225, 0.001

# Windows of one second, every half second; the transform holds lags of half a second either way.
WINDOW = LINE_RATE
HOP = LINE_RATE // 2
REACH = LINE_RATE // 2
SIZE = WINDOW + 2 * REACH  # of factors 2 and 5 only: as fast as any

# Windows are cut off here, and their sum must stand out by this much: of 40 speeds, 4000 lags and
# 50 slopes the best stays below 6 by chance, overlapping windows counted.
CAP = 8.0
STANDS_OUT = 7.0
OVERLAP = 1.4

# Longer gaps are not one phrase.
LONGEST_S = 40.0

# Windows for the exact look.
FINE_WINDOW_S = 1.0
FINE_HOP_S = 0.25
FINE_OFFSET_S = 1.5e-3
FINE_DRIFT_PPM = 150.0


@dataclass(frozen=True, slots=True)
class Pair:
    """A clip and a reference, whitened.

    Attributes
    ----------
    clip, reference : ndarray, shape (samples,), float32
        At `LINE_RATE`.
    full_clip, full_reference : ndarray, shape (samples,), float32
        At `ANALYSIS_RATE`.
    """

    clip: Audio = field(repr=False)
    reference: Audio = field(repr=False)
    full_clip: Audio = field(repr=False)
    full_reference: Audio = field(repr=False)


def find_stretched(pair: Pair, line: Placement, from_s: float, to_s: float) -> Placement | None:
    """Look for a piece of a clip in a stretch of the reference at another speed.

    Parameters
    ----------
    pair : Pair
        The sounds, the clip the right way up.
    line : Placement
        The clip's line.
    from_s, to_s : float
        The stretch, in reference seconds.

    Returns
    -------
    Placement or None
        With a drift of its own; None where no speed stands out.
    """
    starts = np.arange(to_samples(from_s, LINE_RATE), to_samples(to_s, LINE_RATE) - WINDOW, HOP)
    if len(starts) < 3 or to_s - from_s > LONGEST_S:
        return None
    stretches = np.stack(
        [_cut(pair.reference, int(start) - REACH, WINDOW + 2 * REACH) for start in starts]
    )
    spectra = fft.rfft(stretches, SIZE, axis=1)
    speeds = np.arange(SMALLEST, LARGEST, STEP)
    best: tuple[float, Placement] | None = None
    for speed in (*-speeds, *speeds):
        score, placement = _at_speed(pair.clip, spectra, starts, line, float(speed))
        if best is None or score > best[0]:
            best = (score, placement)
    if best is None or best[0] < STANDS_OUT:
        return None
    return _settled(pair, best[1], from_s, to_s)


def _at_speed(
    clip: Audio, spectra: np.ndarray, starts: np.ndarray, line: Placement, speed: float
) -> tuple[float, Placement]:
    """Return the evidence for one speed, and the best line at it."""
    # Read at the speed, pivoting where the stretch begins.
    middle_s = starts[0] / LINE_RATE
    guess = Placement(
        middle_s - line.to_clip(middle_s) * line.rate * (1 + speed),
        (line.rate * (1 + speed) - 1) / PPM,
    )
    read = _read(clip, guess, int(starts[0]), int(starts[-1] - starts[0]) + WINDOW, LINE_RATE)
    windows = np.lib.stride_tricks.sliding_window_view(read, WINDOW)[::HOP]
    product = spectra * np.conj(fft.rfft(windows, SIZE, axis=1))
    # With the stretch REACH early, lag zero lies at REACH.
    rows = fft.irfft(product, SIZE, axis=1)[:, : 2 * REACH + 1]
    power = 2.0 * np.sum(product.real**2 + product.imag**2, axis=1, dtype=np.float64)
    rows = rows / np.maximum(np.sqrt(power) / SIZE, 1e-6)[:, None]
    slots = 1 << max(0, len(rows) - 1).bit_length()
    padded = np.zeros((slots, rows.shape[1]), np.float32)
    np.clip(rows, -CAP, CAP, out=padded[: len(rows)])
    per_row = STEP / 2 * HOP
    sums = sum_lines(padded, per_row)
    slope, lag = np.unravel_index(int(np.argmax(sums)), sums.shape)
    score = float(sums[slope, lag]) / (OVERLAP * np.sqrt(len(rows)))
    per_sample = (int(slope) - len(sums) // 2) / max(1, slots - 1) / HOP
    # The reference runs ahead of what was read by lag0 + per_sample * (samples since the start).
    rate = guess.rate * (1 + per_sample)
    ahead_s = (int(lag) - REACH) / LINE_RATE - per_sample * WINDOW / 2 / LINE_RATE
    clip_s = guess.to_clip(middle_s)
    return score, Placement(float(middle_s + ahead_s - clip_s * rate), float(rate - 1) / PPM)


def _read(clip: Audio, line: Placement, first: int, count: int, sample_rate: int) -> Audio:
    """Return what a clip on a line has at samples of the reference."""
    at_s = (((first + np.arange(count)) / sample_rate) - line.offset_s) / line.rate
    read = np.interp(at_s * sample_rate, np.arange(len(clip)), clip, left=0.0, right=0.0)
    return read.astype(np.float32)


def _settled(pair: Pair, line: Placement, from_s: float, to_s: float) -> Placement:
    """Refine a stretched line over the full band."""
    first = to_samples(from_s, ANALYSIS_RATE)
    count = to_samples(to_s, ANALYSIS_RATE) - first
    read = _read(pair.full_clip, line, first, count, ANALYSIS_RATE)
    start = Placement(first / ANALYSIS_RATE)
    rows = correlate_near(
        read,
        pair.full_reference,
        start,
        sample_rate=ANALYSIS_RATE,
        window_s=FINE_WINDOW_S,
        hop_s=FINE_HOP_S,
        reach_s=2 * FINE_OFFSET_S,
    )
    fit = refine(rows, start, offset_s=FINE_OFFSET_S, drift_ppm=FINE_DRIFT_PPM).line
    # The clip second of the first sample that was read, and what a second of it is worth.
    clip_s = line.to_clip(start.offset_s)
    rate = line.rate * fit.rate
    return Placement(float(fit.offset_s - clip_s * rate), float(rate - 1) / PPM)


def _cut(samples: Audio, start: int, length: int) -> Audio:
    """Return a stretch of a sound, silent outside of it."""
    piece = samples[max(0, start) : max(0, start + length)]
    padded = np.zeros(length, np.float32)
    padded[max(0, -start) : max(0, -start) + len(piece)] = piece
    return padded
