"""How loud one take is against another one of the same music."""

from __future__ import annotations

import numpy as np

from syncvid.arrays import Audio
from syncvid.timeline import to_samples

_HOP_S = 0.05

# Only moments at which both play tell anything: so far below the loudest of each.
_NEAR_LOUDEST_DB = 25.0

# With fewer such moments nothing is changed.
_LEAST_HOPS = 20

# More is no difference of distance: the player played it louder, or another way.
_MOST_DB = 6.0

# What lies below is no playing, whatever is the loudest: under the noise of 16-bit sound.
_SILENT_DB = -100.0

_NOTHING = 1e-12


def level_between(old: Audio, new: Audio, *, sample_rate: int) -> float:
    """Return by how much a take is to be raised to be as loud as another one.

    Parameters
    ----------
    old, new : ndarray, shape (samples,), float32
        The same music, on one clock.
    sample_rate : int
        In Hz.

    Returns
    -------
    float
        In dB, at most 6 either way; 0 where they hardly play at the same time.
    """
    hop = to_samples(_HOP_S, sample_rate)
    count = min(old.size, new.size) // hop
    levels = [
        10 * np.log10(np.mean(s[: count * hop].reshape(count, hop) ** 2, axis=1) + _NOTHING)
        for s in (old, new)
    ]
    if not count:
        return 0.0
    both = np.logical_and.reduce(
        [level > max(level.max() - _NEAR_LOUDEST_DB, _SILENT_DB) for level in levels]
    )
    if both.sum() < _LEAST_HOPS:
        return 0.0
    difference = float(np.median(levels[0][both] - levels[1][both]))
    return float(np.clip(difference, -_MOST_DB, _MOST_DB))
