"""The sound of the room that all parts share: what they send to it, answered by its response.

The convolution is done by overlapping blocks in the frequency domain (overlap-add), so that memory
depends on the response's length alone.

What is sent on the left is heard on both sides, as in any room: before it meets the responses, the
difference of the two sides is halved.  A part in the middle is not changed by this.
"""

from __future__ import annotations

import math

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.errors import SignalError
from syncvid.lazily import fft, signal
from syncvid.signals.loudness import k_gains
from syncvid.timeline import to_samples

# How much of the difference between left and right is kept: half of it still tells the sides of
# the ensemble, and a part on one side still excites the whole room (a choice).
WIDTH = 0.5

# A fall of 12 dB per octave under the low cut: it clears the bass, and rings on for little.
_CUT_ORDER = 2

# A block's transform is at least so many times as long as the response, and so many samples.
_LEAST_TIMES, _LEAST_SIZE = 3, 1 << 16

# Between which frequencies loudness is compared.
_HEARD_HZ = (20.0, 20_000.0)


def reverberate(
    send: Audio,
    response: Audio,
    *,
    sample_rate: int,
    predelay_s: float = 0.02,
    low_cut_hz: float = 150.0,
) -> Audio:
    """Return the sound of the room alone.

    Parameters
    ----------
    send : ndarray, shape (2, samples), float32
        What the parts send to the room; not changed.
    response : ndarray, shape (2, samples of the response), float32
        As `syncvid.mix.rooms` makes it.
    sample_rate : int
        Of both, in Hz.
    predelay_s : float
        By how much the room answers later than the dry sound.
    low_cut_hz : float
        Lows under this are kept out of the room, without delay; 0 keeps them.

    Returns
    -------
    ndarray, shape (2, samples + samples of the response + pre-delay), float32
        From the send's first sample on.  Silence for silence.

    Raises
    ------
    SignalError
        Not two channels, not finite, an empty response, or settings out of range.
    """
    _check(send, response, sample_rate, predelay_s, low_cut_hz)
    later = to_samples(predelay_s, sample_rate)
    count, length = send.shape[1], response.shape[1]
    wet = np.zeros((2, count + length + later), np.float32)
    if not count:
        return wet
    size = _transform_size(count, length)
    spectra = fft.rfft(_without_lows(response, sample_rate, low_cut_hz), size)
    step = size - length + 1
    for first in range(0, count, step):
        block = _fed_across(send[:, first : first + step])
        answered = block.shape[1] + length - 1
        into = later + first
        for channel, sent, spectrum in zip(wet, block, spectra, strict=True):
            answer = fft.irfft(fft.rfft(sent, size) * spectrum, size)
            channel[into : into + answered] += answer[:answered]
    return wet


def reverb_in_part(
    send: Audio,
    response: Audio,
    *,
    sample_rate: int,
    lead: int,
    predelay_s: float = 0.02,
    low_cut_hz: float = 150.0,
) -> Audio:
    """Return the sound of the room for an excerpt, as it is in the whole.

    The room still answers what was sent before the excerpt begins.  For samples a to b of the
    whole, give ``send[:, a - lead : b]`` with ``lead = min(a, memory_samples(...))``; the result
    then equals ``reverberate(send, ...)[:, a:b]``.  With less lead, the answer to what was sent
    earlier is missing.

    Parameters
    ----------
    send : ndarray, shape (2, lead + samples), float32
        What is sent, from `lead` samples before the excerpt to its end.
    response, sample_rate, predelay_s, low_cut_hz
        As for `reverberate`.
    lead : int
        How many samples of `send` lie before the excerpt.

    Returns
    -------
    ndarray, shape (2, samples), float32
        The excerpt alone.

    Raises
    ------
    SignalError
        As `reverberate`, or a lead that is not within the send.
    """
    if not 0 <= lead <= send.shape[-1]:
        raise SignalError(f"A lead of {lead} samples does not fit {send.shape[-1]} samples.")
    wet = reverberate(
        send, response, sample_rate=sample_rate, predelay_s=predelay_s, low_cut_hz=low_cut_hz
    )
    return np.ascontiguousarray(wet[:, lead : send.shape[1]])


