"""Reading sound between its samples, at a pace that is not quite its own.

A clip's clock runs a few millionths fast or slow, so the sample that is due next lies a little
further within the clip's own samples each time.  Its value is a sum of the samples around, weighted
by a windowed sinc (Shannon's sampling theorem).  The weights change so slowly from one sample to
the next that a short row of them is a polynomial in that little: all rows with nearly the same
weights are worked out in one product of matrices, which makes this as quick as a plain filter.

References
----------
C. W. Farrow, "A continuously variable digital delay element", ISCAS 1988: weights as polynomials.
J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", 1974.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import SignalError

MARGIN = 32
"""Samples on either side of a moment that its value is made from."""

# With 64 samples and this window tones up to 21 kHz at 48 kHz keep their level, and what the
# sampling theorem forbids stays about 105 dB below (Kaiser's formulas).
_TAPS = 2 * MARGIN
_WINDOW_BETA = 11.0

# The weights are kept for so many places between two samples, each with a polynomial around it.
_PLACES = 32
_ORDER = 3

# Samples in a row at most; within a row the pace may move the place by so much.
_LONGEST_ROW = 32
_MOST_WITHIN_ROW = 0.01

# Rows that are worked on at a time: what lies between fits into the processor's cache.
_ROWS_TOGETHER = 16_384


def read_between(samples: Audio, *, start: float, step: float, count: int) -> Audio:
    """Return a sound's values at evenly spaced moments between its samples.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        What lies outside of it is silence.
    start : float
        The first moment, in samples.
    step : float
        From one moment to the next, in samples: 1.00001 is a pace 10 millionths too quick.
        Above 1 what would be mirrored at half the new rate is left out.
    count : int
        How many moments.

    Returns
    -------
    ndarray, shape (channels, count), float32

    Raises
    ------
    SignalError
        A step that is not between 0.5 and 2.

    Examples
    --------
    >>> sound = np.sin(0.1 * np.arange(200, dtype=np.float32))[np.newaxis]
    >>> value = read_between(sound, start=100.25, step=1.0, count=1)[0, 0]
    >>> bool(abs(value - np.sin(10.025)) < 1e-5)
    True
    """
    if not 0.5 <= step <= 2.0:
        raise SignalError(f"A pace of {step:g} samples for each one is out of reach.")
    row = _row_length(step)
    weights = _weights(round(1.0 / max(1.0, step), 6), row)
    out = np.zeros((samples.shape[0], count), np.float32)
    for first in range(0, count, row * _ROWS_TOGETHER):
        part = out[:, first : first + row * _ROWS_TOGETHER]
        _fill(part, samples, start + first * step, step, row, weights)
    return out


def _row_length(step: float) -> int:
    """Return how many samples share a row: over a row the place hardly moves."""
    away = abs(step - 1.0)
    return _LONGEST_ROW if away == 0.0 else int(np.clip(_MOST_WITHIN_ROW / away, 1, _LONGEST_ROW))


def _fill(out: Audio, samples: Audio, start: float, step: float, row: int, weights: Audio) -> None:
    """Work out some rows, shape (channels, samples); `weights` as `_weights` returns them."""
    count = out.shape[1]
    rows = -(-count // row)
    begins = start + np.arange(rows) * (row * step)
    bases = np.floor(begins).astype(np.int64)
    fractions = begins - bases
    places = np.minimum((fractions * _PLACES).astype(np.int64), _PLACES - 1)
    # How far each sample of a row lies from the place whose weights it uses.
    beside = fractions - (places + 0.5) / _PLACES
    beside = beside[:, np.newaxis] + np.arange(row) * (step - 1.0)
    first = int(bases[0]) - MARGIN + 1
    width = row + _TAPS - 1
    needed = _cut(samples, first, int(bases[-1]) + row + MARGIN + 1 - first)
    # Rows in the order of their places, so that each place's weights are used once.
    order = np.argsort(places, kind="stable")
    edges = np.searchsorted(places[order], np.arange(_PLACES + 1))
    for channel, heard in zip(out, needed, strict=True):
        windows = np.lib.stride_tricks.sliding_window_view(heard, width)
        values = np.empty((rows, row), np.float32)
        for place in range(_PLACES):
            chosen = order[edges[place] : edges[place + 1]]
            if chosen.size:
                sums = windows[bases[chosen] - bases[0]] @ weights[place]
                values[chosen] = _polynomial(sums, np.asarray(beside[chosen], np.float32))
        channel[:] = values.ravel()[:count]


def _polynomial(sums: Audio, beside: Audio) -> Audio:
    """Evaluate polynomials whose coefficients lie side by side, the highest first."""
    row = beside.shape[1]
    value = sums[:, :row]
    for power in range(1, _ORDER + 1):
        value = value * beside + sums[:, power * row : (power + 1) * row]
    return value


def _cut(samples: Audio, first: int, count: int) -> Audio:
    """Return a stretch of samples with silence where there are none."""
    begin, end = max(0, first), min(samples.shape[1], first + count)
    if begin == first and end == first + count:
        return samples[:, first : first + count]
    out = np.zeros((samples.shape[0], count), np.float32)
    if end > begin:
        out[:, begin - first : end - first] = samples[:, begin:end]
    return out


@lru_cache(maxsize=32)
def _weights(cutoff: float, row: int) -> Audio:
    """Return what a row's samples are made of, shape (places, row + taps - 1, row * (order + 1)).

    Each sample of a row sees the taps one further on; the powers lie side by side, highest first.
    """
    taps = np.arange(_TAPS) - (MARGIN - 1)
    # A least-squares polynomial over all of a place's neighbourhood errs less than Taylor's.
    reach = 0.5 / _PLACES + _MOST_WITHIN_ROW
    nearby = reach * np.cos(np.pi * (np.arange(9) + 0.5) / 9)
    powers = np.vander(nearby, _ORDER + 1)
    solve = np.linalg.pinv(powers)
    out = np.zeros((_PLACES, row + _TAPS - 1, (_ORDER + 1) * row), np.float32)
    for place in range(_PLACES):
        at = (place + 0.5) / _PLACES + nearby
        coefficients = solve @ _sinc(taps[np.newaxis] - at[:, np.newaxis], cutoff)
        for sample in range(row):
            for power in range(_ORDER + 1):
                column = power * row + sample
                out[place, sample : sample + _TAPS, column] = coefficients[power]
    return out


def _sinc(distance: np.ndarray, cutoff: float) -> np.ndarray:
    """Return the windowed sinc at distances in samples."""
    arch = np.sqrt(np.clip(1 - (distance / MARGIN) ** 2, 0, 1))
    window = np.i0(_WINDOW_BETA * arch) / np.i0(_WINDOW_BETA)
    return np.asarray(cutoff * np.sinc(cutoff * distance) * window)
