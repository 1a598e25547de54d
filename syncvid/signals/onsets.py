"""Where notes begin, pitch by pitch: a feature that two takes of the same music share."""

from __future__ import annotations

import numpy as np
from scipy import fft, ndimage

from syncvid.arrays import Audio

# Onsets are placed on a grid of 10 ms, finer than players agree.
HOP_S = 0.010

# 128 ms resolve the semitones of the middle octaves.
WINDOW_S = 0.128

# Bands a semitone wide, from the cello's low range to the third octave above middle C.
LOWEST_HZ = 80.0
BANDS_PER_OCTAVE = 12
BANDS = 66

# Loudness is compressed as log(1 + 1000 x), x relative to the loud passages: 60 dB are seen.
COMPRESSION = 1000.0

# Rise over three hops; a slow attack rises no faster.
RISE_HOPS = 3

# What is steadily busy for a second is no onset.
STEADY_HOPS = 100

# Players agree to some 15 ms; onsets are blurred to match.
BLUR_HOPS = 1.5

# Hops worked on at a time.
BLOCK = 2000


def find_onsets(samples: Audio, *, sample_rate: int) -> Audio:
    """Measure how strongly notes begin, in bands a semitone wide.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound.
    sample_rate : int
        Its rate, in Hz.

    Returns
    -------
    ndarray, shape (hops, bands), float32
        Rise of the compressed loudness, with its mean over a second taken off; time runs along the
        first axis in steps of `HOP_S`.  All zeros for silence; no hops for an empty sound.
    """
    levels = _band_levels(samples, sample_rate)
    if not len(levels):
        return levels
    loud = float(np.percentile(levels.max(axis=1), 95))
    if loud <= 1e-9:
        return np.zeros_like(levels)
    heard = np.log1p(levels * np.float32(COMPRESSION / loud))
    rise = np.zeros_like(heard)
    rise[RISE_HOPS - 1 : -1] = np.maximum(heard[RISE_HOPS:] - heard[:-RISE_HOPS], 0.0)
    rise -= ndimage.uniform_filter1d(rise, STEADY_HOPS, axis=0)
    return np.asarray(ndimage.gaussian_filter1d(rise, BLUR_HOPS, axis=0), np.float32)


def _band_levels(samples: Audio, sample_rate: int) -> Audio:
    """Return the magnitude in each band around each hop."""
    hop = round(HOP_S * sample_rate)
    size = 2 * round(WINDOW_S * sample_rate / 2)
    hops = len(samples) // hop
    if hops <= RISE_HOPS:
        return np.zeros((0, BANDS), np.float32)
    padded = np.pad(samples, (size // 2, size // 2))
    pieces = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop][:hops]
    window = np.hanning(size).astype(np.float32)
    bands = _bands(size, sample_rate)
    return np.concatenate(
        [
            np.abs(fft.rfft(pieces[first : first + BLOCK] * window, axis=1)) @ bands
            for first in range(0, hops, BLOCK)
        ]
    )


def _bands(size: int, sample_rate: int) -> Audio:
    """Return triangular bands, shape (bins, bands)."""
    edges = LOWEST_HZ * 2 ** (np.arange(BANDS + 2) / BANDS_PER_OCTAVE)
    bins = fft.rfftfreq(size, 1 / sample_rate)[:, None]
    up = (bins - edges[:-2]) / np.diff(edges)[:-1]
    down = (edges[2:] - bins) / np.diff(edges)[1:]
    bands = np.clip(np.minimum(up, down), 0.0, None)
    # Low bands may fall between two bins: they take the nearest one.
    nearest = np.argmin(np.abs(bins - edges[1:-1]), axis=0)
    bands[nearest, np.arange(BANDS)] = np.maximum(bands[nearest, np.arange(BANDS)], 0.5)
    return np.asarray(bands, np.float32)
