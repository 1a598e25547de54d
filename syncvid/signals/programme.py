"""What a finished sound measures: loudness with its gates, loudness range and true peak.

The sound runs through the standard's own filter, sample by sample; so this is a second opinion
beside `loudness`, which weighs spectra, and beside meters of other hands.

A sound of one channel counts as one loudspeaker that plays: the same sound on two channels reads
3.01 LU more.  Who wants to know how loud a mono sound is on two loudspeakers doubles it first.

References
----------
Recommendation ITU-R BS.1770-5 (2023), annexes 1 and 2.
EBU Tech 3341 (2023), momentary and short-term loudness: 400 ms and 3 s without a gate.
EBU Tech 3342 (2023), loudness range.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.errors import SignalError
from syncvid.lazily import signal
from syncvid.signals.loudness import OFFSET_DB, k_filter, lufs
from syncvid.signals.peaks_between import PeakSearch
from syncvid.timeline import to_samples

# EBU Tech 3341: windows of momentary and of short-term loudness; a meter reads ten times a second.
_MOMENTARY_S, _SHORT_TERM_S, _STEP_S = 0.4, 3.0, 0.1

# BS.1770-5, annex 1: the gates of integrated loudness; its blocks are those of the momentary one.
_ABSOLUTE_GATE_LUFS, _RELATIVE_GATE_LU = -70.0, -10.0

# EBU Tech 3342: the second gate of loudness range, and which shares of the time lie below its ends.
_RANGE_GATE_LU, _RANGE_FROM, _RANGE_TO = -20.0, 0.10, 0.95

# Mean power of what is nothing but the filter dying away: -200 LUFS.
_SILENT = 1e-20

# Samples at a time: they stay in the processor's cache.
_BLOCK = 1 << 15

# Below, the shelf of the filter has no meaning.
_LEAST_RATE = 8000


@dataclass(frozen=True, slots=True)
class Measured:
    """What a finished sound measures.

    Attributes
    ----------
    integrated_lufs : float or None
        Loudness of the whole with both gates; None if nothing lies above -70 LUFS, or if it is
        shorter than 400 ms.
    momentary_lufs, short_term_lufs : float or None
        Highest loudness of 400 ms and of 3 s; None for silence and for a sound that is shorter.
    range_lu : float or None
        Loudness range; None for a sound shorter than 3 s or nowhere above -70 LUFS.
    true_peak_dbtp : float
        Highest level between the samples too; minus infinity for silence.
    sample_peak_dbfs : float
        Highest level of the samples; minus infinity for silence.
    """

    integrated_lufs: float | None
    momentary_lufs: float | None
    short_term_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float
    sample_peak_dbfs: float


class Meter:
    """Measures a sound that comes in blocks.

    Parameters
    ----------
    channels : int
        1 or 2.
    sample_rate : int
        In Hz, 8000 or more.

    Raises
    ------
    SignalError
        Another number of channels, or a lower rate.
    """

    def __init__(self, channels: int, *, sample_rate: int) -> None:
        self._powers = _Powers(channels, sample_rate, _STEP_S)
        self._peaks = PeakSearch(channels)

    def __call__(self, samples: Audio) -> None:
        """Take the next block, shape (channels, samples), float32.

        Raises
        ------
        SignalError
            Another shape, or values that are not finite.
        """
        for block in _blocks(samples, self._powers.channels):
            self._powers(block)
            self._peaks(block)

    def measured(self) -> Measured:
        """Return what was measured up to here; the meter is at its end then."""
        powers = self._powers.steps()
        momentary = _levels(_windows(powers, _MOMENTARY_S, _STEP_S))
        short_term = _levels(_windows(powers, _SHORT_TERM_S, _STEP_S))
        return Measured(
            integrated_lufs=_integrated(momentary),
            momentary_lufs=_highest(momentary),
            short_term_lufs=_highest(short_term),
            range_lu=_range(short_term),
            true_peak_dbtp=_decibels(self._peaks.finish()),
            sample_peak_dbfs=_decibels(self._peaks.sample_peak),
        )


def measure_programme(samples: Audio, *, sample_rate: int) -> Measured:
    """Measure a finished sound.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        One channel or two; one counts as one loudspeaker, 3.01 LU less than the same on two.
    sample_rate : int
        In Hz, 8000 or more.

    Returns
    -------
    Measured
        For silence, and for a sound shorter than a window, None or minus infinity where no figure
        can be given.

    Raises
    ------
    SignalError
        Another shape, a lower rate, or values that are not finite.
    """
    meter = Meter(_channels(samples), sample_rate=sample_rate)
    meter(samples)
    return meter.measured()


def integrated_lufs(samples: Audio, *, sample_rate: int) -> float | None:
    """Return the loudness of a whole sound with both gates.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        One channel or two; one counts as one loudspeaker.
    sample_rate : int
        In Hz, 8000 or more.

    Returns
    -------
    float or None
        In LUFS; None if nothing lies above -70 LUFS, or if it is shorter than 400 ms.

    Raises
    ------
    SignalError
        Another shape, a lower rate, or values that are not finite.
    """
    return _integrated(momentary_lufs(samples, sample_rate=sample_rate))


def momentary_lufs(samples: Audio, *, sample_rate: int, step_s: float = _STEP_S) -> Floats:
    """Return the loudness of each 400 ms, without a gate.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        One channel or two; one counts as one loudspeaker.
    sample_rate : int
        In Hz, 8000 or more.
    step_s : float
        From one value to the next; 400 ms are a whole number of steps.

    Returns
    -------
    ndarray, shape (values,), float64
        In LUFS; value k is that of the 400 ms from ``k * step_s`` on.  Minus infinity for silence;
        empty for a sound shorter than 400 ms.

    Raises
    ------
    SignalError
        Another shape, a lower rate, a step that does not fit, or values that are not finite.
    """
    return _over_time(samples, sample_rate, _MOMENTARY_S, step_s)


def short_term_lufs(samples: Audio, *, sample_rate: int, step_s: float = _STEP_S) -> Floats:
    """Return the loudness of each 3 s, without a gate.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        One channel or two; one counts as one loudspeaker.
    sample_rate : int
        In Hz, 8000 or more.
    step_s : float
        From one value to the next; 3 s are a whole number of steps.

    Returns
    -------
    ndarray, shape (values,), float64
        In LUFS; value k is that of the 3 s from ``k * step_s`` on.  Minus infinity for silence;
        empty for a sound shorter than 3 s.

    Raises
    ------
    SignalError
        Another shape, a lower rate, a step that does not fit, or values that are not finite.
    """
    return _over_time(samples, sample_rate, _SHORT_TERM_S, step_s)


def true_peak_dbtp(samples: Audio, *, sample_rate: int) -> float:
    """Return the highest level of a sound, between its samples too.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        One channel or two.  Content of up to 20 kHz at 44.1 kHz or above is read within 0.05 dB.
    sample_rate : int
        In Hz; the level does not depend on it.

    Returns
    -------
    float
        In dB of full scale; minus infinity for silence.

    Raises
    ------
    SignalError
        Another shape, or values that are not finite.
    """
    _check_rate(sample_rate)
    search = PeakSearch(_channels(samples))
    for block in _blocks(samples, len(samples)):
        search(block)
    return _decibels(search.finish())


class _Powers:
    """Sums the K-weighted energy of each step of a sound that comes in blocks."""

    def __init__(self, channels: int, sample_rate: int, step_s: float) -> None:
        _check_channels(channels)
        _check_rate(sample_rate)
        self.channels = channels
        self._step = max(1, to_samples(step_s, sample_rate))
        self._sections = k_filter(sample_rate)
        self._state = np.zeros((len(self._sections), channels, 2))
        self._left = np.zeros((channels, 0))
        self._energies: list[Floats] = []

    def __call__(self, block: Audio) -> None:
        """Take the next block, shape (channels, samples)."""
        # The filter's poles lie so near 1 that it must not run in single precision.
        weighted, state = signal.sosfilt(
            self._sections, block.astype(np.float64), zi=self._state, axis=1
        )
        # What dies away for ever would be computed with the slowest of numbers.
        state[np.abs(state) < np.finfo(np.float32).tiny] = 0.0
        self._state = state
        joined = np.concatenate((self._left, weighted), axis=1)
        steps = joined.shape[1] // self._step
        whole = joined[:, : steps * self._step].reshape(self.channels, steps, self._step)
        self._energies.append(np.einsum("cks,cks->k", whole, whole))
        self._left = joined[:, steps * self._step :]

    def steps(self) -> Floats:
        """Return the mean power of each whole step, summed over the channels."""
        energies = np.concatenate(self._energies) if self._energies else np.zeros(0)
        return np.asarray(energies / self._step, np.float64)


def _over_time(samples: Audio, sample_rate: int, window_s: float, step_s: float) -> Floats:
    """Return the loudness of each window."""
    steps = window_s / step_s if step_s > 0 else 0.0
    if round(steps) < 1 or abs(steps - round(steps)) > 1e-6:
        raise SignalError(f"{window_s:g} s are no whole number of steps of {step_s!r} s.")
    powers = _Powers(_channels(samples), sample_rate, step_s)
    for block in _blocks(samples, powers.channels):
        powers(block)
    return _levels(_windows(powers.steps(), window_s, step_s))


def _windows(powers: Floats, window_s: float, step_s: float) -> Floats:
    """Return the mean power of each window of so many steps, shape (windows,)."""
    steps = round(window_s / step_s)
    if powers.size < steps:
        return np.zeros(0)
    # Summed anew for each: differences of running sums would leave a trace of what was loud.
    return np.asarray(np.convolve(powers, np.ones(steps), "valid") / steps, np.float64)


def _levels(powers: Floats) -> Floats:
    """Return the loudness of mean powers; minus infinity for silence."""
    levels = np.full(powers.shape, -np.inf)
    np.log10(powers, out=levels, where=powers > _SILENT)
    return OFFSET_DB + 10 * levels


def _integrated(momentary: Floats) -> float | None:
    """Return the loudness of what lies above both gates (BS.1770-5, annex 1, equations 4 to 7)."""
    kept = _gated(momentary, _RELATIVE_GATE_LU)
    return _mean(kept) if kept.size else None


def _range(short_term: Floats) -> float | None:
    """Return the loudness range (EBU Tech 3342, section 4)."""
    kept = np.sort(_gated(short_term, _RANGE_GATE_LU))
    if not kept.size:
        return None
    # The nearest value, as the document's own program takes it.
    low, high = (int((kept.size - 1) * share + 0.5) for share in (_RANGE_FROM, _RANGE_TO))
    return float(kept[high] - kept[low])


def _gated(levels: Floats, relative_lu: float) -> Floats:
    """Return what lies above -70 LUFS and above the relative gate."""
    kept = levels[levels > _ABSOLUTE_GATE_LUFS]
    return kept[kept > _mean(kept) + relative_lu] if kept.size else kept


def _mean(levels: Floats) -> float:
    """Return the loudness of the mean power of loudnesses."""
    return lufs(float(np.mean(10 ** ((levels - OFFSET_DB) / 10))))


def _highest(levels: Floats) -> float | None:
    """Return the highest loudness; None for silence."""
    highest = float(levels.max(initial=-np.inf))
    return highest if math.isfinite(highest) else None


def _blocks(samples: Audio, channels: int) -> Iterator[Audio]:
    """Return checked blocks of a sound, shape (channels, samples)."""
    if _channels(samples) != channels:
        raise SignalError(f"The meter hears {channels} channels, not {len(samples)}.")
    for first in range(0, samples.shape[1], _BLOCK):
        block = np.asarray(samples[:, first : first + _BLOCK], np.float32)
        if not np.isfinite(block).all():
            raise SignalError("The sound holds values that are not finite.")
        yield block


def _channels(samples: Audio) -> int:
    """Return how many channels a sound has."""
    if samples.ndim != 2:
        raise SignalError(f"Sound is (channels, samples), not of shape {samples.shape}.")
    _check_channels(len(samples))
    return len(samples)


def _check_channels(channels: int) -> None:
    """Refuse what is neither mono nor stereo: other layouts have weights of their own."""
    if channels not in (1, 2):
        raise SignalError(f"The loudness of {channels} channels cannot be told, only of 1 or 2.")


def _check_rate(sample_rate: int) -> None:
    """Refuse rates for which the filter has no meaning."""
    if sample_rate < _LEAST_RATE:
        raise SignalError(f"A sample rate of {sample_rate} Hz is below {_LEAST_RATE} Hz.")


def _decibels(magnitude: float) -> float:
    """Return a level in dB of full scale."""
    return 20 * math.log10(magnitude) if magnitude > 0 else -math.inf
