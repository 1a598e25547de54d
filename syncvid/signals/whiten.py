"""Whitening: making every pitch and every moment of a sound count alike.

A correlation of raw music is ruled by its few loudest tones, which fit almost as well one period
later.  Here each cell of a short-time spectrum is divided by a power of its own magnitude, so that
quiet overtones, breath and consonants weigh nearly as much as the loudest tone, and the peak of a
correlation becomes narrow.  A floor keeps silence silent: what lies far below the sound's own loud
passages is left small instead of being blown up into noise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.lazily import fft

# Length of one spectrum in seconds.  Of 64, 128 and 256 ms the longest parted true from false
# places best: it resolves the overtones of low instruments.
SPECTRUM_S = 0.256

# Steps per spectrum; with a root-Hann window on both sides, four overlap to a constant.
STEPS = 4

# Share of the magnitude (as an exponent) that is taken out.  1 would give noise between the tones
# the full weight of the tones; below 0.7 tones begin to rule again.
EXPONENT = 0.85

# Cells this far below the loud passages are on the floor.
FLOOR_DB = -50.0

# Loudness is read where one tenth of the sound is louder.
LOUD_PERCENTILE = 90.0

# Power of a cell at which a sound is digital silence, whatever its loud passages are.
SILENT_POWER = 1e-9

# Spectra worked on at a time, to keep the memory of a long clip small.
BLOCK = 128


@dataclass(frozen=True, slots=True)
class _Cells:
    """A sound padded for short-time spectra, and how they are cut.

    Attributes
    ----------
    padded : ndarray, shape (samples,), float32
        The sound, with silence around it.
    window : ndarray, shape (size,), float32
        Root-Hann window.
    band : ndarray, shape (bins,), float32
        1 for the bins that are kept, up to half of the rate of the result.
    """

    padded: Audio = field(repr=False)
    window: Audio = field(repr=False)
    band: Audio = field(repr=False)

    @property
    def hop(self) -> int:
        """Samples from one spectrum to the next."""
        return len(self.window) // STEPS

    @property
    def hops(self) -> int:
        """Number of spectra."""
        return len(self.padded) // self.hop - STEPS + 1

    def blocks(self) -> Iterator[tuple[int, NDArray[np.complex64]]]:
        """Yield the number of a first spectrum, and spectra of shape (hops, bins) from there on."""
        for first in range(0, self.hops, BLOCK):
            last = min(first + BLOCK, self.hops)
            stop = (last - 1) * self.hop + len(self.window)
            stretch = self.padded[first * self.hop : stop]
            pieces = np.lib.stride_tricks.sliding_window_view(stretch, len(self.window))
            spectra = fft.rfft(pieces[:: self.hop] * self.window, axis=1)
            yield first, np.asarray(spectra[:, : len(self.band)] * self.band, np.complex64)


def whiten(
    samples: Audio, *, sample_rate: int, low_hz: float, high_hz: float, out_rate: int
) -> Audio:
    """Return a sound with its spectrum evened out, limited to a band, at a lower rate.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound.
    sample_rate : int
        Its rate, a multiple of `out_rate`.
    low_hz, high_hz : float
        The band that is kept; `high_hz` lies below half of `out_rate`.
    out_rate : int
        Rate of the result.

    Returns
    -------
    ndarray, shape (ceil(samples * out_rate / sample_rate),), float32
        1 in root mean square; all zeros for silence, empty for an empty sound.

    Raises
    ------
    SignalError
        The rates or the band do not fit together.
    """
    if sample_rate % out_rate or not 0 < low_hz < high_hz <= out_rate / 2:
        raise SignalError(f"Cannot keep {low_hz} to {high_hz} Hz at {out_rate} of {sample_rate}.")
    ratio = sample_rate // out_rate
    out_size = fft.next_fast_len(round(SPECTRUM_S * out_rate / STEPS), real=True) * STEPS
    cells = _cut(samples, out_size * ratio, sample_rate, low_hz, high_hz, out_size // 2 + 1)
    floor = _floor(cells)
    out_hop = out_size // STEPS
    out_window = cells.window[::ratio] * np.float32(2.0 / STEPS)
    out = np.zeros((cells.hops + STEPS - 1, out_hop), np.float32)
    for first, spectra in cells.blocks():
        power = spectra.real**2 + spectra.imag**2
        spectra *= (power + floor) ** np.float32(-EXPONENT / 2)
        pieces = fft.irfft(spectra, out_size, axis=1) * out_window
        for step in range(STEPS):
            quarter = pieces[:, step * out_hop : (step + 1) * out_hop]
            out[first + step : first + step + len(pieces)] += quarter
    length = -(-len(samples) // ratio)
    return _unit(out.reshape(-1)[out_size - out_hop :][:length])


def _cut(
    samples: Audio, size: int, sample_rate: int, low_hz: float, high_hz: float, bins: int
) -> _Cells:
    """Pad a sound so that every sample lies in `STEPS` spectra."""
    hop = size // STEPS
    hops = -(-len(samples) // hop) + STEPS - 1
    padded = np.zeros((hops + STEPS - 1) * hop, np.float32)
    padded[size - hop : size - hop + len(samples)] = samples
    window = np.sqrt(np.hanning(size + 1)[:-1]).astype(np.float32)
    frequencies = fft.rfftfreq(size, 1 / sample_rate)[:bins]
    band = (frequencies >= low_hz) & (frequencies <= high_hz)
    return _Cells(padded, window, band.astype(np.float32))


def _floor(cells: _Cells) -> np.float32:
    """Return the power below which a cell counts as silence."""
    bins = max(1.0, float(cells.band.sum()))
    powers = [
        (spectra.real**2 + spectra.imag**2).sum(axis=1) / bins for _, spectra in cells.blocks()
    ]
    loud = np.percentile(np.concatenate(powers), LOUD_PERCENTILE)
    return np.float32(max(loud * 10 ** (FLOOR_DB / 10), SILENT_POWER))


def _unit(samples: Audio) -> Audio:
    """Scale a sound to 1 in root mean square; silence stays as it is."""
    energy = float(np.einsum("i,i", samples, samples, dtype=np.float64))
    power = energy / max(1, len(samples))
    return samples if power < SILENT_POWER else samples / np.float32(np.sqrt(power))
