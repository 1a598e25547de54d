"""Where things move in a clip, from a few pictures of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Plane

# Pictures are compared in blocks of this many pixels each way: noise of single pixels averages out.
_BLOCK_PX = 4

# Mean change of a block, in luma codes, from which on something moved.  Noise of a phone in a dark
# room, scaled down to a few hundred pixels' width, changes blocks by under 1 code.
STIRRED = 3.0

# Less than this share of the picture is a lamp that flickers or a leaf at the window.
_LEAST_SHARE = 0.002

# Of all that moves, this share at either edge is not counted: somebody who walks past behind.  At
# the upper edge it is less: there is the head, which moves less than the hands.
_OUTLYING, _OUTLYING_ABOVE = 0.1, 0.03


@dataclass(frozen=True, slots=True)
class Region:
    """A part of an upright picture, as shares of its width and height.

    Attributes
    ----------
    left, top, right, bottom : float
        Its edges, 0 to 1.
    """

    left: float
    top: float
    right: float
    bottom: float

    @property
    def centre(self) -> tuple[float, float]:
        """Its middle."""
        return (self.left + self.right) / 2, (self.top + self.bottom) / 2


def measure_change(lumas: Sequence[Plane]) -> NDArray[np.float64]:
    """Return how much each block changes from one picture to the next, in luma codes.

    A change of exposure over the whole picture counts as none.

    Parameters
    ----------
    lumas : sequence of ndarray, shape (height, width), uint8
        Pictures of one clip, moments apart, of one size.

    Returns
    -------
    ndarray, shape (height // 4, width // 4), float64
        The median over the pairs of neighbours in time, so that one jolt of the phone does not
        count; zeros for fewer than two pictures.
    """
    blocks = [_blocks(luma) for luma in lumas]
    if len(blocks) < 2:
        return np.zeros_like(blocks[0]) if blocks else np.zeros((1, 1))
    level = float(np.median([np.median(block) for block in blocks]))
    even = [block * (level / max(float(np.median(block)), 1.0)) for block in blocks]
    return np.asarray(np.median([abs(b - a) for a, b in pairwise(even)], axis=0))


def find_movement(change: NDArray[np.float64]) -> Region | None:
    """Return where most of the movement is, or None where next to nothing moves.

    Parameters
    ----------
    change : ndarray, shape (rows, columns)
        As `measure_change` returns it.
    """
    moved = np.maximum(change - STIRRED, 0.0)
    if np.mean(moved > 0) < _LEAST_SHARE:
        return None
    left, right = _middle(moved.sum(axis=0), _OUTLYING)
    top, bottom = _middle(moved.sum(axis=1), _OUTLYING_ABOVE)
    return Region(left, top, right, bottom)


def change_within(change: NDArray[np.float64], region: Region) -> float:
    """Return the change of the liveliest tenth of a region, in luma codes: a head has edges."""
    rows, columns = change.shape
    top, left = int(region.top * rows), int(region.left * columns)
    bottom = max(top + 1, int(np.ceil(region.bottom * rows)))
    right = max(left + 1, int(np.ceil(region.right * columns)))
    part = change[max(0, top) : bottom, max(0, left) : right]
    return float(np.percentile(part, 90)) if part.size else 0.0


def _blocks(luma: Plane) -> NDArray[np.float64]:
    """Return the mean over each block, above black."""
    rows, columns = luma.shape[0] // _BLOCK_PX, luma.shape[1] // _BLOCK_PX
    whole = luma[: rows * _BLOCK_PX, : columns * _BLOCK_PX].astype(np.float64)
    return np.asarray(whole.reshape(rows, _BLOCK_PX, columns, _BLOCK_PX).mean(axis=(1, 3)) - 16)


def _middle(weights: NDArray[np.float64], outlying: float) -> tuple[float, float]:
    """Return the shares of a length between which most of the weight lies."""
    total = np.concatenate([[0.0], np.cumsum(weights)]) / weights.sum()
    edges = np.linspace(0.0, 1.0, weights.size + 1)
    low, high = np.interp([outlying, 1 - _OUTLYING], total, edges)
    return float(low), float(high)
