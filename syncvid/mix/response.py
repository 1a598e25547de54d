"""A recorded impulse response as the room that all parts share."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.errors import SignalError
from syncvid.lazily import fft
from syncvid.mix.fades import rise
from syncvid.signals.decay import decay_curve, measure_decay
from syncvid.signals.decay_ends import find_direct, find_end
from syncvid.timeline import to_samples

# Longer ones are no rooms, or hold more than one response.
_MOST_S = 10.0

# The direct sound is over, and what follows it is wholly let in, so long after it begins.
_DIRECT_S, _REFLECTIONS_S = 0.0015, 0.005

_CUT_FADE_S = 0.05

_LEAST_DECAY_S, _MOST_DECAY_S = 0.1, 10.0

# An exponential falls from -5 to -15 dB in twice the time that it needs for the first 5 dB.
# Direct sound makes the first part shorter; music that ends makes it longer.
_HEAD_DB, _MOST_HEAD_SHARE = (5.0, 15.0), 2.0

# The power of noise, spread over frequency, has a geometric mean of 0.56 times its mean; that of
# a note, which lies in lines, has next to nothing.
_EVEN, _EVEN_HZ, _EVEN_BANDS = 0.1, (200.0, 4000.0), 12


def use_response(samples: Audio, *, sample_rate: int) -> Audio:
    """Make a room of a recorded impulse response.

    Silence before the direct sound is cut off, and the direct sound itself is taken out with what
    follows in its first milliseconds: the dry parts bring it.  The end is cut where the response
    sinks into its noise, with a fade.

    Parameters
    ----------
    samples : ndarray, shape (1 or 2, samples), float32
        Any level, ten seconds at most.
    sample_rate : int
        In Hz.

    Returns
    -------
    ndarray, shape (2, samples), float32
        Both channels alike if one was given.  The mean of the channels' energies is 1.

    Raises
    ------
    SignalError
        Silence, more than ten seconds, or not an impulse response of a room.
    """
    response = _checked(samples, sample_rate)
    # Both channels are cut at the same places, so that they stay together.
    heard = response[:, min(find_direct(channel) for channel in response) :]
    _check_decay(heard, sample_rate)
    stop = max(find_end(channel, sample_rate=sample_rate) for channel in heard)
    room = heard[:, :stop].astype(np.float64)
    for channel in room:
        _take_out_direct(channel, sample_rate)
    fade = rise(min(to_samples(_CUT_FADE_S, sample_rate), stop // 4))[::-1]
    room[:, stop - fade.size :] *= fade
    room /= math.sqrt(np.square(room).sum() / len(room))
    return np.ascontiguousarray(np.broadcast_to(room, (2, stop)), dtype=np.float32)


def decay_of(room: Audio, *, sample_rate: int) -> float:
    """Return the reverberation time of a room, for telling it.

    Parameters
    ----------
    room : ndarray, shape (2, samples), float32
        As `use_response` or `syncvid.mix.rooms.make_room` returns it.
    sample_rate : int
        In Hz.

    Returns
    -------
    float
        T30 in seconds, or T20 where noise hides the rest; the mean of both channels.  Not a
        number for a sound that does not die away.
    """
    times_s = []
    for channel in room:
        measured = measure_decay(channel, sample_rate=sample_rate)
        times_s.append(measured.t30_s or measured.t20_s or math.nan)
    return float(np.mean(times_s))


def _take_out_direct(channel: Floats, sample_rate: int) -> None:
    """Silence a channel's direct sound, and let what follows rise."""
    begin = find_direct(channel)
    first, last = (begin + to_samples(time, sample_rate) for time in (_DIRECT_S, _REFLECTIONS_S))
    channel[:first] = 0
    channel[first:last] *= rise(last - first)[: channel.size - first]


def _checked(samples: Audio, sample_rate: int) -> Audio:
    """Return a user's response, or say what is wrong with it."""
    response = np.asarray(samples, np.float32)
    if response.ndim != 2 or response.shape[0] not in (1, 2):
        raise SignalError(
            f"An impulse response has one or two channels, not the shape {response.shape}.",
            fix="Use a file with one or two channels.",
        )
    if not np.isfinite(response).all():
        raise SignalError("The impulse response holds values that are not finite.")
    if response.shape[1] > _MOST_S * sample_rate:
        raise SignalError(
            f"The impulse response lasts {response.shape[1] / sample_rate:.1f} s, "
            f"more than {_MOST_S:g} s.",
            fix="Cut it to the response of one room.",
        )
    if not response.any():
        raise SignalError("The impulse response is silent.", fix="Use another file.")
    # A silent side is a file's fault, not a room's.
    heard: Audio = response[response.any(axis=1)]
    return heard


def _check_decay(heard: Audio, sample_rate: int) -> None:
    """Refuse what does not die away as a room does."""
    loudest = max(heard, key=lambda channel: float(np.square(channel, dtype=np.float64).sum()))
    measured = measure_decay(loudest, sample_rate=sample_rate)
    time_s = measured.t30_s or measured.t20_s or measured.edt_s
    curve_db = decay_curve(loudest.astype(np.float64) ** 2)
    five, fifteen = np.searchsorted(-curve_db, _HEAD_DB)
    if (
        time_s is None
        or not _LEAST_DECAY_S <= time_s <= _MOST_DECAY_S
        or five > _MOST_HEAD_SHARE * (fifteen - five)
        or _evenness(loudest, sample_rate) < _EVEN
    ):
        raise SignalError(
            "This sound does not die away as the impulse response of a room does.",
            fix="Use the recording of a burst balloon in the room, or a published response.",
        )
    if measured.t20_s is None:
        raise SignalError(
            "The impulse response sinks into its noise too soon: 35 dB are needed.",
            fix="Record it louder, or where it is more quiet.",
        )


def _evenness(response: Audio, sample_rate: int) -> float:
    """Return how evenly the power is spread over frequency, 0 to 1: the median of narrow bands."""
    size = fft.next_fast_len(response.size, real=True)
    powers = np.abs(fft.rfft(response.astype(np.float64), size)) ** 2
    top_hz = min(_EVEN_HZ[1], 0.4 * sample_rate)
    edges_hz = np.geomspace(_EVEN_HZ[0], top_hz, _EVEN_BANDS + 1)
    edges = np.round(edges_hz * size / sample_rate).astype(int)
    shares = []
    for first, last in pairwise(edges):
        band = np.maximum(powers[first:last], np.finfo(float).tiny)
        shares.append(math.exp(float(np.log(band).mean())) / float(band.mean()))
    return float(np.median(shares))
