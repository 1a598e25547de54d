"""Taking a known sound out of a mix, whatever room and tone controls it went through.

Both sounds are cut into short spectra.  In each frequency the mix is predicted from the known sound
by one complex factor, the least-squares one over some seconds around; what is predicted is taken
away.  A factor per frequency stands for any filter that is short against a spectrum, and its change
over time for levels that were ridden or compressed.

References
----------
C. Avendano, "Acoustic echo suppression in the STFT domain", IEEE Workshop on Applications of Signal
Processing to Audio and Acoustics (2001): echo cancelling by one factor per frequency (title and
idea from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio
from syncvid.lazily import fft, ndimage
from syncvid.timeline import to_samples

# A quarter of a second covers the room's first reflections.
SPECTRUM_S = 0.256

# Steps per spectrum; with a root-Hann window on both sides, four overlap to a constant.
STEPS = 4

# A factor is learned over this many seconds: some fifty independent spectra, so that it takes no
# more than a fiftieth of what is unrelated with it, and follows a level that is ridden.
LEARNED_S = 12.0

# Sounds disturb the learning of each other, so all are gone through again.  With seven of them,
# 30 dB over an eighth, the second round took 6 dB more, a third one 2 dB.
ROUNDS = 2

# Seconds that are worked on at a time, to keep memory small.
BLOCK_S = 30.0

# What is added to the known sound's power, as a share of its mean: where it is silent, nothing is
# predicted.
LEAST_POWER = 1e-3

Spectra = NDArray[np.complex64]


def cancel(mix: Audio, sounds: Sequence[Audio], *, sample_rate: int) -> Audio:
    """Return a mix without what can be predicted of it from some sounds.

    Parameters
    ----------
    mix : ndarray, shape (samples,), float32
        The mix.
    sounds : sequence of ndarray, shape (samples,), float32
        Known sounds on the same clock, aligned to a few milliseconds; silent where they are absent.
    sample_rate : int
        Rate of all, in Hz.

    Returns
    -------
    ndarray, shape (samples,), float32
    """
    size = 2 * (to_samples(SPECTRUM_S, sample_rate) // 2)
    hop = size // STEPS
    window = np.sqrt(np.hanning(size + 1)[:-1]).astype(np.float32)
    width = max(1, round(LEARNED_S * sample_rate / hop))
    # Learning looks half its width to both sides; whole hops keep the blocks' spectra the same.
    margin = (width // 2 + STEPS) * hop
    block = max(1, round(BLOCK_S * sample_rate / hop)) * hop
    out = np.empty_like(mix)
    for start in range(0, len(mix), block):
        first, last = max(0, start - margin), min(len(mix), start + block + margin)
        left = _spectra(mix[first:last], window, hop)
        known = [_spectra(sound[first:last], window, hop) for sound in sounds]
        for _ in range(ROUNDS):
            for spectra in known:
                left -= _factor(left, spectra, width) * spectra
        piece = _overlapped(left, window, hop, last - first)
        out[start : start + block] = piece[start - first :][:block]
    return out


def _factor(left: Spectra, known: Spectra, width: int) -> Spectra:
    """Return the factors by which a known sound is found in what is left of a mix."""
    power = ndimage.uniform_filter1d(known.real**2 + known.imag**2, width, axis=0, mode="constant")
    cross = left * np.conj(known)
    factor = np.empty_like(cross)
    factor.real = ndimage.uniform_filter1d(cross.real, width, axis=0, mode="constant")
    factor.imag = ndimage.uniform_filter1d(cross.imag, width, axis=0, mode="constant")
    factor /= power + np.float32(LEAST_POWER * float(power.mean()) + 1e-12)
    return factor


def _spectra(samples: Audio, window: Audio, hop: int) -> Spectra:
    """Return short spectra, shape (hops, bins); the first one ends after one hop."""
    before = len(window) - hop
    hops = -(-len(samples) // hop) + STEPS - 1
    padded = np.zeros(before + hops * hop + len(window), np.float32)
    padded[before : before + len(samples)] = samples
    pieces = np.lib.stride_tricks.sliding_window_view(padded, len(window))[::hop][:hops]
    return np.asarray(fft.rfft(pieces * window, axis=1), np.complex64)


def _overlapped(spectra: Spectra, window: Audio, hop: int, length: int) -> Audio:
    """Add short spectra up to a sound again."""
    # The squares of four root-Hann windows a quarter apart add up to 2.
    pieces = fft.irfft(spectra, len(window), axis=1) * (window / np.float32(STEPS / 2))
    out = np.zeros(len(spectra) * hop + len(window), np.float32)
    for step in range(STEPS):
        part = pieces[:, step * hop : (step + 1) * hop].reshape(-1)
        out[step * hop : step * hop + len(part)] += part
    return out[len(window) - hop :][:length]
