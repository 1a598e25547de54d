"""Where an impulse response begins, and where it sinks into the noise under it.

References
----------
ISO 3382-1:2009, clause 5.3 and annex A: the beginning of a response, and the point up to which
its decay can be trusted.  The point is found by laying a line through the end of the decay and
measuring the noise after it, by turns (Lundeby et al. 1995, Acustica 81).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.timeline import to_samples

_AnyFloat = TypeVar("_AnyFloat", np.float32, np.float64)

# ISO 3382-1, annex A: the response begins where it comes within so much of its peak.
_ONSET_DB = -20.0

# Levels along a response are means over so long.
HOP_S = 0.010

# The last share of a response shows its noise, if it has any.
_NOISE_SHARE = 0.1

# The line that meets the noise: from so far above it up to so far above it.
_LINE_FROM_DB, _LINE_TO_DB = 10.0, 35.0
_LEAST_HOPS, _ROUNDS = 3, 5

# An end that falls so much as steeply as what is before it is no noise.
_STILL_FALLING = 0.5

# What lies so far under the peak at the end is digital silence, not noise.
_NOTHING = 1e-6


@dataclass(frozen=True, slots=True)
class Knee:
    """Where a decay meets its noise.

    Attributes
    ----------
    stop : int
        In samples.
    after : float
        The energy that would have followed, had the decay gone on as it was.
    """

    stop: int
    after: float


def find_direct(response: Audio | Floats) -> int:
    """Return the sample at which a mono response begins; 0 for silence."""
    size = np.abs(response)
    peak = float(size.max(initial=0.0))
    return int(np.argmax(size >= peak * 10 ** (_ONSET_DB / 20))) if peak > 0 else 0


def find_end(response: Audio, *, sample_rate: int) -> int:
    """Return the sample at which a mono response sinks into its noise, or ends.

    Its length where it does not die away; 0 for silence.
    """
    heard = without_nothing(response)
    begin = find_direct(heard)
    knee = find_knee(heard[begin:].astype(np.float64) ** 2, to_samples(HOP_S, sample_rate))
    return heard.size if knee is None else begin + knee.stop


def find_knee(power: Floats, hop: int) -> Knee | None:
    """Find where a decay meets the noise under it.

    Parameters
    ----------
    power : ndarray, shape (samples,), float64
        Squares of a response from its direct sound on, without digital silence at its end.
    hop : int
        Samples over which levels are means.

    Returns
    -------
    Knee or None
        None for silence, for less than six hops, and where nothing dies away.
    """
    hops = power.size // hop
    levels = power[: hops * hop].reshape(hops, hop).mean(axis=1)
    if hops < 2 * _LEAST_HOPS or not levels.any():
        return None
    in_db = 10 * np.log10(np.maximum(levels, levels.max() * _NOTHING**2))
    noise_from = hops - max(_LEAST_HOPS, round(hops * _NOISE_SHARE))
    line = _late_line(in_db, _mean_db(in_db[noise_from:]))
    # Where the end still falls as the rest does, there is no noise: the sound was cut off.
    if line is None or _slope(in_db[noise_from:]) < _STILL_FALLING * line[0]:
        return None if line is None else _knee(line, power.size, hop)
    meets = 0.0
    for _ in range(_ROUNDS):
        noise_db = _mean_db(in_db[noise_from:])
        line = _late_line(in_db, noise_db)
        if line is None:
            return None
        meets = (noise_db - line[1]) / line[0]
        # Noise alone is what lies well after the meeting point, if that much is left.
        noise_from = max(1, min(noise_from, math.ceil(meets - _LINE_FROM_DB / line[0])))
    return _knee(line, int(np.clip(meets * hop, hop, power.size)), hop)


def _knee(line: tuple[float, float], stop: int, hop: int) -> Knee:
    """Return the knee at a sample, with the integral of the line after it."""
    slope_db, start_db = line
    # The line stands for the middle of each hop.
    level_db = start_db + slope_db * (stop / hop - 0.5)
    return Knee(stop, 10 ** (level_db / 10) * hop / (-slope_db * math.log(10) / 10))


def _mean_db(in_db: Floats) -> float:
    """Return the mean of powers that are given in dB, in dB."""
    return 10 * math.log10(float((10 ** (in_db / 10)).mean()))


def _slope(in_db: Floats) -> float:
    """Return by how much levels rise from one to the next."""
    return fit_line(np.arange(in_db.size, dtype=np.float64), in_db)[0]


def _late_line(in_db: Floats, noise_db: float) -> tuple[float, float] | None:
    """Return slope and start of the line by which the levels sink into the noise."""
    peak = int(in_db.argmax())
    under = np.flatnonzero(in_db[peak:] < noise_db + _LINE_FROM_DB)
    last = peak + int(under[0]) if under.size else in_db.size
    above = np.flatnonzero(in_db[peak:last] > noise_db + _LINE_TO_DB)
    first = peak + int(above[-1]) if above.size else peak
    if last - first < _LEAST_HOPS:
        return None
    slope, start = fit_line(np.arange(first, last, dtype=np.float64), in_db[first:last])
    return (slope, start) if slope < 0 else None


def fit_line(at: Floats, values: Floats) -> tuple[float, float]:
    """Return slope and start of the line through values, by least squares."""
    middle = at.mean()
    away = at - middle
    slope = float(np.dot(away, values) / np.dot(away, away))
    return slope, float(values.mean()) - slope * float(middle)


def without_nothing(response: NDArray[_AnyFloat]) -> NDArray[_AnyFloat]:
    """Return a response without the digital silence at its end."""
    size = np.abs(response)
    loud = np.flatnonzero(size > size.max(initial=0.0) * _NOTHING)
    return response[: loud[-1] + 1] if loud.size else response[:0]
