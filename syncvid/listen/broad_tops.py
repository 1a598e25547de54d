"""Waves whose tops are too broad: what remains of clipping once a lossy coder has rippled them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio
from syncvid.listen.tops import LOWEST, Extremes

# How long a wave stays near the extreme is laid against how long it stays above half of that.
_NEAR, _HALF = 0.8, 0.4

# A sine that reaches the extreme gives acos(0.8) / acos(0.4) = 0.555, a lower one and a pointed
# wave less; one that is clipped by 3 dB or more, and rippled by 7 % since, gives 0.72 or more.
_BROAD = 0.7

# Shorter stays cannot be laid against each other.
_SHORTEST = 4

# Fewer than this, or a smaller share of the high waves, may be chance (project choice).  Measured
# on chords: coded clean, clipped by 3 dB, or limited by 13 dB, 1 at most; clipped by 8 dB, 116.
_FEWEST, _LEAST = 20, 0.02


@dataclass(frozen=True, slots=True)
class BroadTops:
    """Waves with tops that are too broad.

    Attributes
    ----------
    tops : int
        How many, in all channels.
    share : float
        Of the waves that come near the extreme, 0 to 1.
    first_s : float or None
        Where the first one begins; None where there is none.
    """

    tops: int = 0
    share: float = 0.0
    first_s: float | None = None

    @property
    def tell(self) -> bool:
        """Whether they are beyond what may be chance."""
        return self.tops >= _FEWEST and self.share >= _LEAST


def find_broad_tops(samples: Audio, extremes: Extremes, *, sample_rate: int) -> BroadTops:
    """Find waves whose tops are broader than those of a sine.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        Finite.
    extremes : Extremes
        Those of `samples`.
    sample_rate : int
        In Hz.

    Returns
    -------
    BroadTops
        None of them for silence.
    """
    waves, begins = 0, []
    for nth, channel in enumerate(samples):
        for sign, tops in ((1, extremes.highest[nth]), (-1, -extremes.lowest[nth])):
            extreme = float(tops.max(initial=0.0))
            if extreme >= LOWEST:
                high, broad = _broad(channel, sign, extreme)
                waves += high
                begins.append(broad)
    at = np.concatenate(begins) if begins else np.zeros(0, np.int64)
    if not at.size:
        return BroadTops()
    return BroadTops(at.size, at.size / waves, int(at.min()) / sample_rate)


def _broad(channel: Audio, sign: int, extreme: float) -> tuple[int, NDArray[np.int64]]:
    """Return how many waves come near the extreme, and where those begin that are too broad."""
    half = np.zeros(channel.size + 2, np.bool_)
    compare = np.greater if sign > 0 else np.less
    compare(channel, np.float32(sign * _HALF * extreme), out=half[1:-1])
    edges = np.flatnonzero(half[1:] != half[:-1])
    begin, length = edges[::2], edges[1::2] - edges[::2]
    near = np.flatnonzero(compare(channel, np.float32(sign * _NEAR * extreme)))
    wave = np.searchsorted(begin, near, side="right") - 1
    stays = np.bincount(wave, minlength=begin.size)
    high = stays >= _SHORTEST
    return int(np.count_nonzero(high)), begin[high & (stays > _BROAD * length)]
