"""How loud a stem is while it plays, how its sound is spread over pitch, where its noise lies.

The stem is measured as it will be heard: `syncvid.mix.panning.place` keeps the power of what it is
given, so one channel counts as one and two channels count as their sum, just as a meter reads the
stem's own file.  A mono stem is not taken for two equal channels, which would read 3.01 LU more.

References
----------
Recommendation ITU-R BS.1770-5 (2023), annex 1: blocks and gates.
IEC 61260-1:2014: exact centres and edges of third-octave bands, base ten; nominal centres as in
ISO 266 (both second-hand, from libraries that cite them).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.mix.door import peak_of
from syncvid.signals.loudness import OFFSET_DB, k_gains, lufs
from syncvid.timeline import to_samples

# ISO 266: nominal centres of third octaves, from the lowest notes that phones record.
BANDS_HZ = (
    31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0,
    800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0,
    10_000.0, 12_500.0, 16_000.0,
)  # fmt: skip

# What a band, and a rest, reads that holds nothing; far below the noise of any recording.
NOTHING_DB = -120.0

# BS.1770-5, annex 1: blocks of 400 ms that overlap by three quarters, and the two gates.
_STEP_S, _STEPS_IN_BLOCK = 0.1, 4
_ABSOLUTE_GATE_LUFS, _RELATIVE_GATE_LU = -70.0, -10.0

# Project choices: the part of the recording that counts as its quietest; how far that must lie
# under the music to be taken for noise; and how far music must lie over it to count.
_QUIET_SHARE = 0.1
_NOISE_UNDER_LU = 15.0
_OVER_NOISE_DB = 6.0

# Steps, and blocks, whose spectra are made at a time: they stay in the processor's cache.
_TOGETHER = 16


@dataclass(frozen=True, slots=True)
class StemMeasure:
    """What a stem measures.

    Attributes
    ----------
    loudness_lufs : float or None
        Integrated, with both gates, so that rests do not count; None if nothing lies above
        -70 LUFS, or for less than 0.4 s.
    bands_db : tuple of float
        Level of each band of `BANDS_HZ` while it plays: mean square of full scale in dB (a sine of
        amplitude 1 reads -3.01), of both channels together, the noise taken out; `NOTHING_DB`
        where the band holds nothing that stands out of the noise.
    peak_dbfs : float
        Highest sample; minus infinity for silence.
    noise_db : float
        How far the quietest tenth of the recording lies under its loudness, both K-weighted, in dB;
        digital silence, where nothing was recorded, does not count.  0 for silence.  Small for a
        part that never rests.
    """

    loudness_lufs: float | None
    bands_db: tuple[float, ...]
    peak_dbfs: float
    noise_db: float


def measure_stem(samples: Audio, *, sample_rate: int) -> StemMeasure:
    """Measure one stem.

    Parameters
    ----------
    samples : ndarray, shape (1 or 2, samples), float32
        The stem as it was recorded and cleaned.
    sample_rate : int
        In Hz.

    Returns
    -------
    StemMeasure
        For silence, and for less than 0.4 s: no loudness, no bands, no noise.

    Raises
    ------
    SignalError
        Wrong shape, or values that are not finite.
    """
    peak = peak_of(samples)
    peak_dbfs = 20 * math.log10(peak) if peak > 0 else -math.inf
    # Even, so that the last frequency has no mirror.
    step = 2 * (to_samples(_STEP_S, sample_rate) // 2)
    powers = _step_powers(samples, step, sample_rate)
    if powers.size < _STEPS_IN_BLOCK:
        powers = np.zeros(_STEPS_IN_BLOCK)
    blocks = np.convolve(powers, np.ones(_STEPS_IN_BLOCK) / _STEPS_IN_BLOCK, "valid")
    playing = _playing(blocks)
    if not playing.size:
        return StemMeasure(None, (NOTHING_DB,) * len(BANDS_HZ), peak_dbfs, 0.0)
    loudness_lufs = lufs(float(blocks[playing].mean()))
    recorded = powers[powers > _power(NOTHING_DB)]
    quiet_lufs = lufs(float(np.quantile(recorded, _QUIET_SHARE)))
    bands = _band_powers(samples, playing, step, sample_rate)
    quiet = _quiet(powers, blocks, loudness_lufs)
    noise = _band_powers(samples, quiet, step, sample_rate)
    return StemMeasure(loudness_lufs, _levels(bands, noise), peak_dbfs, loudness_lufs - quiet_lufs)


def _step_powers(samples: Audio, step: int, sample_rate: int) -> Floats:
    """Return the K-weighted power of each tenth of a second, channels added, shape (steps,)."""
    frequencies_hz = np.asarray(np.fft.rfftfreq(step, 1 / sample_rate), np.float64)
    # Parseval's theorem: all frequencies but the first and last stand for their mirror too.
    weights = 2 * k_gains(frequencies_hz, sample_rate) ** 2 / step**2
    weights[[0, -1]] /= 2
    weights = weights.astype(np.float32)
    count = samples.shape[1] // step
    powers = np.zeros(count)
    for channel in samples:
        steps = channel[: count * step].reshape(count, step)
        for first in range(0, count, _TOGETHER):
            spectra = np.fft.rfft(steps[first : first + _TOGETHER], axis=1)
            powers[first : first + _TOGETHER] += (spectra.real**2 + spectra.imag**2) @ weights
    return powers


def _playing(blocks: Floats) -> np.ndarray:
    """Return the numbers of the blocks that pass both gates."""
    loud = blocks > _power(_ABSOLUTE_GATE_LUFS)
    if not loud.any():
        return np.zeros(0, np.intp)
    gate = blocks[loud].mean() * 10 ** (_RELATIVE_GATE_LU / 10)
    return np.flatnonzero(loud & (blocks > gate))


def _quiet(powers: Floats, blocks: Floats, loudness_lufs: float) -> np.ndarray:
    """Return the numbers of the quietest blocks, none where they are not far below the music."""
    silent = np.convolve(powers <= _power(NOTHING_DB), np.ones(_STEPS_IN_BLOCK), "valid") > 0
    recorded = np.flatnonzero(~silent)
    if not recorded.size:
        return recorded
    highest = np.quantile(blocks[recorded], _QUIET_SHARE)
    if highest > _power(loudness_lufs - _NOISE_UNDER_LU):
        return np.zeros(0, np.intp)
    return recorded[blocks[recorded] <= highest]


def _band_powers(samples: Audio, blocks: np.ndarray, step: int, sample_rate: int) -> Floats:
    """Return the mean power in each band over some blocks, channels added, shape (bands,)."""
    size = step * _STEPS_IN_BLOCK
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    total = np.zeros(size // 2 + 1)
    # Every fourth of them: no two share a sample, and all of the music is looked at.
    apart = blocks[::_STEPS_IN_BLOCK]
    for channel in samples:
        for first in range(0, apart.size, _TOGETHER):
            begins = apart[first : first + _TOGETHER] * step
            cut = np.stack([channel[begin : begin + size] for begin in begins])
            spectra = np.fft.rfft(cut * window, axis=1)
            total += (spectra.real**2 + spectra.imag**2).sum(axis=0)
    scale = 2 / (max(apart.size, 1) * size * float(np.dot(window, window)))
    return np.asarray(scale * (_shares(size, sample_rate) @ total))


def _shares(size: int, sample_rate: int) -> Floats:
    """Return which share of each frequency lies in each band, shape (bands, frequencies)."""
    width_hz = sample_rate / size
    frequencies_hz = np.arange(size // 2 + 1) * width_hz
    # IEC 61260-1, base ten: centres 1000 * 10^(n/10) Hz, edges a twentieth of a decade away.
    steps = np.round(10 * np.log10(np.array(BANDS_HZ) / 1000))[:, np.newaxis]
    low, high = 1000 * 10 ** (steps / 10 - 0.05), 1000 * 10 ** (steps / 10 + 0.05)
    inside = np.minimum(high, frequencies_hz + width_hz / 2)
    inside = inside - np.maximum(low, frequencies_hz - width_hz / 2)
    # A band that the rate cuts off is not measured.
    return np.asarray(np.clip(inside / width_hz, 0, 1) * (high <= sample_rate / 2))


def _levels(bands: Floats, noise: Floats) -> tuple[float, ...]:
    """Return the level of each band without its noise, in dB."""
    heard = (bands > noise * 10 ** (_OVER_NOISE_DB / 10)) & (bands > 10 ** (NOTHING_DB / 10))
    music = np.where(heard, bands - noise, 1.0)
    levels = np.where(heard, 10 * np.log10(music), NOTHING_DB)
    return tuple(map(float, np.maximum(levels, NOTHING_DB)))


def _power(loudness_lufs: float) -> float:
    """Return the K-weighted power of a loudness."""
    return float(10 ** ((loudness_lufs - OFFSET_DB) / 10))
