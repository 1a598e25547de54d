"""Peaks of a correlation: where exactly they lie, between samples.

A parabola through three samples is biased on a sharp peak, because a whitened correlation is a sinc
and no parabola; rows are therefore made finer before a parabola is laid through them.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.lazily import signal

# A parabola that is flatter than this has no peak worth naming.
FLAT = 1e-12


class Peaks(NamedTuple):
    """One peak per row.

    Attributes
    ----------
    positions : ndarray, shape (rows,), float64
        In columns, between samples.
    heights : ndarray, shape (rows,), float64
        In the unit of the rows.
    """

    positions: Floats
    heights: Floats


def fit_parabola(before: Floats, middle: Floats, after: Floats) -> Peaks:
    """Return top and height of the parabola through samples at -1, 0 and 1.

    Parameters
    ----------
    before, middle, after : ndarray, shape (rows,), float64
        Three neighbouring samples of each row, the middle one the largest.

    Returns
    -------
    Peaks
        Positions from -0.5 to 0.5, relative to the middle; 0 for flat tops.

    Examples
    --------
    >>> top = fit_parabola(np.array([0.8]), np.array([1.0]), np.array([0.9]))
    >>> round(float(top.positions[0]), 6), round(float(top.heights[0]), 6)
    (0.166667, 1.004167)
    """
    bend = before - 2.0 * middle + after
    sharp = np.abs(bend) > FLAT
    position = np.where(sharp, (before - after) / np.where(sharp, 2.0 * bend, 1.0), 0.0)
    position = np.clip(position, -0.5, 0.5)
    return Peaks(position, middle - (before - after) * position / 4.0)


def upsample(rows: Audio, factor: int) -> Audio:
    """Make rows finer along the last axis.

    Parameters
    ----------
    rows : ndarray, shape (rows, columns), float32
        Band-limited rows.
    factor : int
        Columns of the result per column.

    Returns
    -------
    ndarray, shape (rows, (columns - 1) * factor + 1), float32
        Column ``factor * k`` lies where column ``k`` lay.
    """
    finer = signal.resample_poly(rows, factor, 1, axis=-1)
    return np.asarray(finer[..., : (rows.shape[-1] - 1) * factor + 1], np.float32)


def find_peaks(rows: Audio, first: NDArray[np.int64], width: int) -> Peaks:
    """Return the highest point of each row within a stretch of columns.

    Parameters
    ----------
    rows : ndarray, shape (rows, columns), float32
        Rows that are fine enough for a parabola.
    first : ndarray, shape (rows,), int64
        Where the stretch begins in each row.
    width : int
        Columns of the stretch.

    Returns
    -------
    Peaks
    """
    rows64 = np.asarray(rows, np.float64)
    columns = np.clip(first[:, None] + np.arange(width), 0, rows.shape[1] - 1)
    best = np.take_along_axis(
        columns, np.argmax(np.take_along_axis(rows64, columns, 1), axis=1)[:, None], 1
    )[:, 0]
    at = np.arange(len(rows))
    inner = np.clip(best, 1, rows.shape[1] - 2)
    top = fit_parabola(rows64[at, inner - 1], rows64[at, inner], rows64[at, inner + 1])
    on_edge = inner != best
    return Peaks(
        np.where(on_edge, best, inner + top.positions),
        np.where(on_edge, rows64[at, best], top.heights),
    )
