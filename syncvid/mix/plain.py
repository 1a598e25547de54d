"""The sound of the video when there is no mix: the plain sum of what is heard of the parts.

Every clip is put on the reference clock, its drift taken out, and added at one common gain, so that
the balance is that of the recordings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from syncvid.arrays import Audio
from syncvid.mix.stems import Piece, eased, lay_piece
from syncvid.progress import SILENT, Progress
from syncvid.timeline import to_samples

# Peak of the sum: far enough below full scale for lossy coding (common practice).
_PEAK = 10 ** (-3 / 20)

_BLOCK_S = 5.0


class PlainSum:
    """The sum of clips on the reference clock; a `syncvid.sources.SoundSource`.

    Parameters
    ----------
    pieces : sequence of Piece
        The clips; none of them: silence.
    duration_s : float
        Length of the sum in reference seconds.
    gain : float
        Factor on everything; see `safe_gain`.
    """

    def __init__(self, pieces: Sequence[Piece], duration_s: float, gain: float = 1.0) -> None:
        self._pieces, self._duration_s, self.gain = tuple(eased(pieces)), duration_s, gain

    @property
    def duration_s(self) -> float:
        """Length in reference seconds."""
        return self._duration_s

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        """Return the sum between two reference times, shape (2, samples)."""
        first, last = to_samples(from_s, sample_rate), to_samples(to_s, sample_rate)
        total = np.zeros((2, max(0, last - first)), np.float32)
        for piece in self._pieces:
            lay_piece(total, piece, first, sample_rate=sample_rate)
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
