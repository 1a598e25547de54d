"""Tops of waves that were cut off: by full scale, or before a sound was made softer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio

HOP = 512
"""Samples of the stretches whose extremes are kept, so that most of a sound is looked at once."""

# A top is flat where so many samples in a row lie within three steps of 16 bits of the highest one:
# triangular dither and rounding, after a change of gain, move each by one and a half at most.
_FLAT_RUN = 3
_FLAT_WITHIN = 3 / 32768

# Round tops can be as flat: a clean bass of 41 Hz has runs of 5.  But near a round top the wave
# falls with the square of the distance, so that 2 samples beside a run of 3 it has fallen by at
# most 12 times as much as within the run.  Beside a cut the wave is steep.
_BESIDE, _STEEPER = 2, 16.0

LOWEST = 0.1
"""Below this extreme, -20 dBFS, tops are flat because a recording is quiet and coarse."""

# Tops that follow each other more closely are one place to the ear (project choice).
_APART_S = 0.25


@dataclass(frozen=True, slots=True)
class FlatTops:
    """Tops of a sound that are cut off.

    Attributes
    ----------
    tops : int
        How many, in all channels.
    longest : int
        Samples of the longest one.
    places : int
        At how many places they are, those closer than a quarter of a second taken together.
    first_s : float or None
        Where the first one begins; None where there is none.
    level : float
        The highest magnitude at which they are cut, 1 is full scale; 0 where there is none.
    """

    tops: int = 0
    longest: int = 0
    places: int = 0
    first_s: float | None = None
    level: float = 0.0


@dataclass(frozen=True, slots=True)
class Extremes:
    """The highest and lowest sample of each `HOP` of each channel, shape (channels, hops)."""

    highest: Audio
    lowest: Audio

    @property
    def magnitude(self) -> Audio:
        """Highest magnitude of each stretch in any channel, shape (hops,)."""
        if not self.highest.size:
            return np.zeros(0, np.float32)
        return np.asarray(np.maximum(self.highest, -self.lowest).max(axis=0), np.float32)


def find_extremes(samples: Audio) -> Extremes:
    """Return the extremes of a sound, shape (channels, samples); the last hop may be shorter."""
    channels, length = samples.shape
    whole = length - length % HOP
    hops = samples[:, :whole].reshape(channels, -1, HOP)
    highest, lowest = hops.max(axis=2), hops.min(axis=2)
    if whole < length:
        rest = samples[:, whole:]
        highest = np.column_stack((highest, rest.max(axis=1)))
        lowest = np.column_stack((lowest, rest.min(axis=1)))
    return Extremes(highest, lowest)


def find_flat_tops(samples: Audio, extremes: Extremes, *, sample_rate: int) -> FlatTops:
    """Find the tops of a sound that are cut off.

    What a lossy coder has rippled since is not found: see `syncvid.listen.broad_tops`.

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
    FlatTops
        None of them for silence.
    """
    begins, lengths, level = [], [], 0.0
    for nth, channel in enumerate(samples):
        for sign, tops in ((1, extremes.highest[nth]), (-1, -extremes.lowest[nth])):
            extreme = float(tops.max(initial=0.0))
            if extreme < LOWEST:
                continue
            begin, length = _flat_runs(channel, tops, sign, extreme)
            begins.append(begin)
            lengths.append(length)
            level = max(level, extreme) if begin.size else level
    at = np.sort(np.concatenate(begins)) if begins else np.zeros(0, np.int64)
    if not at.size:
        return FlatTops()
    return FlatTops(
        tops=at.size,
        longest=int(np.concatenate(lengths).max()),
        places=1 + int(np.count_nonzero(np.diff(at) > _APART_S * sample_rate)),
        first_s=int(at[0]) / sample_rate,
        level=level,
    )


def _flat_runs(
    channel: Audio, tops: Audio, sign: int, extreme: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return where the flat tops of one side of a channel begin, and how long they are."""
    floor = np.float32(extreme - _FLAT_WITHIN)
    high = np.zeros(channel.size + 2, np.bool_)
    for hop in np.flatnonzero(tops >= floor):
        first = int(hop) * HOP
        piece = channel[first : first + HOP]
        high[first + 1 : first + 1 + piece.size] = sign * piece >= floor
    edges = np.flatnonzero(high[1:] != high[:-1])
    begin, end = edges[::2], edges[1::2]
    long = end - begin >= _FLAT_RUN
    begin, end = begin[long], end[long]
    # At the very ends of a sound the other side decides.
    before = channel[np.where(begin >= _BESIDE, begin - _BESIDE, 0)]
    after = channel[np.minimum(end + _BESIDE - 1, channel.size - 1)]
    fallen = extreme - sign * (before.astype(np.float64) + after) / 2
    cut = fallen > _STEEPER * _FLAT_WITHIN
    return begin[cut], (end - begin)[cut]
