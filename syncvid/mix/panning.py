"""Where a part stands between left and right: gently, as its tile stands in the picture.

Placing never changes the power: one channel goes to both sides by the constant-power law, -3.01 dB
each in the middle, and two channels stay as they are in the middle.  So a part is as loud after
placing as `syncvid.mix.measures` says it is.
"""

from __future__ import annotations

import math

import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import SignalError

# How far out the outermost tile may stand: halfway (project choice; an ensemble on headphones
# falls apart when it is spread from ear to ear).
_WIDEST = 0.5

# A tile whose centre lies this near to the middle of the picture stands in the middle: layouts are
# whole pixels, so that the middle tile of three may lie a pixel beside it.
_MIDDLE = 0.01


def pan_of(across: float, *, strength: float) -> float:
    """Return where a part stands, from where its tile stands.

    Parameters
    ----------
    across : float
        Centre of the tile, 0 at the left edge of the picture to 1 at the right one.
    strength : float
        0: all in the middle; 1: as wide as is sensible.

    Returns
    -------
    float
        -0.5 to 0.5, where -1 would be left only and 1 right only; exactly 0 for a tile in the
        middle.

    Raises
    ------
    SignalError
        A value outside 0 to 1, or not finite.

    Examples
    --------
    >>> [round(pan_of(across, strength=1.0), 3) for across in (0.0, 1 / 6, 0.5, 1.0)]
    [-0.5, -0.333, 0.0, 0.5]
    """
    if not 0 <= strength <= 1:
        raise SignalError(f"The width of the panning is {strength}; it goes from 0 to 1.")
    if not 0 <= across <= 1:
        raise SignalError(f"A tile's centre lies at {across} of the picture; it goes from 0 to 1.")
    aside = across - 0.5
    return 0.0 if abs(aside) < _MIDDLE else 2 * _WIDEST * strength * aside


def pan_gains(pan: float) -> tuple[float, float]:
    """Return the factors for left and right of one channel; their squares add up to 1.

    Parameters
    ----------
    pan : float
        -1 left to 1 right.

    Returns
    -------
    (float, float)
        By the constant-power law: cosine and sine of an angle from 0 to 90 degrees.

    Raises
    ------
    SignalError
        Outside -1 to 1, or not finite.

    Examples
    --------
    >>> [round(20 * math.log10(gain), 2) for gain in pan_gains(0.0)]
    [-3.01, -3.01]
    """
    if not -1 <= pan <= 1:
        raise SignalError(f"A part stands at {pan}; that goes from -1, left, to 1, right.")
    if pan == 0:
        # The same on both sides to the last bit.
        return math.sqrt(0.5), math.sqrt(0.5)
    angle = (pan + 1) * math.pi / 4
    return math.cos(angle), math.sin(angle)


def place(samples: Audio, pan: float) -> Audio:
    """Return a stem on two channels.

    Parameters
    ----------
    samples : ndarray, shape (1 or 2, samples), float32
        The stem, or a block of it.
    pan : float
        -1 left to 1 right.

    Returns
    -------
    ndarray, shape (2, samples), float32
        A new array.  One channel: on both sides by `pan_gains`.  Two channels: each keeps its side
        and is weighed by `pan_gains` times the root of 2, that is by 0 dB in the middle, where
        they stay bit for bit what they were.  The power stays what it was: always for one
        channel; for two where they are equally strong.

    Raises
    ------
    SignalError
        Wrong shape, or a pan outside -1 to 1.

    Notes
    -----
    Two equal channels are the same as one channel of 3.01 dB more, before and after placing.
    """
    if samples.ndim != 2 or samples.shape[0] not in (1, 2):
        raise SignalError(f"A stem has the shape (1 or 2, samples), not {samples.shape}.")
    gains = np.array(pan_gains(pan)) * math.sqrt(samples.shape[0])
    return samples * gains[:, np.newaxis].astype(np.float32)
