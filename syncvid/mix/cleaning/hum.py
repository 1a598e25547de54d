"""Taking out mains hum: lines at 50 or 60 Hz and their overtones that sound all the time.

A line is found where it stands out from its neighbours in the softest moments.  It is followed in
short windows, and what is taken out is never more than the hum is strong: where a note lies on the
same frequency only as much as the hum goes missing, and no notch rings before or after it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from syncvid.arrays import Audio, Floats
from syncvid.lazily import signal
from syncvid.mix.cleaning.hum_lines import RATE_HZ, Hum, find_hum
from syncvid.mix.cleaning.result import Cleaned
from syncvid.mix.cleaning.stems import check_stem, thinned

# Windows in which the lines are followed: a Hann window of 1 s passes 0.5 Hz on both sides with
# less than 1.5 dB of loss, more than the mains wander within a recording, and nothing beyond 2 Hz.
_WINDOW_S, _STEPS = 1.0, 4

# No more than this is taken out, against the hum's usual level.
_AT_MOST_DB = 1.5

# The usual level is what the softest part of the windows shows; music only ever adds.
_USUAL_PERCENTILE = 25.0

# So long a stretch of nothing but zeros is a place without a recording.
_GAP_S = 0.01

# Softer than the last bit of 24: silence.
_ZERO = 2.0**-25

# A window that is less full than this says nothing of its own.
_FULL = 0.2


def take_out_hum(samples: Audio, *, sample_rate: int) -> Cleaned:
    """Take out the hum of the mains, if there is any.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        A stem.
    sample_rate : int
        In Hz.

    Returns
    -------
    Cleaned
        Unchanged if no hum is found, as in silence and in sounds shorter than 8 s.

    Raises
    ------
    SignalError
        As `check_stem`.
    """
    check_stem(samples, sample_rate=sample_rate)
    low = [thinned(channel, sample_rate=sample_rate, near_hz=RATE_HZ) for channel in samples]
    rate_hz = low[0][1]
    hum = find_hum([channel for channel, _ in low], rate_hz=rate_hz)
    if hum is None:
        return Cleaned(samples, "No mains hum was found, so nothing was changed.", changed=False)
    cleaned = np.empty_like(samples)
    powers = np.zeros(len(hum.overtones))
    for own, (channel, _), out in zip(samples, low, cleaned, strict=True):
        followed = _follow(channel, hum, rate_hz)
        powers += followed.usual**2 / len(samples)
        _subtract(own, _sound_of(followed, hum, rate_hz), sample_rate, rate_hz, out)
    return Cleaned(cleaned, _told(hum, float(powers.max())), changed=True)


def _told(hum: Hum, strongest: float) -> str:
    """Say which lines were taken out and how strong the strongest was."""
    count = len(hum.overtones)
    lines = f"Mains hum at {hum.mains_hz:.2f} Hz ({count} line{'s' if count > 1 else ''}"
    level_db = 10 * math.log10(max(strongest, 1e-30))
    return f"{lines}, the strongest at {level_db:.0f} dB) was taken out."


@dataclass(frozen=True, slots=True)
class _Followed:
    """The lines' amplitudes and phases at the middles of the windows, shape (windows, lines)."""

    lines: np.ndarray[tuple[int, int], np.dtype[np.complex64]]
    usual: Floats
    hop: int


def _follow(channel: Audio, hum: Hum, rate_hz: float) -> _Followed:
    """Measure each line in each window, and hold it to its usual level."""
    hop = round(_WINDOW_S * rate_hz / _STEPS / 2) * 2
    size = _STEPS * hop
    window = np.asarray(signal.get_window("hann", size), np.float32)
    basis = np.conj(_turns(size, hum, rate_hz)) * window[:, np.newaxis]
    padded = np.pad(channel, (size // 2, size // 2 + hop))
    there = np.pad(_recorded(channel, rate_hz), (size // 2, size // 2 + hop))
    lines = (sliding_window_view(padded, size)[::hop] @ basis).astype(np.complex64)
    full = sliding_window_view(there, size)[::hop] @ window / window.sum()
    lines *= (2 / window.sum() / np.maximum(full, _FULL))[:, np.newaxis]
    strengths = np.abs(lines)
    whole = full > 0.99 if (full > 0.99).any() else full >= full.max()
    usual = np.percentile(strengths[whole], _USUAL_PERCENTILE, axis=0)
    at_most = (usual * 10 ** (_AT_MOST_DB / 20)).astype(np.float32)
    lines *= np.minimum(1, at_most / np.maximum(strengths, np.finfo(np.float32).tiny))
    return _Followed(lines, np.asarray(usual, np.float64), hop)


def _turns(
    size: int, hum: Hum, rate_hz: float
) -> np.ndarray[tuple[int, int], np.dtype[np.complex64]]:
    """Return the lines' phases from the middle of a window, shape (size, lines)."""
    at_s = (np.arange(size) - size // 2) / rate_hz
    turns = np.exp(2j * np.pi * np.outer(at_s, hum.lines_hz))
    return np.asarray(turns, np.complex64).reshape(size, -1)


def _recorded(channel: Audio, rate_hz: float) -> Audio:
    """Tell where there is a recording at all: 1, and 0 in stretches of nothing but zeros."""
    length = max(round(_GAP_S * rate_hz), 1)
    blocks = -(-channel.size // length)
    filled = np.zeros(blocks * length, bool)
    # What is so small is not zero only because a filter rang there.
    filled[: channel.size] = np.abs(channel) > _ZERO
    full = filled.reshape(blocks, length).any(axis=1)
    return np.repeat(full, length)[: channel.size].astype(np.float32)


def _sound_of(followed: _Followed, hum: Hum, rate_hz: float) -> Audio:
    """Return the hum at the lower rate, a little longer: blended from middle to middle."""
    hop = followed.hop
    ramp = np.arange(hop, dtype=np.float32) / hop
    turns = _turns(2 * hop, hum, rate_hz)
    windows = (followed.lines @ turns.T).real
    # The second half of a window fades out, the first half of the next one fades in.
    return np.asarray(windows[:-1, hop:] * (1 - ramp) + windows[1:, :hop] * ramp).ravel()


def _subtract(own: Audio, hum: Audio, sample_rate: int, rate_hz: float, out: Audio) -> None:
    """Take a sound at the lower rate away from a channel; digital silence stays silent."""
    every = round(sample_rate / rate_hz)
    sound = hum if every == 1 else np.asarray(signal.resample_poly(hum, every, 1), np.float32)
    np.multiply(sound[: own.size], _recorded(own, sample_rate), out=out)
    np.subtract(own, out, out=out)
