"""Making a recording's even background noise softer: gently, and only where nothing else sounds.

The noise is what the softest moments hold.  Where a band of the sound stands clearly above it the
band is left as it is; where it does not, the band is lowered, by no more than asked for.  Two looks
decide, one long and narrow for held notes, one short and wide for attacks, so that no single cell
of the spectrum opens by chance: such cells are what makes noise reduction chirp.

References
----------
R. Martin, Noise power spectral density estimation based on optimal smoothing and minimum
statistics, IEEE Trans. Speech Audio Process. 9(5), 2001: noise is read from minima over time.
Y. Ephraim, D. Malah, Speech enhancement using a minimum mean-square error short-time spectral
amplitude estimator, IEEE Trans. Acoust. Speech Signal Process. 32(6), 1984: chirping, and that
smoothing the ratio to the noise prevents it.  (Both from memory.)
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.lazily import fft, ndimage, signal
from syncvid.mix.cleaning.noise_profile import noise_profile
from syncvid.mix.cleaning.result import Cleaned
from syncvid.mix.door import check_stem

Spectra: TypeAlias = np.ndarray[tuple[int, ...], np.dtype[np.complex64]]

# Spectra of 43 ms at 48 kHz, four of them overlapping.
_WINDOW_S, _STEPS = 0.043, 4

# The two looks: spectra and bins on each side that are averaged.
_HELD, _ATTACK = (5, 1), (1, 5)

# Below the first ratio to the noise a band is noise, above the second it is sound, in dB.  The
# first lies above what the averages of noise reach by chance (measured: 1 cell in 3000).
_NOISE_DB, _SOUND_DB = 4.5, 10.0

# More than so many times the noise says no more; sums of limited numbers stay exact.
_PLENTY = 1000.0

# Spectra to the sides of those worked on that the looks reach.
_MARGIN = max(_HELD[0], _ATTACK[0])

# Spectra worked on at a time: they nearly stay in the processor's cache.
_TOGETHER = 256

# Nothing is gained where the noise is softer than this against the loud passages.
_SOFT_ENOUGH_DB = 75.0

_MOST_DB = 20.0


def reduce_noise(samples: Audio, *, sample_rate: int, most_db: float = 9.0) -> Cleaned:
    """Make the background noise softer where nothing else sounds.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        A stem.
    sample_rate : int
        In Hz.
    most_db : float
        By how much at most, 0 to 20.

    Returns
    -------
    Cleaned
        Unchanged where too few moments hold noise alone, where the noise lies 75 dB under the loud
        passages, in silence, and in sounds shorter than half a second.

    Raises
    ------
    SignalError
        As `check_stem`; or `most_db` outside of 0 to 20.
    """
    check_stem(samples, sample_rate=sample_rate)
    if not 0 <= most_db <= _MOST_DB:
        raise SignalError(f"Noise can be made 0 to {_MOST_DB:g} dB softer, not {most_db}.")
    size = 4 * round(_WINDOW_S * sample_rate / 4)
    profile = noise_profile(samples, size=size, sample_rate=sample_rate)
    if profile is None:
        told = "No moment was found that holds only background noise, so nothing was changed."
        return Cleaned(samples, told, changed=False)
    if profile.under_db > _SOFT_ENOUGH_DB or most_db == 0:
        told = f"The background noise lies {profile.under_db:.0f} dB under the loud passages; "
        return Cleaned(samples, told + "nothing was changed.", changed=False)
    told = (
        f"The background noise, {profile.under_db:.0f} dB under the loud passages, was made up to "
        f"{most_db:g} dB softer where nothing is played."
    )
    return Cleaned(_softened(samples, profile.powers, size, most_db), told, changed=True)


def _softened(samples: Audio, noise: Audio, size: int, most_db: float) -> Audio:
    """Lower what is noise, all channels alike, in overlapping windows."""
    hop = size // _STEPS
    window = np.asarray(signal.get_window("hann", size), np.float32)
    # Squared Hann windows that overlap by three quarters add up to 1.5.
    closing = window / np.float32(3 * _STEPS / 8)
    before = size - hop
    total = -(-(before + samples.shape[1]) // hop)
    padded = np.pad(samples, ((0, 0), (before, total * hop + size - before - samples.shape[1])))
    frames = sliding_window_view(padded, size, axis=1)[:, ::hop][:, :total]
    out = np.zeros((len(samples), (total + _STEPS) * hop), np.float32)
    over_noise = (1 / noise).astype(np.float32)
    for first in range(0, total, _TOGETHER):
        last = min(first + _TOGETHER, total)
        reach = slice(max(first - _MARGIN, 0), last + _MARGIN)
        spectra = fft.rfft(frames[:, reach] * window, axis=2)
        inner = slice(first - reach.start, last - reach.start)
        gains = _gains(spectra, over_noise, most_db)[inner]
        parts = fft.irfft(spectra[:, inner] * gains, size, axis=2)
        parts *= closing
        _overlap(out[:, first * hop :], parts, hop)
    return np.ascontiguousarray(out[:, before : before + samples.shape[1]])


def _overlap(out: Audio, parts: Audio, hop: int) -> None:
    """Add windows, shape (channels, windows, size), each a hop after the one before."""
    channels, windows, _ = parts.shape
    for step in range(_STEPS):
        place = out[:, step * hop : (step + windows) * hop].reshape(channels, windows, hop)
        place += parts[:, :, step * hop : (step + 1) * hop]


def _gains(spectra: Spectra, over_noise: Audio, most_db: float) -> Audio:
    """Return by what to multiply each cell, shape (spectra, bins): the least, 1, or between."""
    ratios = spectra[0].real ** 2 + spectra[0].imag ** 2
    for other in spectra[1:]:
        ratios += other.real**2 + other.imag**2
    ratios *= over_noise
    np.minimum(ratios, np.float32(_PLENTY), out=ratios)
    sound = np.maximum(_mean(ratios, _HELD), _mean(ratios, _ATTACK))
    low, high = 10 ** (_NOISE_DB / 10), 10 ** (_SOUND_DB / 10)
    sound -= np.float32(low)
    sound *= np.float32(1 / (high - low))
    np.clip(sound, 0, 1, out=sound)
    least = np.float32(10 ** (-most_db / 20))
    sound *= 1 - least
    sound += least
    return sound


def _mean(ratios: Audio, sides: tuple[int, int]) -> Audio:
    """Return the mean over so many spectra and bins on each side."""
    for axis, side in enumerate(sides):
        ratios = ndimage.uniform_filter1d(ratios, 2 * side + 1, axis=axis, mode="nearest")
    return ratios
