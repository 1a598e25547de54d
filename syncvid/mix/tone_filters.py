"""Filters that change the level of bands and delay nothing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.lazily import fft
from syncvid.mix.measures import BANDS_HZ

# Length of the filter: at 48 kHz 2045 samples, so that corrections hold from about 100 Hz up.
_TAPS_S = 0.0426

# Samples that are filtered at a time, at least: they stay in the processor's cache.
_BLOCK = 1 << 16


def tone_filter(bands_db: Sequence[float], *, sample_rate: int) -> Audio:
    """Return the filter that changes the bands by so much.

    Parameters
    ----------
    bands_db : sequence of float
        Gain at each of `BANDS_HZ`; between them it runs straight over the logarithm of frequency,
        outside of them it stays.
    sample_rate : int
        In Hz.

    Returns
    -------
    ndarray, shape (taps,), float32
        Symmetric, of odd length, about 43 ms: it delays nothing when applied by `filtered`.  A
        unit impulse if all gains are 0.

    Raises
    ------
    SignalError
        Another number of bands, or gains that are not finite.
    """
    gains_db = np.array(bands_db, np.float64)
    if gains_db.shape != (len(BANDS_HZ),) or not np.isfinite(gains_db).all():
        raise SignalError(f"A tone filter needs {len(BANDS_HZ)} finite gains.")
    half = int(_TAPS_S * sample_rate / 2)
    if not gains_db.any():
        impulse = np.zeros(2 * half + 1, np.float32)
        impulse[half] = 1
        return impulse
    # Four times as fine as the filter can follow, so that nothing folds back into it.
    size = 1 << (8 * half).bit_length()
    frequencies_hz = np.maximum(np.fft.rfftfreq(size, 1 / sample_rate), BANDS_HZ[0] / 2)
    smooth_db = np.interp(np.log(frequencies_hz), np.log(BANDS_HZ), gains_db)
    response = np.fft.irfft(10 ** (smooth_db / 20))
    taps = np.concatenate((response[-half:], response[: half + 1])) * np.hanning(2 * half + 3)[1:-1]
    return taps.astype(np.float32)


def margin_samples(fir: Audio) -> int:
    """Return how many samples before and after a block the filter needs.

    Filter a block with so many samples of its neighbours on each side, and cut them off again.
    """
    return int(fir.size // 2)


def filtered(samples: Audio, fir: Audio) -> Audio:
    """Return sound through a symmetric filter, not delayed.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        Before and after it there is silence.
    fir : ndarray, shape (taps,), float32
        Of odd length, its middle at time 0; see `tone_filter` and
        `syncvid.mix.cleaning.high_pass.high_pass_response`.

    Returns
    -------
    ndarray, shape (channels, samples), float32
        As long as what was given; the same array for a unit impulse.

    Raises
    ------
    SignalError
        Wrong shapes, or a filter of even length.
    """
    if samples.ndim != 2 or fir.ndim != 1 or fir.size % 2 == 0:
        raise SignalError(
            f"Filtering takes (channels, samples) and an odd number of taps, not {samples.shape} "
            f"and {fir.shape}."
        )
    margin, length = margin_samples(fir), samples.shape[1]
    if fir[margin] == 1 and np.count_nonzero(fir) == 1:
        return samples
    size = max(fir.size, min(max(_BLOCK, 4 * fir.size), length + 2 * margin))
    size = fft.next_fast_len(size, real=True)
    gains = fft.rfft(np.roll(np.pad(fir, (0, size - fir.size)), -margin))
    out = np.empty(samples.shape, np.float32)
    useful = size - 2 * margin
    for row, channel in zip(out, samples, strict=True):
        for begin in range(0, length, useful):
            end = min(begin + useful, length)
            cut = channel[max(0, begin - margin) : min(length, end + margin)]
            if begin < margin:
                cut = np.pad(cut, (margin - begin, 0))
            block = fft.irfft(fft.rfft(cut, size) * gains, size)
            row[begin:end] = block[margin : margin + end - begin]
    return out
