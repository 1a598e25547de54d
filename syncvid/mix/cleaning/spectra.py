"""Sounds for a closer look: their lows at a lower rate, and spectra from moment to moment."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from syncvid.arrays import Audio
from syncvid.lazily import fft, signal

# Length of the filter between rates, in samples of the lower one, and its window: by Kaiser's
# formulas 80 dB of attenuation from 1.4 times the lower rate's half on.
_TAPS, _KAISER = 14, 8.0

# Spectra made at a time, so that what lies between stays small.
TOGETHER = 512


def thinned(channel: Audio, *, sample_rate: int, near_hz: float) -> tuple[Audio, float]:
    """Return a channel at a lower rate, sample 0 in its place, for a look at its lows.

    Parameters
    ----------
    channel : ndarray, shape (samples,), float32
    sample_rate : int
        In Hz.
    near_hz : float
        The rate that is wanted; the whole-numbered division next above it is taken.

    Returns
    -------
    ndarray, shape (fewer samples,), float32
    float
        Its rate in Hz.
    """
    every = max(int(sample_rate // near_hz), 1)
    if every == 1 or not channel.size:
        return channel, float(sample_rate)
    low = signal.resample_poly(channel, 1, every, window=_between(every))
    return np.asarray(low, np.float32), sample_rate / every


def thickened(low: Audio, *, times: int) -> Audio:
    """Return a sound at so many times its rate, sample 0 in its place, shape (samples,)."""
    if times == 1:
        return low
    return np.asarray(signal.resample_poly(low, times, 1, window=_between(times)), np.float32)


def _between(times: int) -> Audio:
    """Return the filter between two rates: exact up to 0.6 of the lower one's half, by 80 dB."""
    taps = _TAPS * times + 1
    return np.asarray(signal.firwin(taps, 1 / times, window=("kaiser", _KAISER)), np.float32)


def power_spectra(channel: Audio, *, size: int, hop: int, padded: int | None = None) -> Audio:
    """Return the powers of a channel's spectra, shape (spectra, bins), float32.

    Hann windows that lie within the sound as a whole; none for a sound shorter than one.
    """
    parts = [
        spectra.real**2 + spectra.imag**2
        for spectra in spectra_in_blocks(channel, size=size, hop=hop, padded=padded)
    ]
    bins = (padded or size) // 2 + 1
    return np.concatenate(parts) if parts else np.zeros((0, bins), np.float32)


def spectra_in_blocks(
    channel: Audio, *, size: int, hop: int, padded: int | None = None
) -> Iterator[np.ndarray[tuple[int, int], np.dtype[np.complex64]]]:
    """Yield the spectra of a channel a few hundred at a time, shape (spectra, bins), complex64."""
    if channel.size < size:
        return
    window = np.asarray(signal.get_window("hann", size), np.float32)
    windows = sliding_window_view(channel, size)[::hop]
    together = max(1, TOGETHER * 2048 // size)
    for first in range(0, len(windows), together):
        yield fft.rfft(windows[first : first + together] * window, padded or size, axis=1)
