"""The even background noise of a recording, read from its softest moments."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.lazily import ndimage
from syncvid.mix.cleaning.spectra import power_spectra

# No more spectra than this are looked at.
_MOST_SPECTRA = 4000

# A moment is soft if the mean of its bins, in dB against each bin's own soft level, lies no more
# than this above the softest 2 % of moments.  Of noise alone that mean strays by 0.2 dB.
_SOFTEST_PERCENTILE, _SOFT_DB, _OWN_PERCENTILE = 2.0, 1.5, 10.0

# Noise is known if soft moments make up so much time, and so large a share of the recording.
_FEWEST_S, _FEWEST_SHARE = 0.5, 0.02

# Noise is even over frequency, notes are lines: medians over so many bins, fewer for the lows,
# where noise is steep.
_FEW_BINS, _MANY_BINS, _LOWS = 7, 31, 20

# Spectra with so little power, against the loudest, lie where nothing was recorded.
_NOTHING = 1e-12

# No band is softer than this against the loudest band of noise.
_EMPTY_DB = 100.0

# Where to read how loud the music is.
_LOUD_PERCENTILE = 99.0


@dataclass(frozen=True, slots=True)
class NoiseProfile:
    """Background noise.

    Attributes
    ----------
    powers : ndarray, shape (bins,), float32
        Mean power of the noise's spectra, the channels' sum.
    under_db : float
        By how much the noise is softer than the loud passages.
    """

    powers: Audio
    under_db: float


def noise_profile(samples: Audio, *, size: int, sample_rate: int) -> NoiseProfile | None:
    """Read the background noise.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
    size : int
        Samples in a spectrum, with a Hann window.
    sample_rate : int
        In Hz.

    Returns
    -------
    NoiseProfile or None
        None where too few moments hold noise alone, and in silence.
    """
    hop = max(size, samples.shape[1] // _MOST_SPECTRA)
    powers = _powers(samples, size, hop)
    fewest = max(_FEWEST_S * sample_rate / hop, _FEWEST_SHARE * len(powers))
    if len(powers) < fewest:
        return None
    own = np.maximum(np.percentile(powers, _OWN_PERCENTILE, axis=0), np.finfo(np.float32).tiny)
    levels_db = 10 * np.log10(np.maximum(powers / own, 1e-6)).mean(axis=1)
    soft = levels_db < np.percentile(levels_db, _SOFTEST_PERCENTILE) + _SOFT_DB
    if np.count_nonzero(soft) < fewest:
        return None
    noise = _even(powers[soft])
    loud = float(np.percentile(powers.sum(axis=1), _LOUD_PERCENTILE))
    return NoiseProfile(noise, 10 * float(np.log10(loud / float(noise.sum()))))


def _powers(samples: Audio, size: int, hop: int) -> Audio:
    """Return spectra of all channels together, without those where nothing was recorded."""
    total = power_spectra(samples[0], size=size, hop=hop)
    for channel in samples[1:]:
        total += power_spectra(channel, size=size, hop=hop)
    whole = total.sum(axis=1)
    there = whole > _NOTHING * whole.max(initial=0)
    # The neighbours of nothing are partly nothing.
    whole_too = np.asarray(ndimage.binary_erosion(there, np.ones(3, bool), border_value=1))
    return np.asarray(total[whole_too])


def _even(powers: Audio) -> Audio:
    """Return the mean power of noise from soft moments, without the notes that are left in them."""
    medians = np.maximum(np.median(powers, axis=0), np.finfo(np.float32).tiny)
    # For one channel of noise the mean is 1 / ln 2 of the median, for several it is less.
    means_db: Floats = 10 * np.log10(medians * np.median(powers.mean(axis=0) / medians))
    few = ndimage.median_filter(means_db, _FEW_BINS, mode="nearest")
    many = ndimage.median_filter(means_db, _MANY_BINS, mode="nearest")
    many[_LOWS:] = ndimage.uniform_filter1d(many[_LOWS:], _FEW_BINS, mode="nearest")
    many[:_LOWS] = few[:_LOWS]
    # What a codec has left empty is noise too, of a strength that can be divided by.
    return np.asarray(10 ** (np.maximum(many, many.max() - _EMPTY_DB) / 10), np.float32)
