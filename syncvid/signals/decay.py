"""How a room dies away: reverberation times of an impulse response.

A response is squared and added up from its end backwards (Schroeder's method): the curve that comes
out falls smoothly, and a straight line through a stretch of it gives the time for 60 dB.  What was
recorded ends in noise; the curve is cut where the two meet, and what the room would have done
after that is added as an exponential.

References
----------
ISO 3382-1:2009, clause 5.3 and annex A: the backward integration, where it is cut, the stretches
of the curve and the noise that each can bear.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio, Floats, check_mono
from syncvid.errors import SignalError
from syncvid.lazily import signal
from syncvid.signals.decay_ends import HOP_S, find_direct, find_knee, fit_line, without_nothing
from syncvid.timeline import to_samples

# ISO 3382-1, 6: stretches of the curve through which the line is laid.
_T20_DB, _T30_DB, _EDT_DB = (-5.0, -25.0), (-5.0, -35.0), (0.0, -10.0)

# ISO 3382-1: the noise lies at least so far below the end of the stretch.
_CLEAR_DB = 10.0

# The lows of a response need longer means: so many periods of a band's centre.
_HOP_PERIODS = 4.0

_OCTAVE_ORDER = 3

_LEAST_SAMPLES = 3


@dataclass(frozen=True, slots=True)
class Decay:
    """How a response dies away.

    Attributes
    ----------
    t20_s, t30_s, edt_s : float or None
        Reverberation time by the stretch from -5 to -25 dB, from -5 to -35 dB, and from 0 to
        -10 dB; None where noise hides the stretch.
    """

    t20_s: float | None
    t30_s: float | None
    edt_s: float | None


_UNKNOWN = Decay(None, None, None)


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
    return _measured(samples[find_direct(samples) :], sample_rate, HOP_S)


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
    if edges[0] <= 0 or edges[1] >= sample_rate / 2:
        raise SignalError(f"The octave at {centre_hz} Hz does not exist at {sample_rate} Hz.")
    sections = signal.butter(_OCTAVE_ORDER, edges, "bandpass", fs=sample_rate, output="sos")
    if not samples.size:
        return _UNKNOWN
    heard = samples[find_direct(samples) :].astype(np.float64)
    band = signal.sosfilt(sections, heard[::-1])[::-1]
    return _measured(band, sample_rate, max(HOP_S, _HOP_PERIODS / centre_hz))


def decay_time(curve_db: Floats, stretch_db: tuple[float, float], rate_hz: float) -> float | None:
    """Return the time for 60 dB by the line through a stretch of a falling curve.

    Parameters
    ----------
    curve_db : ndarray, shape (values,), float64
        Never rises; 0 at its beginning.
    stretch_db : tuple of float
        From which level to which.
    rate_hz : float
        Values of the curve per second.

    Returns
    -------
    float or None
        Seconds; None where the curve has less than three values there, or is level.
    """
    first, last = np.searchsorted(-curve_db, [-level for level in stretch_db])
    if last - first < _LEAST_SAMPLES or last >= curve_db.size:
        return None
    slope = fit_line(np.arange(first, last) / rate_hz, curve_db[first:last])[0]
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


def _measured(heard: Audio | Floats, sample_rate: int, hop_s: float) -> Decay:
    """Measure a response that begins with its direct sound."""
    power = without_nothing(heard.astype(np.float64)) ** 2
    knee = find_knee(power, to_samples(hop_s, sample_rate))
    if knee is None:
        return _UNKNOWN
    curve_db = decay_curve(power[: knee.stop], knee.after)
    room_db = -float(curve_db[-1])
    t20_s, t30_s, edt_s = (
        decay_time(curve_db, stretch, sample_rate) if room_db >= _CLEAR_DB - stretch[1] else None
        for stretch in (_T20_DB, _T30_DB, _EDT_DB)
    )
    return Decay(t20_s, t30_s, edt_s)
