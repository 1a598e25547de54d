"""Correlations of a clip's windows against the reference near a line that is already known."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.lazily import fft
from syncvid.timeline import Placement, to_samples

# Columns that a resampling filter needs beside those that are looked at.
SPARE = 16


# Pieces that are transformed at a time: enough to spare calls, few enough to stay in the cache.
BATCH = 16


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
    hop = to_samples(hop_s, sample_rate)
    starts = np.arange(0, max(1, len(clip) - window // 2), hop)
    lags, whole = _lags(starts, line, window, sample_rate)
    middles = starts + whole + window // 2
    meets = np.flatnonzero((middles >= 0) & (middles < len(reference)))
    starts, lags, whole = starts[meets], lags[meets], whole[meets]
    pieces = window // hop if window % hop == 0 and len(starts) else 1
    # Windows that overlap share pieces: each piece is correlated once.
    more = np.arange(pieces - 1) * hop + (starts[-1] + hop if len(starts) else 0)
    firsts = np.concatenate((starts, more))
    laid = _lags(firsts, line, window, sample_rate)[1]
    slack = int(np.abs(np.diff(laid)).max(initial=0)) * (pieces - 1)
    rows, powers = _correlate(clip, reference, firsts, laid, window // pieces, reach + slack)
    values = np.zeros((len(starts), 2 * reach + 1), np.float32)
    power = np.zeros(len(starts))
    for piece in range(pieces):
        here = slice(piece, piece + len(starts))
        for row, shift in enumerate((whole - laid[here] + slack).tolist()):
            values[row] += rows[piece + row, shift : shift + 2 * reach + 1]
        power += powers[here]
    values /= np.maximum(np.sqrt(power), 1e-6)[:, None].astype(np.float32)
    shares = _shares(reference, starts + whole, window)
    middles_s = (starts + window / 2) / sample_rate
    return Rows(middles_s, values, (whole - lags) / sample_rate, shares, sample_rate)


def _lags(
    starts: NDArray[np.int64], line: Placement, window: int, sample_rate: int
) -> tuple[Floats, NDArray[np.int64]]:
    """Return the lags of windows on a line in samples, as they are and rounded."""
    middles_s = (starts + window / 2) / sample_rate
    lags = (line.offset_s + middles_s * (line.rate - 1.0)) * sample_rate
    return lags, np.round(lags).astype(np.int64)


def _shares(reference: Audio, starts: NDArray[np.int64], window: int) -> Floats:
    """Return the energy of stretches of a reference as shares of its mean."""
    mean = float(np.einsum("i,i", reference, reference, dtype=np.float64)) / max(1, len(reference))
    inside = np.zeros(len(starts))
    for row, start in enumerate(starts.tolist()):
        under = reference[max(0, start) : max(0, start + window)]
        inside[row] = float(np.dot(under, under))
    return np.asarray(inside / max(mean * window, 1e-9))


def _correlate(
    clip: Audio,
    reference: Audio,
    starts: NDArray[np.int64],
    lags: NDArray[np.int64],
    length: int,
    reach: int,
) -> tuple[Audio, Floats]:
    """Correlate pieces of a clip at every lag near one of their own.

    Returns
    -------
    rows : ndarray, shape (pieces, 2 * reach + 1), float32
        The correlations.
    powers : ndarray, shape (pieces,), float64
        Their mean squares as chance would give them.
    """
    size = int(fft.next_fast_len(length + 2 * reach, real=True))
    rows = np.zeros((len(starts), 2 * reach + 1), np.float32)
    powers = np.zeros(len(starts))
    for first in range(0, len(starts), BATCH):
        batch = slice(first, first + BATCH)
        near = fft.rfft(_cut(clip, starts[batch], length), size, axis=1)
        far = fft.rfft(_cut(reference, (starts + lags)[batch] - reach, length + 2 * reach), size)
        product = far * np.conj(near)
        rows[batch] = fft.irfft(product, size, axis=1)[:, : 2 * reach + 1]
        # Parseval: mean square over all lags; a stretch of silence or a silent piece gives zeros.
        squares = np.square(product.real, dtype=np.float64) + np.square(product.imag)
        powers[batch] = 2.0 * squares.sum(axis=1) / size**2
    return rows, powers


def _cut(samples: Audio, starts: NDArray[np.int64], length: int) -> Audio:
    """Return stretches of a sound, shape (stretches, length), silent outside of it."""
    out = np.zeros((len(starts), length), np.float32)
    for row, start in zip(out, starts.tolist(), strict=True):
        piece = samples[max(0, start) : max(0, start + length)]
        row[max(0, -start) : max(0, -start) + len(piece)] = piece
    return out
