"""The notes of a sound over time, pitch by pitch: features that two takes of the same music share.

Time runs along the first axis in steps of `HOP_S`, pitch along the second in semitones.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from syncvid.arrays import Audio
from syncvid.lazily import fft, ndimage

# Hops of 10 ms, finer than players agree.
HOP_S = 0.010

# 128 ms resolve the semitones of the middle octaves.
WINDOW_S = 0.128

# Bands a semitone wide, from the cello's low range to the third octave above middle C.
LOWEST_HZ = 80.0
BANDS_PER_OCTAVE = 12
BANDS = 66

# Loudness is compressed as log(1 + x / floor).  The floor lies 50 dB under the loud passages, or 10
# dB over what a band holds when it is quiet, so that noise has no onsets.
SEEN = 300.0
QUIET_PERCENT = 10.0
OVER_QUIET = 3.0

# Rise over three hops; a slow attack rises no faster.
RISE_HOPS = 3

# What is steadily busy for a second is no onset; what is heard for four seconds tells no time.
STEADY_HOPS = 100
HELD_HOPS = 400

# A chord or a noise fills an octave; a note stands out of it.
AROUND_BANDS = 13

# Two takes differ by some 25 ms from note to note: twice the jitter of a player, squared and
# summed.  Onsets for the search are blurred by that much, those for reading times hardly.
BLUR_HOPS = 3.0
TONE_BLUR_HOPS = 2.0
SHARP_BLUR_HOPS = 1.0

# Loudness follows the player over three seconds where it is not compressed.
LEVEL_HOPS = 300

# Hops worked on at a time.
BLOCK = 2000


@dataclass(frozen=True, slots=True)
class NoteBands:
    """What a sound's notes look like; all arrays of shape (hops, bands), float32.

    Attributes
    ----------
    onsets : ndarray
        How strongly notes begin: rise of the compressed loudness, blurred to match two players,
        its mean over a second taken off.
    tones : ndarray
        Which notes sound: compressed loudness against the seconds and the octave around it.
    attacks : ndarray, >= 0
        Rise of the compressed loudness, sharp: the first of several notes that begin together.
    strokes : ndarray, >= 0
        Rise of the plain magnitude, sharp: the loudest of several notes that begin together.
    """

    onsets: Audio = field(repr=False)
    tones: Audio = field(repr=False)
    attacks: Audio = field(repr=False)
    strokes: Audio = field(repr=False)

    def __len__(self) -> int:
        """Return the number of hops."""
        return len(self.onsets)

    @property
    def silent(self) -> bool:
        """Whether there is no note."""
        return not (self.onsets.any() and self.tones.any())


def find_notes(samples: Audio, *, sample_rate: int) -> NoteBands:
    """Measure where notes begin and sound, in bands a semitone wide.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound.
    sample_rate : int
        Its rate, in Hz.

    Returns
    -------
    NoteBands
        All zeros for silence; no hops for a sound shorter than four hops.
    """
    levels = _band_levels(samples, sample_rate)
    loud = float(np.percentile(levels.max(axis=1), 95)) if len(levels) else 0.0
    if loud <= 1e-9:
        nothing = np.zeros_like(levels)
        return NoteBands(nothing, nothing, nothing, nothing)
    quiet = OVER_QUIET * np.percentile(levels, QUIET_PERCENT, axis=0)
    heard = np.log1p(levels / np.maximum(loud / SEEN, quiet).astype(np.float32))
    rise = _rise(heard)
    return NoteBands(
        _blurred(rise - ndimage.uniform_filter1d(rise, STEADY_HOPS, axis=0), BLUR_HOPS),
        _tones(heard),
        _blurred(rise, SHARP_BLUR_HOPS),
        _blurred(_rise(_levelled(levels)), SHARP_BLUR_HOPS),
    )


def _rise(levels: Audio) -> Audio:
    """Return by how much a level rises around each hop."""
    rise = np.zeros_like(levels)
    rise[RISE_HOPS - 1 : -1] = np.maximum(levels[RISE_HOPS:] - levels[:-RISE_HOPS], 0.0)
    return rise


def _tones(heard: Audio) -> Audio:
    """Return the loudness against the seconds and the octave around it."""
    tones = _blurred(heard, TONE_BLUR_HOPS)
    tones -= ndimage.uniform_filter1d(tones, HELD_HOPS, axis=0)
    tones -= ndimage.uniform_filter1d(tones, AROUND_BANDS, axis=1)
    return tones


def _levelled(levels: Audio) -> Audio:
    """Return magnitudes relative to the loudness of the seconds around them."""
    total = levels.sum(axis=1)
    around = ndimage.uniform_filter1d(total, LEVEL_HOPS) + 0.1 * total.mean()
    return np.asarray(levels / around[:, None], np.float32)


def _blurred(feature: Audio, hops: float) -> Audio:
    """Return a feature smoothed over time."""
    return np.asarray(ndimage.gaussian_filter1d(feature, hops, axis=0), np.float32)


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
