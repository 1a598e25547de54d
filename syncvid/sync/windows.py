"""Correlations of a clip's windows against the reference near a line that is already known."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy import fft

from syncvid.arrays import Audio, Floats
from syncvid.timeline import Placement, to_samples

# Columns that a resampling filter needs beside those that are looked at.
SPARE = 16


@dataclass(frozen=True, slots=True)
class Rows:
    """One correlation per window, around a line.

    Attributes
    ----------
    clip_s : ndarray, shape (rows,), float64
        Middle of each window, in clip seconds.
    values : ndarray, shape (rows, columns), float32
        Correlation in standard deviations of what chance gives.
    rests : ndarray, shape (rows,), float64
        What rounding to samples left over: lag of a row's middle column minus that of the line,
        in seconds.
    shares : ndarray, shape (rows,), float64
        Energy of the reference under the window as a share of its mean.
    sample_rate : int
        Columns per second of lag.
    """

    clip_s: Floats
    values: Audio = field(repr=False)
    rests: Floats = field(repr=False)
    shares: Floats = field(repr=False)
    sample_rate: int

    @property
    def reach(self) -> int:
        """Columns on each side of the middle."""
        return int(self.values.shape[1]) // 2

    def inverted(self) -> Rows:
        """Return the rows of the same clip upside down."""
        return replace(self, values=-self.values)

    def moved(self, away_s: Floats) -> Rows:
        """Return the rows as seen from a line that deviates from their own, in seconds."""
        return replace(self, rests=self.rests - away_s)

    def within(self, reach_s: float) -> Rows:
        """Return the columns up to a distance from the middle, and a few more for resampling."""
        cut = max(0, self.reach - int(np.ceil(reach_s * self.sample_rate)) - SPARE)
        return replace(self, values=self.values[:, cut : self.values.shape[1] - cut])

    def columns(self, deviation_s: Floats) -> Floats:
        """Return the column of each row at a deviation from the line, in seconds."""
        return self.reach + (deviation_s - self.rests) * self.sample_rate

    def deviations_s(self, columns: Floats) -> Floats:
        """Return how far a column of each row lies from the line, in seconds."""
        return (columns - self.reach) / self.sample_rate + self.rests


def correlate_near(
    clip: Audio,
    reference: Audio,
    line: Placement,
    *,
    sample_rate: int,
    window_s: float,
    hop_s: float,
    reach_s: float,
) -> Rows:
    """Correlate windows along a clip at lags near a line.

    Parameters
    ----------
    clip, reference : ndarray, shape (samples,), float32
        Whitened sounds.
    line : Placement
        Where the clip is thought to lie.
    sample_rate : int
        Rate of both, in Hz.
    window_s, hop_s : float
        Length of a window, and step from one to the next.
    reach_s : float
        Largest deviation from the line, either way.

    Returns
    -------
    Rows
        Only windows that meet the reference; none if there is no such window.
    """
    window, reach = to_samples(window_s, sample_rate), to_samples(reach_s, sample_rate)
    starts = np.arange(0, max(1, len(clip) - window // 2), to_samples(hop_s, sample_rate))
    middles_s = (starts + window / 2) / sample_rate
    lags = (line.offset_s + middles_s * (line.rate - 1.0)) * sample_rate
    whole = np.round(lags).astype(np.int64)
    middles = starts + whole + window // 2
    meets = (middles >= 0) & (middles < len(reference))
    starts, whole = starts[meets], whole[meets]
    values = np.zeros((len(starts), 2 * reach + 1), np.float32)
    shares = np.zeros(len(starts))
    mean = float(np.mean(np.square(reference, dtype=np.float64))) if len(reference) else 0.0
    for row, (start, lag) in enumerate(zip(starts.tolist(), whole.tolist(), strict=True)):
        piece = _cut(clip, start, window)
        stretch = _cut(reference, start + lag - reach, window + 2 * reach)
        values[row] = _correlate(piece, stretch)
        under = stretch[reach : reach + window]
        shares[row] = float(np.dot(under, under)) / max(mean * window, 1e-9)
    rests = (whole - lags[meets]) / sample_rate
    return Rows(middles_s[meets], values, rests, shares, sample_rate)


def _cut(samples: Audio, start: int, length: int) -> Audio:
    """Return a stretch of a sound, silent outside of it."""
    piece = samples[max(0, start) : max(0, start + length)]
    if len(piece) == length:
        return piece
    padded = np.zeros(length, np.float32)
    padded[max(0, -start) : max(0, -start) + len(piece)] = piece
    return padded


def _correlate(piece: Audio, stretch: Audio) -> Audio:
    """Correlate a window at every place within a stretch, in standard deviations."""
    size = int(fft.next_fast_len(len(stretch), real=True))
    near, far = fft.rfft(piece, size), fft.rfft(stretch, size)
    product = far * np.conj(near)
    row = fft.irfft(product, size)[: len(stretch) - len(piece) + 1]
    # Parseval: mean square over all lags; a stretch of silence or a silent window gives zeros.
    power = 2.0 * float(np.sum(product.real**2 + product.imag**2, dtype=np.float64))
    deviation = np.sqrt(power) / size
    return np.asarray(row / max(deviation, 1e-6), np.float32)