def memory_samples(response: Audio, *, sample_rate: int, predelay_s: float = 0.02) -> int:
    """Return for how many samples the room still answers what was sent to it.

    Parameters
    ----------
    response : ndarray, shape (2, samples of the response), float32
        Of the room.
    sample_rate : int
        In Hz.
    predelay_s : float
        As for `reverberate`.
    """
    length: int = response.shape[1]
    return length + to_samples(predelay_s, sample_rate)


def wet_gain(
    response: Audio, *, sample_rate: int, under_db: float, low_cut_hz: float = 150.0
) -> float:
    """Return the factor by which the room's sound lies so far under the dry sound, as one hears.

    It is reckoned for sound with the same power in every octave, which is nearer to music than
    white noise, and with the weights of the loudness meter; so a dark room and a bright one, or
    one with another low cut, come out equally loud.

    Parameters
    ----------
    response : ndarray, shape (2, samples of the response), float32
        Of the room.
    sample_rate : int
        In Hz.
    under_db : float
        By how much; infinity for no room.
    low_cut_hz : float
        As for `reverberate`.

    Returns
    -------
    float
        0 for a silent response.
    """
    size = fft.next_fast_len(2 * response.shape[1], real=True)
    spectra = fft.rfft(_without_lows(response, sample_rate, low_cut_hz), size)
    frequencies_hz = np.asarray(np.fft.rfftfreq(size, 1 / sample_rate), np.float64)
    heard = (frequencies_hz >= _HEARD_HZ[0]) & (frequencies_hz <= _HEARD_HZ[1])
    weights = k_gains(frequencies_hz[heard], sample_rate) ** 2 / frequencies_hz[heard]
    powers = np.mean(np.abs(spectra[:, heard]) ** 2, axis=0)
    power = float(np.dot(powers, weights) / weights.sum())
    return 10 ** (-under_db / 20) / math.sqrt(power) if power > 0 else 0.0


def _without_lows(response: Audio, sample_rate: int, low_cut_hz: float) -> Audio:
    """Return a response without lows; what rings on after its end is lost in its fade."""
    if not low_cut_hz:
        return response
    sections = signal.butter(_CUT_ORDER, low_cut_hz, "highpass", fs=sample_rate, output="sos")
    filtered: Floats = signal.sosfilt(sections, response.astype(np.float64))
    return filtered.astype(np.float32)


def _fed_across(send: Audio) -> Audio:
    """Return what is sent with the difference of its sides made smaller, in a new array."""
    across = (send[0] - send[1]) * np.float32((1 - WIDTH) / 2)
    return np.stack((send[0] - across, send[1] + across))


def _transform_size(count: int, length: int) -> int:
    """Return a length of transforms that is quick for so much sound and such a response."""
    whole: int = fft.next_fast_len(count + length - 1, real=True)
    return min(whole, max(_LEAST_SIZE, 1 << (_LEAST_TIMES * length).bit_length()))


def _check(
    send: Audio, response: Audio, sample_rate: int, predelay_s: float, low_cut_hz: float
) -> None:
    """Refuse what cannot be reverberated."""
    for name, sound in (("send", send), ("response", response)):
        if sound.ndim != 2 or sound.shape[0] != 2:
            raise SignalError(f"The {name} must have two channels, not the shape {sound.shape}.")
        if not np.isfinite(sound).all():
            raise SignalError(f"The {name} holds values that are not finite.")
    if not response.shape[1]:
        raise SignalError("The response is empty.")
    if not (predelay_s >= 0 and math.isfinite(predelay_s)):
        raise SignalError(f"A pre-delay of {predelay_s} s is impossible.")
    if not 0 <= low_cut_hz < sample_rate / 2:
        raise SignalError(f"A low cut at {low_cut_hz} Hz does not fit {sample_rate} Hz.")
