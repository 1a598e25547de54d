"""The sound of a guide's signature: sweeps up and down, and fourteen chirps that carry numbers.

All of it is one whistle whose pitch moves between 1.2 and 5.6 kHz, where headphones leak most and
phones hear well.  The sweeps are hyperbolic: their period changes evenly, so that a clip that runs
at another speed only seems to hold them a little earlier or later, the one against the other, by
which the speed is told.  Each chirp runs through the whole band, upwards or downwards, from one of
eight pitches on and round: sixteen chirps that are nearly orthogonal.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.errors import SignalError
from syncvid.signals.cue_code import ALPHABET, MOST_GUIDE, MOST_VERSION, SYMBOLS, encode

LOW_HZ = 1200.0
HIGH_HZ = 5600.0

# Lengths in seconds: of each sweep, of each chirp, and of it all.
SWEEP_S = 0.22
CHIRP_S = 0.11
DATA_FROM_S = 2 * SWEEP_S
SIGNATURE_S = DATA_FROM_S + SYMBOLS * CHIRP_S

# Where a chirp may begin, in parts of the band; the sixteen are these upwards, then downwards.
STARTS = ALPHABET // 2

# Soft edges; and how long the pitch takes where it leaps, in seconds.
EDGE_S = 0.025
GLIDE_S = 0.004

# The lowest rate that holds the band, in Hz; and the rate of the pitch's own curve, the same for
# all, so that the sound is the same at every rate.
LEAST_RATE = 12_000
_FINE_RATE = 96_000


def make_signature(guide: int, version: int, sample_rate: int) -> Audio:
    """Return the sound by which a guide is known.

    Parameters
    ----------
    guide : int
        Which guide it is, 0 to 65535.
    version : int
        Its version; the lowest eight bits are told.
    sample_rate : int
        In Hz, `LEAST_RATE` or more.

    Returns
    -------
    ndarray, shape (samples,), float32
        Mono, of `SIGNATURE_S`; peak 1.

    Raises
    ------
    SignalError
        A number is out of range, or the rate too low.
    """
    if not 0 <= guide <= MOST_GUIDE or version < 0:
        raise SignalError(f"Guide {guide}, version {version} cannot be told by a signature.")
    if sample_rate < LEAST_RATE:
        raise SignalError(f"A signature needs {LEAST_RATE} Hz or more, not {sample_rate} Hz.")
    phase = _phase(tuple(encode(guide, version & MOST_VERSION).tolist()))
    times = np.arange(round(SIGNATURE_S * sample_rate)) / sample_rate
    sound = np.sin(phase_at(phase, times)) * edges(times, SIGNATURE_S)
    return np.asarray(sound / np.abs(sound).max(), np.float32)


def whistle(symbols: tuple[int, ...], times: Floats) -> Floats:
    """Return a signature as complex samples at any times, with soft edges, zero outside of it."""
    inside = (times >= 0) & (times <= SIGNATURE_S)
    tones = np.exp(1j * phase_at(_phase(symbols), times))
    return np.asarray(np.where(inside, tones * edges(times, SIGNATURE_S), 0.0))


def sweep(times: Floats, *, up: bool) -> Floats:
    """Return the first sweep, or the second, as complex samples; its beginning is at 0."""
    at = np.clip(times if up else SWEEP_S - times, 0.0, SWEEP_S)
    slope = (1 / LOW_HZ - 1 / HIGH_HZ) / SWEEP_S
    cycles = -np.log1p(-at * slope * LOW_HZ) / slope
    turned = np.exp(2j * np.pi * (cycles if up else -cycles))
    return np.asarray(np.where((times >= 0) & (times <= SWEEP_S), turned, 0.0))


def chirps(times: Floats) -> Floats:
    """Return the sixteen chirps as complex samples, shape (ALPHABET, times)."""
    rows = [
        _chirp_hz(symbol, np.arange(0.0, round(CHIRP_S * _FINE_RATE))) for symbol in range(ALPHABET)
    ]
    phases = [2 * np.pi * np.concatenate([[0.0], np.cumsum(row)]) / _FINE_RATE for row in rows]
    inside = (times >= 0) & (times <= CHIRP_S)
    bank = [np.exp(1j * phase_at(phase, times)) * edges(times, CHIRP_S) for phase in phases]
    return np.asarray(np.where(inside, bank, 0.0))


def edges(times: Floats, length_s: float) -> Floats:
    """Return 1 but for soft edges of a sound of some length that begins at 0."""
    edge_s = min(EDGE_S, length_s / 16)
    near = np.clip(np.minimum(times, length_s - times) / edge_s, 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * near))


def phase_at(phase: Floats, times: Floats) -> Floats:
    """Return the phase at any times from that at the fine rate."""
    return np.interp(times * _FINE_RATE, np.arange(len(phase)), phase)


@cache
def _phase(symbols: tuple[int, ...]) -> Floats:
    """Return the phase of a whole signature at the fine rate."""
    sweep_at = np.arange(round(SWEEP_S * _FINE_RATE)) + 0.5
    period = 1 / LOW_HZ + (1 / HIGH_HZ - 1 / LOW_HZ) * sweep_at / len(sweep_at)
    chirp_at = np.arange(0.0, round(CHIRP_S * _FINE_RATE))
    hertz = np.concatenate(
        [1 / period, 1 / period[::-1], *(_chirp_hz(symbol, chirp_at) for symbol in symbols)]
    )
    kernel = np.hanning(round(GLIDE_S * _FINE_RATE) + 2)
    # By numpy: a guide is made in less time than scipy takes to load.
    around = np.pad(hertz, ((len(kernel) - 1) // 2, len(kernel) // 2), mode="edge")
    smooth = np.convolve(around, kernel / kernel.sum(), mode="valid")
    return np.asarray(2 * np.pi * np.concatenate([[0.0], np.cumsum(smooth)]) / _FINE_RATE)


def _chirp_hz(symbol: int, at: Floats) -> Floats:
    """Return the pitch of a chirp at steps of the fine rate, in Hz."""
    turn = (at + 0.5) / (CHIRP_S * _FINE_RATE) + (symbol % STARTS) / STARTS
    share = turn % 1.0
    return np.asarray(LOW_HZ + (HIGH_HZ - LOW_HZ) * (share if symbol < STARTS else 1.0 - share))
