"""Fades: at the ends of a sound, and from one take to another with the check for clicks."""

from __future__ import annotations

import math

import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.production.mix_made import FadeLaw
from syncvid.timeline import to_samples

# What lies so far around a cross-fade is its neighbourhood.
_NEAR_S = 0.050

# A step of one unit of 16-bit sound is never a click.
_LEAST_STEP = 2.0**-15


def rise(samples: int) -> Audio:
    """Return by what to multiply a sound that comes in.

    Parameters
    ----------
    samples : int
        0 or more.

    Returns
    -------
    ndarray, shape (samples,), float32
        Half a cosine from next to 0 to next to 1, read half a sample inside its ends; backwards it
        is that of a sound that goes out, and the two add up to 1.
    """
    at = (np.arange(samples) + 0.5) / max(1, samples)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * at), np.float32)


def fade_ends(samples: Audio, length: int) -> None:
    """Let a sound come in and go out, in place.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
    length : int
        Of each of the two fades, in samples; half of the sound at most.
    """
    length = min(length, samples.shape[-1] // 2)
    curve = rise(length)
    samples[..., :length] *= curve
    samples[..., samples.shape[-1] - length :] *= curve[::-1]


def fade_curves(samples: int, law: FadeLaw) -> tuple[Audio, Audio]:
    """Return by what to multiply the sound that goes and the one that comes.

    Parameters
    ----------
    samples : int
        Length of the cross-fade, 0 or more.
    law : {"equal power", "linear"}
        The squares of the two add up to 1 (-3.01 dB at the centre), which keeps the power of sounds
        that differ; or they themselves do (-6.02 dB), which keeps sounds that are alike.

    Returns
    -------
    (falling, rising) : ndarray, shape (samples,), float32, 0 to 1
        Each is the other backwards.  They are read half a sample inside the ends, so that the step
        into the fade is as small as that out of it.

    Raises
    ------
    SignalError
        For a negative length, or a law that there is not.

    Examples
    --------
    >>> falling, rising = fade_curves(5, "linear")
    >>> [round(float(value), 1) for value in rising]
    [0.1, 0.3, 0.5, 0.7, 0.9]
    """
    if samples < 0:
        raise SignalError(f"A cross-fade of {samples} samples is impossible.")
    way = (np.arange(samples) + 0.5) / max(1, samples)
    if law == "linear":
        rising = way
    elif law == "equal power":
        rising = np.sin(np.pi / 2 * way)
    else:
        raise SignalError(f"There is no cross-fade {law!r}: it is 'equal power' or 'linear'.")
    curve = rising.astype(np.float32)
    return curve[::-1].copy(), curve


def cross_fade(old: Audio, new: Audio, *, at: int, samples: int, law: FadeLaw) -> Audio:
    """Return a sound that is `old` before a place and `new` after it.

    The first sample of the fade is ``at - samples // 2``.  Outside of the fade both sounds are kept
    bit by bit.  A fade that reaches beyond the arrays is cut off there.

    Parameters
    ----------
    old, new : ndarray, shape (channels, samples) or (samples,), float32
        On the same clock: sample n of both is heard at the same moment.  One of them may have one
        channel where the other has two: it is then heard on both.  Views of long sounds will do;
        where only the place itself is of interest, give slices of them.
    at : int
        Middle of the fade, in samples from the beginning of the arrays.
    samples : int
        Length of the fade; 0 is a hard cut.
    law : {"equal power", "linear"}
        See `fade_curves`.

    Returns
    -------
    ndarray, float32
        A new array; the two given ones are not changed.

    Raises
    ------
    SignalError
        If the sounds are not equally long, or not finite within the fade.
    """
    falling, rising = fade_curves(samples, law)
    _check_pair(old, new)
    shape = np.broadcast_shapes(old.shape, new.shape)
    before, after = np.broadcast_to(old, shape), np.broadcast_to(new, shape)
    length, begin = shape[-1], at - samples // 2
    first, last = (min(max(0, edge), length) for edge in (begin, begin + samples))
    joined = np.empty(shape, np.float32)
    joined[..., :first] = before[..., :first]
    joined[..., last:] = after[..., last:]
    inside = slice(first - begin, last - begin)
    fade = before[..., first:last] * falling[inside] + after[..., first:last] * rising[inside]
    if not np.isfinite(fade).all():
        raise SignalError("A take holds values that are not finite where it is cross-faded.")
    joined[..., first:last] = fade
    return joined


def step_ratio(
    joined: Audio, old: Audio, new: Audio, *, at: int, samples: int, sample_rate: int
) -> float:
    """Return how large the steps of a cross-fade are, against those of the two takes.

    The criterion: the largest difference of neighbouring samples in the cross-fade, divided by the
    largest that the two takes make there themselves.  That is the root of the sum of the squares
    of the old take's largest, from 50 ms before the fade to its end, and the new take's, from its
    beginning to 50 ms after it, because unlike sounds may add up like that at equal power.  A
    fade of at least a quarter of the lowest note's period stays within 1; a jump in the wave, which
    is heard as a click, goes beyond it.

    Parameters
    ----------
    joined, old, new : ndarray, shape (channels, samples) or (samples,), float32
        As given to `cross_fade` and returned by it.
    at, samples : int
        As given to it.
    sample_rate : int
        In Hz.

    Returns
    -------
    float
        0 for silence; steps below one unit of 16-bit sound never count as more than 1.
    """
    begin = at - samples // 2
    end, near = begin + samples, to_samples(_NEAR_S, sample_rate)
    own = math.hypot(
        _largest_step(old, begin - near, end), _largest_step(new, begin - 1, end + near)
    )
    return _largest_step(joined, begin - 1, end + 1) / max(own, _LEAST_STEP)


def _largest_step(samples: Audio, first: int, last: int) -> float:
    """Return the largest difference of neighbours from one sample to before another."""
    piece = samples[..., max(0, first) : max(0, last)]
    return float(np.abs(np.diff(piece, axis=-1)).max(initial=0.0))


def _check_pair(old: Audio, new: Audio) -> None:
    """Say so if two sounds cannot be joined."""
    fit = old.ndim == new.ndim and old.ndim in (1, 2) and old.shape[-1] == new.shape[-1]
    if not fit or (
        old.ndim == 2 and 1 not in (old.shape[0], new.shape[0]) and len(old) != len(new)
    ):
        raise SignalError(
            f"Takes are joined where both are on one clock, not {old.shape} and {new.shape}."
        )
