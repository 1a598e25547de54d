"""The sound of the video when there is no finished mix: the plain sum of the clips.

Every clip is put on the reference clock, its drift taken out, and added at one common gain, so that
the balance is that of the recordings.  A clip that starts or ends within the music fades over a
few milliseconds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio
from syncvid.lazily import ndimage
from syncvid.progress import SILENT, Progress
from syncvid.sources import SoundSource
from syncvid.timeline import Placement, to_samples

# Peak of the sum: far enough below full scale for lossy coding (common practice).
_PEAK = 10 ** (-3 / 20)

_FADE_S = 0.010
_BLOCK_S = 5.0

# The spline that reads between samples; order 5 is flat within 0.1 dB up to 0.7 of half the rate.
_SPLINE_ORDER = 5
_MARGIN_SAMPLES = 64


@dataclass(frozen=True, slots=True)
class Line:
    """One clip in the sum.

    Attributes
    ----------
    source : SoundSource
        Its sound.
    placement : Placement
        Where it lies on the reference.
    from_s, to_s : float
        The stretch of it that is used, in its own seconds.
    """

    source: SoundSource
    placement: Placement
    from_s: float = 0.0
    to_s: float = math.inf


class PlainSum:
    """The sum of clips on the reference clock; a `syncvid.sources.SoundSource`.

    Parameters
    ----------
    lines : sequence of Line
        The clips; none of them: silence.
    duration_s : float
        Length of the sum in reference seconds.
    gain : float
        Factor on everything; see `safe_gain`.
    """

    def __init__(self, lines: Sequence[Line], duration_s: float, gain: float = 1.0) -> None:
        self._lines, self._duration_s, self.gain = tuple(lines), duration_s, gain

    @property
    def duration_s(self) -> float:
        """Length in reference seconds."""
        return self._duration_s

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        """Return the sum between two reference times, shape (2, samples)."""
        first, last = to_samples(from_s, sample_rate), to_samples(to_s, sample_rate)
        total = np.zeros((2, max(0, last - first)), np.float32)
        times = np.arange(first, last) / sample_rate
        for line in self._lines:
            total += _placed(line, times, sample_rate)
        return total * np.float32(self.gain)


def safe_gain(total: PlainSum, *, sample_rate: int, progress: Progress = SILENT) -> float:
    """Return the gain at which a sum peaks at -3 dBFS; 1 for silence.

    Parameters
    ----------
    total : PlainSum
        The sum; read once from end to end.
    sample_rate : int
        The rate at which it will be used, in Hz.
    progress : Progress
        Told how far the reading is.

    Returns
    -------
    float
        The factor, on top of the sum's own gain.
    """
    peak, blocks = 0.0, math.ceil(total.duration_s / _BLOCK_S)
    for block in range(blocks):
        progress.advance(block, blocks, "listening to the sum")
        begin = block * _BLOCK_S
        samples = total.read(begin, min(begin + _BLOCK_S, total.duration_s), sample_rate)
        peak = max(peak, float(np.abs(samples).max(initial=0.0)))
    return _PEAK / peak if peak > 0 else 1.0


def _placed(line: Line, times: np.ndarray, sample_rate: int) -> Audio:
    """Return one clip's sound at reference times, shape (1 or 2, samples)."""
    clip = (times - line.placement.offset_s) / line.placement.rate
    end_s = min(line.source.duration_s, line.to_s)
    inside = np.flatnonzero((clip >= line.from_s) & (clip < end_s))
    if not inside.size:
        return np.zeros((1, times.size), np.float32)
    heard = clip[inside]
    begin = math.floor(heard[0] * sample_rate) - _MARGIN_SAMPLES
    stop = math.ceil(heard[-1] * sample_rate) + _MARGIN_SAMPLES
    samples = line.source.read(begin / sample_rate, stop / sample_rate, sample_rate)
    between = heard * sample_rate - begin
    fade = np.clip(np.minimum(heard - line.from_s, end_s - heard) / _FADE_S, 0.0, 1.0)
    out = np.zeros((samples.shape[0], times.size), np.float32)
    for channel, row in zip(out, samples, strict=True):
        channel[inside] = fade * ndimage.map_coordinates(
            row, between[np.newaxis], order=_SPLINE_ORDER, mode="nearest"
        )
    return out
