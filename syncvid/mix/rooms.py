"""The room that all parts share: made from noise, or taken from a recorded impulse response.

Every room is returned without its direct sound, which the dry parts bring themselves, and with an
energy of 1 in each channel.  Sample 0 is the moment of the direct sound.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.errors import SignalError
from syncvid.lazily import fft
from syncvid.signals.decay import decay_curve, decay_time, find_direct, find_end, measure_decay
from syncvid.timeline import to_samples

ROOMS: Mapping[str, float] = MappingProxyType(
    {
        # Surveys of living rooms found 0.35 to 0.7 s.
        "living room": 0.45,
        "music room": 0.8,
        # Chamber halls have 1.3 to 1.7 s, concert halls 1.8 to 2.2 s.
        "small hall": 1.4,
        "hall": 2.0,
        "church": 3.0,
    }
)
"""Reverberation time of each room in seconds."""

AMOUNTS: Mapping[str, float] = MappingProxyType(
    # Common practice, no source.
    {"none": math.inf, "a touch": 20.0, "a little": 16.0, "some": 12.0, "a lot": 8.0}
)
"""By how many dB the room lies under the dry sound; see `syncvid.mix.reverb.wet_gain`."""

_SHORTEST_S, _LONGEST_S = 0.3, 4.0

# Octave bands, ISO 266.
_CENTRES_HZ = np.array([63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0])

# Decay of each octave by the walls alone, against that of the middle: wood and plaster keep lows a
# little longer, cloth and people swallow highs (common practice).
_WALLS = np.array([1.05, 1.06, 1.03, 1.0, 1.0, 0.98, 0.94, 0.85, 0.75])

# What air of 20 degrees and 50 % humidity takes, ISO 9613-1, times 343.2 m/s.
_AIR_DB_PER_S = np.array([0.04, 0.15, 0.45, 0.94, 1.60, 3.39, 10.18, 36.14, 125.11])

# Level of each octave at the beginning: sources send highs forward, not into the room, and a dark
# room does not lift the noise of the recordings (common practice).
_START_DB = np.array([-4.0, -1.0, 0.0, 0.0, 0.0, -1.5, -4.0, -8.0, -13.0])

# Sound from all sides at two ears: its likeness at two points so far apart falls with frequency
# as sin(x)/x with x = 2 pi f d / c (Cook et al. 1955), and reaches zero at 343 Hz.
_EARS_M, _SPEED_M_PER_S = 0.5, 343.2

# Reflections come one by one at first and ever closer, with the square of time, until there is one
# in every sample.
_FIRST_PER_S, _MERGED_S = 1000.0, 0.05

# The room answers gradually: the larger the slower.
_RISE_SHARE, _RISE_S = 0.008, (0.003, 0.015)

# So many decay times are made: the last of it is 70 dB down, and fades out.
_LENGTH, _FADE_SHARE = 1.2, 0.1

_T30_DB = (-5.0, -35.0)
_ROUNDS = 3

# A user's response.
_MOST_S = 10.0
_DIRECT_S, _REFLECTIONS_S = 0.0015, 0.005
_CUT_FADE_S = 0.05
_LEAST_DECAY_S, _MOST_DECAY_S = 0.1, 10.0

# An exponential falls by 20 dB in four times the time that it needs for the first 5 dB.  Direct
# sound makes the first part shorter; music that ends makes it longer.
_MOST_HEAD_SHARE = 1.0


def make_room(decay_s: float, *, sample_rate: int, seed: int = 1) -> Audio:
    """Make the impulse response of a room from shaped noise.

    Lows decay a little longer than the middle, highs shorter, as walls and air take them.  The two
    channels are alike in the lows and independent above, as at two ears.

    Parameters
    ----------
    decay_s : float
        Reverberation time, 0.3 to 4 s.
    sample_rate : int
        In Hz, 8000 or more.
    seed : int
        Another seed is another room of the same kind.

    Returns
    -------
    ndarray, shape (2, samples), float32
        Energy 1 in each channel.  T30 of the whole and of the octaves at 500 Hz and 1 kHz lies
        within 5 % of what was asked.  The same for the same arguments.

    Raises
    ------
    SignalError
        A reverberation time or a sample rate out of range.
    """
    if not _SHORTEST_S <= decay_s <= _LONGEST_S:
        raise SignalError(
            f"A room that decays in {decay_s} s cannot be made.",
            fix=f"Choose {_SHORTEST_S} to {_LONGEST_S:g} s.",
        )
    if sample_rate < 8000:
        raise SignalError(f"A room needs 8000 Hz or more, not {sample_rate} Hz.")
    bands = _bands(_two_noises(decay_s, sample_rate, seed), sample_rate)
    room = _decaying(bands, decay_s, sample_rate)
    # Highs make the whole decay faster than its middle: what is asked lies between the two.
    whole_s = np.mean([_t30(channel, sample_rate) for channel in room])
    room = _decaying(bands, decay_s * 2 / (1 + whole_s / decay_s), sample_rate)
    return _ended(room, sample_rate, decay_s)


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
    begin = min(find_direct(channel) for channel in response if channel.any())
    heard = response[:, begin:]
    stop = max(find_end(channel, sample_rate=sample_rate) for channel in heard)
    _check_decay(heard, sample_rate)
    room = heard[:, :stop].astype(np.float64)
    direct, reflections = (to_samples(time, sample_rate) for time in (_DIRECT_S, _REFLECTIONS_S))
    room[:, :direct] = 0
    rise = _arch(reflections - direct)[: room.shape[1] - direct]
    room[:, direct : direct + rise.size] *= rise
    fade = _arch(min(to_samples(_CUT_FADE_S, sample_rate), stop // 4))[::-1]
    room[:, stop - fade.size :] *= fade
    room /= math.sqrt(np.square(room).sum() / len(room))
    return np.ascontiguousarray(np.broadcast_to(room, (2, stop)), dtype=np.float32)


def _two_noises(decay_s: float, sample_rate: int, seed: int) -> Floats:
    """Return reflections at random times, ever closer, alike in the lows: shape (2, samples)."""
    size = to_samples(decay_s * _LENGTH, sample_rate)
    at_s = np.arange(size) / sample_rate
    first = _FIRST_PER_S / sample_rate
    density = np.minimum(1.0, first + (1 - first) * (at_s / _MERGED_S) ** 2)
    counts = np.cumsum(density)
    random = np.random.default_rng(seed)
    noises = np.zeros((2, size))
    for noise in noises:
        # One reflection in every step of the count, anywhere within it: none is regular, and no
        # two gaps are much longer than their neighbours.
        steps = np.arange(int(counts[-1]))
        at = np.searchsorted(counts, steps + random.random(steps.size))
        signs = random.choice((-1.0, 1.0), steps.size)
        np.add.at(noise, at, signs / np.sqrt(density[at]))
    return _alike_in_the_lows(noises, sample_rate)


def _alike_in_the_lows(noises: Floats, sample_rate: int) -> Floats:
    """Mix the first noise into the second where two ears hear the same."""
    size = noises.shape[1]
    spectra = fft.rfft(noises)
    x = 2 * np.fft.rfftfreq(size, 1 / sample_rate) * _EARS_M / _SPEED_M_PER_S
    alike = np.where(x < 1, np.sinc(np.minimum(x, 1)), 0.0)
    spectra[1] = alike * spectra[0] + np.sqrt(1 - alike**2) * spectra[1]
    return np.asarray(fft.irfft(spectra, size))


def _bands(noises: Floats, sample_rate: int) -> Floats:
    """Split two noises into octaves at their first levels, shape (bands, 2, samples)."""
    size = noises.shape[1]
    spectra = fft.rfft(noises)
    octaves = np.log2(np.maximum(np.fft.rfftfreq(size, 1 / sample_rate), 1.0))
    centres = np.log2(_CENTRES_HZ)
    bands = np.zeros((_count(sample_rate), *noises.shape))
    for band, unit, level_db in zip(bands, np.eye(len(bands)), _START_DB, strict=False):
        share = np.interp(octaves, centres[: len(bands)], unit)
        band[:] = fft.irfft(spectra * share, size) * 10 ** (level_db / 20)
    return bands


def _count(sample_rate: int) -> int:
    """Return how many octaves have their middle well under half the sample rate."""
    return int((_CENTRES_HZ < 0.4 * sample_rate).sum())


def _decaying(bands: Floats, decay_s: float, sample_rate: int) -> Floats:
    """Return the sum of octaves that decay each in its time, shape (2, samples)."""
    at_s = np.arange(bands.shape[2]) / sample_rate
    middle = slice(3, 5)
    walls = 60 / decay_s - _AIR_DB_PER_S[middle].mean()
    times_s = 60 / (walls / _WALLS + _AIR_DB_PER_S)
    rise_s = float(np.clip(_RISE_SHARE * decay_s, *_RISE_S))
    rise = np.sin(np.pi / 2 * np.minimum(at_s / rise_s, 1)) ** 2
    total = np.zeros(bands.shape[1:])
    for band, wanted_s in zip(bands, times_s, strict=False):
        for channel, noise in zip(total, band, strict=True):
            channel += noise * rise * _envelope(noise * rise, wanted_s, at_s, sample_rate)
    return total


def _envelope(noise: Floats, wanted_s: float, at_s: Floats, sample_rate: int) -> Floats:
    """Return the exponential under which a noise decays in the time that is wanted."""
    # Any one noise happens to decay a few per cent faster or slower than its envelope.
    rate = 60 / wanted_s
    for _ in range(_ROUNDS):
        envelope = 10 ** (-rate * at_s / 20)
        rate += 60 / wanted_s - 60 / _t30(noise * envelope, sample_rate)
    return np.asarray(10 ** (-rate * at_s / 20))


def _t30(response: Floats, sample_rate: int) -> float:
    """Return T30 of a response that has no noise under it."""
    time_s = decay_time(decay_curve(response**2), _T30_DB, sample_rate)
    return time_s if time_s is not None else math.inf


def _ended(room: Floats, sample_rate: int, decay_s: float) -> Audio:
    """Fade the end, and bring each channel to an energy of 1."""
    fade = _arch(round(_FADE_SHARE * room.shape[1]))[::-1]
    room[:, -fade.size :] *= fade
    room /= np.sqrt(np.square(room).sum(axis=1, keepdims=True))
    return np.asarray(room, np.float32)


def _arch(samples: int) -> Floats:
    """Return a rise from 0 to 1 in the form of half a cosine."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * (np.arange(samples) + 0.5) / max(samples, 1)))


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
    return response


def _check_decay(heard: Audio, sample_rate: int) -> None:
    """Refuse what does not die away as a room does."""
    loudest = max(heard, key=lambda channel: float(np.square(channel, dtype=np.float64).sum()))
    measured = measure_decay(loudest, sample_rate=sample_rate)
    time_s = measured.t30_s or measured.t20_s
    if time_s is None or not _LEAST_DECAY_S <= time_s <= _MOST_DECAY_S:
        raise _no_response()
    curve_db = decay_curve(loudest.astype(np.float64) ** 2)
    five, twenty_five = np.searchsorted(-curve_db, (5.0, 25.0))
    if five > _MOST_HEAD_SHARE * (twenty_five - five):
        raise _no_response()


def _no_response() -> SignalError:
    """Return what to say of a sound that is no impulse response."""
    return SignalError(
        "This sound does not die away as the impulse response of a room does.",
        fix="Use a recording of a clap or a burst balloon in the room, or a published response.",
    )
