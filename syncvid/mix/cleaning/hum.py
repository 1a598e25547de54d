"""Taking out mains hum: lines at 50 or 60 Hz and their overtones that sound all the time.

A line is found where it stands out from its neighbours in the softest moments.  It is followed in
short windows, through notes on the same frequency too, and taken away.  So nothing else within the
notch is lost, and no notch rings before or after a note.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.lazily import ndimage, signal
from syncvid.mix.cleaning.hum_lines import RATE_HZ, Hum, find_hum
from syncvid.mix.cleaning.result import Cleaned
from syncvid.mix.cleaning.spectra import thickened, thinned
from syncvid.mix.door import check_stem

Phasors: TypeAlias = NDArray[np.complex64]

# Windows in which the lines are followed: a Hann window of 1 s passes 0.5 Hz on both sides with
# less than 1.5 dB of loss, more than the mains wander within a recording, and nothing beyond 2 Hz.
_WINDOW_S, _STEPS = 1.0, 4

# The usual level is what the softest part of the windows shows; music only ever adds.
_USUAL_PERCENTILE = 20.0

# A window that shows the usual level, between these limits, shows the hum; the others show music.
_LEAST_DB, _MOST_DB = -4.0, 1.5

# ... if its phase too is that of the windows around it, give or take this share of its strength.
_AROUND, _OFF = 9, 0.2

# Between such windows the hum goes on as it was; if none is near, less and less of it is taken
# out, since its phase is not known: seconds from which on, and to none.
_SURE_S, _LOST_S = 2.0, 6.0

# So long a stretch of nothing but zeros is a place without a recording.
_GAP_S = 0.01

# Softer than the last bit of 24: silence.
_ZERO = 2.0**-25

# A window that is less full than this says nothing of its own.
_FULL = 0.75


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
    lines = f"Mains hum of {hum.mains_hz:.0f} Hz ({count} line{'s' if count > 1 else ''}"
    level_db = 10 * math.log10(max(strongest, 1e-30))
    return f"{lines}, the strongest {-level_db:.0f} dB under full scale) was taken out."


@dataclass(frozen=True, slots=True)
class _Followed:
    """The lines' amplitudes and phases at the middles of the windows, shape (windows, lines)."""

    lines: Phasors
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
    whole = full > 0.99 if (full > 0.99).any() else full >= full.max()
    usual = np.percentile(np.abs(lines[whole]), _USUAL_PERCENTILE, axis=0)
    sure = np.abs(lines) > usual * 10 ** (_LEAST_DB / 20)
    sure &= np.abs(lines) < usual * 10 ** (_MOST_DB / 20)
    sure &= (full > _FULL)[:, np.newaxis]
    hop_s = hop / rate_hz
    for line, sure_here in zip(lines.T, sure.T, strict=True):
        line[:] = _carried_on(line, sure_here, hop_s)
    return _Followed(lines, np.asarray(usual, np.float64), hop)


def _carried_on(line: Phasors, sure: NDArray[np.bool_], hop_s: float) -> Phasors:
    """Return the line with what lies between the windows that show it filled from these."""
    shown = np.flatnonzero(sure)
    if not shown.size:
        return np.zeros_like(line)
    # How far it turns from window to window, since no frequency is exact.
    pairs = shown[:-1][np.diff(shown) == 1]
    turn = np.angle(np.sum(line[pairs + 1] * np.conj(line[pairs]))) if pairs.size else 0.0
    windows = np.arange(line.size)
    turns = np.exp(1j * turn * windows)
    still = line[shown] * np.conj(turns[shown])
    alike = _alike(still)
    shown, still = shown[alike], still[alike]
    filled = np.interp(windows, shown, still.real) + 1j * np.interp(windows, shown, still.imag)
    after = np.clip(np.searchsorted(shown, windows), 0, shown.size - 1)
    away = np.minimum(abs(shown[after] - windows), abs(windows - shown[np.maximum(after - 1, 0)]))
    known = np.clip((_LOST_S - away * hop_s) / (_LOST_S - _SURE_S), 0, 1)
    return np.asarray(filled * turns * known, np.complex64)


def _alike(still: Phasors) -> NDArray[np.bool_]:
    """Tell which windows agree with those around: music can have the right level by chance."""
    around = ndimage.median_filter(still.real, _AROUND, mode="nearest") + 1j * (
        ndimage.median_filter(still.imag, _AROUND, mode="nearest")
    )
    off = np.abs(still - around)
    alike = off <= max(_OFF * float(np.median(np.abs(still))), 2 * float(np.median(off)))
    return np.asarray(alike)


def _turns(size: int, hum: Hum, rate_hz: float) -> Phasors:
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
    blended = windows[:-1, hop:] * (1 - ramp) + windows[1:, :hop] * ramp
    return np.asarray(blended.ravel(), np.float32)


def _subtract(own: Audio, hum: Audio, sample_rate: int, rate_hz: float, out: Audio) -> None:
    """Take a sound at the lower rate away from a channel; digital silence stays silent."""
    every = round(sample_rate / rate_hz)
    sound = thickened(hum, times=every)
    np.multiply(sound[: own.size], _recorded(own, sample_rate), out=out)
    np.subtract(own, out, out=out)
