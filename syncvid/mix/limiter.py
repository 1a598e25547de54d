"""A limiter for true peaks: what would reach above a ceiling is made softer, and nothing else.

Both channels are lowered alike, so that nothing moves from side to side.  The gain begins to fall
a little before a peak, in a curve without corners, and comes back slowly: quicker after a single
peak, slower after a loud stretch, so that the music is not heard to pump.  Where nothing reaches
the ceiling, samples pass as they are, bit for bit.

All of it happens in dB on hops of a few samples, without a step from one to the next: a release
that halves and halves again is the running maximum of straight lines in the logarithm.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from syncvid.lazily import ndimage
from syncvid.mix.door import check_mix
from syncvid.mix.tops import HOP_SAMPLES, hop_tops

if TYPE_CHECKING:
    from syncvid.arrays import Audio

# The gain falls within twice this time around a peak: masked by the peak that follows (backward
# masking lasts some milliseconds; from memory), and slow enough to add no click of its own.
_AHEAD_S = 0.0025

# Half a period of the lowest note (E1, 41 Hz): between its two tops the gain must not move, or a
# bass note would be bent.
_HOLD_S = 0.0125

# Time constants after a single peak and after a loud stretch, and over what past a stretch is told
# from a peak (common practice: 50 to 300 ms).
_RELEASE_S, _SLOW_RELEASE_S, _STRETCH_S = 0.080, 0.200, 0.300

# A release never quite ends; under this it does, so that what follows is left as it is.
_END_DB = 0.02

# Peaks are brought so far under the ceiling: meters differ by some hundredths of a dB, by their
# filters and by where their additional samples lie.
MARGIN_DB = 0.05

# A gain that moves shifts a peak's height by a trifle; so often is looked again.
_ROUNDS = 6

# From where on a change of level counts in the share of time; nobody hears less.
_TOLD_DB = 0.1

# Hops whose gain is spread over their samples at a time.
_TOGETHER = 4096


@dataclass(frozen=True, slots=True)
class Limited:
    """A sound after the limiter.

    Attributes
    ----------
    samples : ndarray, shape (2, samples), float32
        The same array as given where nothing was to be done, otherwise a new one.
    most_db : float
        The most by which it was lowered, at least 0.
    share : float
        Share of the time, 0 to 1, during which it was lowered by more than 0.1 dB.
    """

    samples: Audio = field(repr=False)
    most_db: float
    share: float


def limit(samples: Audio, *, sample_rate: int, ceiling_dbtp: float) -> Limited:
    """Lower what would reach above a ceiling, between the samples too.

    Parameters
    ----------
    samples : ndarray, shape (2, samples), float32
        Of any length; it may exceed full scale.  It is not changed.
    sample_rate : int
        In Hz.
    ceiling_dbtp : float
        True peak that nothing reaches above afterwards.

    Returns
    -------
    Limited
        Silence, and what stays under the ceiling, come back as they are.

    Raises
    ------
    SignalError
        Not two channels of float32, or values that are not finite.

    Notes
    -----
    The peaks are those of `syncvid.mix.tops`, eight values for each sample.
    """
    check_mix(samples)
    return Limiter(samples, sample_rate=sample_rate, lowest=_factor(ceiling_dbtp))(
        gain_db=0.0, ceiling_dbtp=ceiling_dbtp
    )


class Limiter:
    """Looks at a sound once, and limits it at any gain.

    Parameters
    ----------
    samples : ndarray, shape (2, samples), float32
        Finite; not changed.
    sample_rate : int
        In Hz.
    lowest : float
        The lowest magnitude that will have to be lowered at any gain and ceiling asked for.
    """

    def __init__(self, samples: Audio, *, sample_rate: int, lowest: float) -> None:
        self._samples, self._rate = samples, sample_rate
        self.tops = hop_tops(samples, closely_from=lowest)

    def __call__(self, *, gain_db: float, ceiling_dbtp: float) -> Limited:
        """Return the sound at a gain in dB, its peaks under the ceiling."""
        gain, ceiling = _factor(gain_db), _factor(ceiling_dbtp)
        need_db = _above_db(self.tops * np.float32(gain), ceiling)
        if not need_db.any():
            unlimited = self._samples if gain_db == 0 else self._samples * np.float32(gain)
            return Limited(unlimited, 0.0, 0.0)
        for _ in range(_ROUNDS):
            lowered_db = _curve(need_db, self._rate)
            limited = _lowered(self._samples, gain, lowered_db)
            touched = np.maximum(lowered_db[:-1], lowered_db[1:]) > 0
            left_db = _above_db(hop_tops(limited, closely_from=ceiling, where=touched), ceiling)
            if not left_db.any():
                break
            need_db += left_db
        share = float(np.mean(lowered_db > _TOLD_DB))
        return Limited(limited, float(lowered_db.max()), share)


def _above_db(tops: Audio, ceiling: float) -> Audio:
    """Return by how many dB hops must be lowered, the margin included; 0 where they need not."""
    above = np.zeros(tops.size, np.float32)
    high = tops > ceiling
    above[high] = 20 * np.log10(tops[high] / ceiling) + MARGIN_DB
    return above


def _curve(need_db: Audio, sample_rate: int) -> Audio:
    """Return by how many dB to lower at the borders of hops, shape (hops + 1,), at least the need.

    Between two borders the gain is a straight line, so each must serve the hops on both sides.
    """
    rate = sample_rate / HOP_SAMPLES
    ahead, hold = max(1, round(_AHEAD_S * rate)), round(_HOLD_S * rate)
    borders = np.maximum(np.append(need_db, 0), np.insert(need_db, 0, 0))
    # Reaches `ahead` both ways, so that the average below is nowhere less than the need.
    size = 2 * ahead + 1 + hold
    behind = size - 1 - ahead - size // 2
    held = ndimage.maximum_filter1d(borders, size, mode="constant", origin=behind)
    stretch = round(_STRETCH_S * rate)
    average = ndimage.uniform_filter1d(held, stretch, mode="constant", origin=(stretch - 1) // 2)
    # A running sum leaves crumbs.
    average[average < _END_DB] = 0
    falling = _released(held, _RELEASE_S * rate)
    np.maximum(falling, _released(average, _SLOW_RELEASE_S * rate), out=falling)
    window = np.hanning(2 * ahead + 3)[1:-1]
    smooth = ndimage.correlate1d(falling, window / window.sum(), mode="nearest")
    # Rounding must not turn an average of equal values into less than them.
    return np.asarray(np.maximum(smooth, borders), np.float32)


def _released(lowered_db: Audio, constant: float) -> Audio:
    """Let each value die away exponentially behind itself, until it ends; the highest counts."""
    fall = np.arange(lowered_db.size) / constant
    with np.errstate(divide="ignore"):
        lines = np.log(np.where(lowered_db > 0, lowered_db.astype(np.float64) + _END_DB, 0)) + fall
    np.maximum.accumulate(lines, out=lines)
    lines -= fall
    return np.maximum(np.exp(lines, out=lines) - _END_DB, 0).astype(np.float32)


def _lowered(samples: Audio, gain: float, lowered_db: Audio) -> Audio:
    """Return a sound at a gain, lowered by what stands at the borders of its hops."""
    # A factor of 1 leaves every bit as it is.
    limited = samples * np.float32(gain)
    gains = (10 ** (lowered_db / -20)).astype(np.float32)
    part = np.arange(HOP_SAMPLES, dtype=np.float32) / HOP_SAMPLES
    for first in range(0, gains.size - 1, _TOGETHER):
        begin = gains[first : first + _TOGETHER + 1]
        if begin.min() == 1:
            continue
        spread = begin[:-1, np.newaxis] + np.diff(begin)[:, np.newaxis] * part
        block = limited[:, first * HOP_SAMPLES : (first + _TOGETHER) * HOP_SAMPLES]
        block *= spread.reshape(-1)[: block.shape[1]]
    return limited


def _factor(level_db: float) -> float:
    """Return a level in dB as a factor."""
    return float(10 ** (level_db / 20))
