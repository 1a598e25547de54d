"""How a room dies away: reverberation times of an impulse response.

A response is squared and added up from its end backwards (Schroeder's method): the curve that comes
out falls smoothly, and a straight line through a stretch of it gives the time for 60 dB.  What was
recorded ends in noise; the curve is cut where the two meet, and what the room would have done
after that is added as an exponential.

References
----------
ISO 3382-1:2009, clause 5.3.3 and annex A: the backward integration, where it is cut, the stretches
of the curve and the noise that each can bear.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio, Floats, check_mono
from syncvid.errors import SignalError
from syncvid.lazily import signal
from syncvid.timeline import to_samples

# ISO 3382-1, 5.3.3: stretches of the curve through which the line is laid.
_T20_DB, _T30_DB, _EDT_DB = (-5.0, -25.0), (-5.0, -35.0), (0.0, -10.0)

# ISO 3382-1, 5.3.3: the noise lies at least so far below the end of the stretch.
_CLEAR_DB = 10.0

# ISO 3382-1, A.2.1: early sound against late sound.
_EARLY_S = 0.080

# ISO 3382-1, 5.3.2: the response begins where it comes within so much of its peak.
_ONSET_DB = -20.0

# Levels along the response are means over so long, or over so many periods of a band's centre.
_HOP_S, _HOP_PERIODS = 0.010, 4.0

# The last share of a response shows its noise, if it has any.
_NOISE_SHARE = 0.1

# The line that meets the noise: from so far above it up to so far above it.
_LINE_FROM_DB, _LINE_TO_DB = 10.0, 35.0
_LEAST_HOPS, _ROUNDS = 3, 5

# What lies so far under the peak at the end is digital silence, not noise.
_NOTHING = 1e-6

_OCTAVE_ORDER = 3


@dataclass(frozen=True, slots=True)
class Decay:
    """How a response dies away.

    Attributes
    ----------
    t20_s, t30_s, edt_s : float or None
        Reverberation time by the stretch from -5 to -25 dB, from -5 to -35 dB, and from 0 to
        -10 dB; None where noise hides the stretch.
    c80_db : float or None
        Energy of the first 80 ms against all that follows; None where nothing follows.
    """

    t20_s: float | None
    t30_s: float | None
    edt_s: float | None
    c80_db: float | None


def measure_decay(response: Audio, *, sample_rate: int) -> Decay:
    """Measure how an impulse response dies away.

    Parameters
    ----------
    response : ndarray, shape (samples,), float32
        One channel, any level; what lies before its direct sound is passed over.
    sample_rate : int
        In Hz.

    Returns
    -------
    Decay
        All None for silence, and for a sound that does not die away.

    Raises
    ------
    SignalError
        Not mono, or not finite.

    Examples
    --------
    >>> seconds = np.arange(96_000) / 48_000
    >>> measured = measure_decay(np.exp(-6.90776 * seconds / 1.2), sample_rate=48_000)
    >>> measured.t30_s is not None and round(measured.t30_s, 3)
    1.2
    """
    samples = check_mono(response, name="response")
    return _measured(samples[find_direct(samples) :], sample_rate, _HOP_S)


def band_decay(response: Audio, centre_hz: float, *, sample_rate: int) -> Decay:
    """Measure how one octave band of an impulse response dies away.

    The filter runs backwards in time, so that its own ringing does not lengthen the decay.

    Parameters
    ----------
    response : ndarray, shape (samples,), float32
        One channel, any level.
    centre_hz : float
        Middle of the octave.
    sample_rate : int
        In Hz.

    Returns
    -------
    Decay
        As `measure_decay` gives it.

    Raises
    ------
    SignalError
        Not mono, not finite, or the octave does not fit under half the sample rate.
    """
    samples = check_mono(response, name="response")
    edges = centre_hz / math.sqrt(2), centre_hz * math.sqrt(2)
    if not 0 < edges[0] or edges[1] >= sample_rate / 2:
        raise SignalError(f"The octave at {centre_hz} Hz does not exist at {sample_rate} Hz.")
    sections = signal.butter(_OCTAVE_ORDER, edges, "bandpass", fs=sample_rate, output="sos")
    heard = samples[find_direct(samples) :].astype(np.float64)
    band = signal.sosfilt(sections, heard[::-1])[::-1]
    return _measured(band, sample_rate, max(_HOP_S, _HOP_PERIODS / centre_hz))


def find_direct(response: Audio) -> int:
    """Return the sample at which a mono response begins; 0 for silence."""
    size = np.abs(response)
    peak = float(size.max(initial=0.0))
    return int(np.argmax(size >= peak * 10 ** (_ONSET_DB / 20))) if peak > 0 else 0


def find_end(response: Audio, *, sample_rate: int) -> int:
    """Return the sample at which a mono response sinks into its noise, or ends.

    Its length where it does not die away; 0 for silence.
    """
    heard = _without_nothing(response)
    begin = find_direct(heard)
    knee = _find_knee(heard[begin:].astype(np.float64) ** 2, to_samples(_HOP_S, sample_rate))
    return heard.size if knee is None else begin + knee.stop


def decay_time(curve_db: Floats, stretch_db: tuple[float, float], sample_rate: int) -> float | None:
    """Return the time for 60 dB by the line through a stretch of a falling curve.

    Parameters
    ----------
    curve_db : ndarray, shape (samples,), float64
        Never rises; 0 at its beginning.
    stretch_db : tuple of float
        From which level to which.
    sample_rate : int
        In Hz.

    Returns
    -------
    float or None
        Seconds; None where the curve has less than three samples there, or is level.
    """
    first, last = np.searchsorted(-curve_db, [-level for level in stretch_db])
    if last - first < _LEAST_HOPS or last >= curve_db.size:
        return None
    slope = _line(np.arange(first, last) / sample_rate, curve_db[first:last])[0]
    return -60.0 / slope if slope < 0 else None


def decay_curve(power: Floats, after: float = 0.0) -> Floats:
    """Return the energy that is still to come, in dB of the whole.

    Parameters
    ----------
    power : ndarray, shape (samples,), float64
        Squares of a response, not all zero.
    after : float
        Energy that would have followed the last sample.

    Returns
    -------
    ndarray, shape (samples,), float64
        0 at the first sample; never rises.
    """
    to_come = np.cumsum(power[::-1])[::-1] + after
    return np.asarray(10 * np.log10(np.maximum(to_come / to_come[0], np.finfo(float).tiny)))


@dataclass(frozen=True, slots=True)
class _Knee:
    """Where a decay meets its noise, and the energy that it would have had after that."""

    stop: int
    after: float


def _measured(heard: Audio | Floats, sample_rate: int, hop_s: float) -> Decay:
    """Measure a response that begins with its direct sound."""
    power = _without_nothing(heard).astype(np.float64) ** 2
    knee = _find_knee(power, to_samples(hop_s, sample_rate))
    if knee is None:
        return Decay(None, None, None, None)
    curve_db = decay_curve(power[: knee.stop], knee.after)
    room_db = -float(curve_db[-1])
    t20_s, t30_s, edt_s = (
        decay_time(curve_db, stretch, sample_rate) if room_db >= _CLEAR_DB - stretch[1] else None
        for stretch in (_T20_DB, _T30_DB, _EDT_DB)
    )
    return Decay(t20_s, t30_s, edt_s, _clarity_db(curve_db, sample_rate))


def _clarity_db(curve_db: Floats, sample_rate: int) -> float | None:
    """Return the energy of the first 80 ms against the rest."""
    early = to_samples(_EARLY_S, sample_rate)
    if early >= curve_db.size:
        return None
    late = 10 ** (curve_db[early] / 10)
    return 10 * math.log10((1 - late) / late) if 0 < late < 1 else None


def _find_knee(power: Floats, hop: int) -> _Knee | None:
    """Find where the decay meets the noise; None where there is no decay."""
    hops = power.size // hop
    levels = power[: hops * hop].reshape(hops, hop).mean(axis=1)
    if hops < 2 * _LEAST_HOPS or not levels.any():
        return None
    in_db = 10 * np.log10(np.maximum(levels, levels.max() * _NOTHING**2))
    noise_from = hops - max(1, round(hops * _NOISE_SHARE))
    noise_db = top_db = slope_db = 0.0
    for _ in range(_ROUNDS):
        noise_db = 10 * math.log10(float((10 ** (in_db[noise_from:] / 10)).mean()))
        line = _late_line(in_db, noise_db)
        if line is None:
            return None
        slope_db, top_db = line
        meets = (noise_db - top_db) / slope_db
        # Noise alone is what lies well after the meeting point, if that much is left.
        noise_from = max(1, min(noise_from, math.ceil(meets - _LINE_FROM_DB / slope_db)))
    stop = int(np.clip((noise_db - top_db) / slope_db * hop, hop, power.size))
    # The line stands for the middle of each hop; the exponential after it has this integral.
    level_db = top_db + slope_db * (stop / hop - 0.5)
    return _Knee(stop, 10 ** (level_db / 10) * hop / (-slope_db * math.log(10) / 10))


def _late_line(in_db: Floats, noise_db: float) -> tuple[float, float] | None:
    """Return slope and start of the line by which the levels sink into the noise."""
    peak = int(in_db.argmax())
    under = np.flatnonzero(in_db[peak:] < noise_db + _LINE_FROM_DB)
    last = peak + int(under[0]) if under.size else in_db.size
    above = np.flatnonzero(in_db[peak:last] > noise_db + _LINE_TO_DB)
    first = peak + int(above[-1]) if above.size else peak
    if last - first < _LEAST_HOPS:
        return None
    slope, start = _line(np.arange(first, last), in_db[first:last])
    return (slope, start) if slope < 0 else None


def _line(at: Floats, values: Floats) -> tuple[float, float]:
    """Return slope and start of the line through values, by least squares."""
    middle = at.mean()
    away = at - middle
    slope = float(np.dot(away, values) / np.dot(away, away))
    return slope, float(values.mean()) - slope * float(middle)


def _without_nothing(response: Audio | Floats) -> Audio | Floats:
    """Return a response without the digital silence at its end."""
    size = np.abs(response)
    loud = np.flatnonzero(size > size.max(initial=0.0) * _NOTHING)
    return response[: loud[-1] + 1] if loud.size else response[:0]
