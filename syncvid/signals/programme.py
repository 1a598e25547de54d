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
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.errors import SignalError
from syncvid.signals.loudness import OFFSET_DB, lufs
from syncvid.signals.peaks_between import PeakSearch
from syncvid.signals.weighted import (
    WeightedPowers,
    blocks,
    check_rate,
    count_channels,
    levels_lufs,
    windows,
)

# EBU Tech 3341: windows of momentary and of short-term loudness; a meter reads ten times a second.
_MOMENTARY_S, _SHORT_TERM_S, _STEP_S = 0.4, 3.0, 0.1

# The highest loudness is looked for in finer steps: ten a second would miss 0.6 LU of a sound of
# 400 ms that begins between two of them (Tech 3341, case 13).
_FINE_S, _FINE_IN_STEP = 0.01, 10

# BS.1770-5, annex 1: the gates of integrated loudness.  Its blocks are those of the momentary one,
# ten a second.
_ABSOLUTE_GATE_LUFS, _RELATIVE_GATE_LU = -70.0, -10.0

# EBU Tech 3342: the second gate of loudness range, and which shares of the time lie below its ends.
_RANGE_GATE_LU, _RANGE_FROM, _RANGE_TO = -20.0, 0.10, 0.95


@dataclass(frozen=True, slots=True)
class Measured:
    """What a finished sound measures.

    Attributes
    ----------
    integrated_lufs : float or None
        Loudness of the whole with both gates; None if nothing lies above -70 LUFS, or if it is
        shorter than 400 ms.
    momentary_lufs, short_term_lufs : float or None
        Highest loudness of any 400 ms and of any 3 s; None for silence and for a sound that is
        shorter.
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
        self._powers = WeightedPowers(channels, sample_rate=sample_rate, step_s=_FINE_S)
        self._peaks = PeakSearch(channels)

    def __call__(self, samples: Audio) -> None:
        """Take the next block, shape (channels, samples), float32.

        Raises
        ------
        SignalError
            Another shape, or values that are not finite.
        """
        for block in blocks(samples, self._powers.channels):
            self._powers(block)
            self._peaks(block)

    def measured(self) -> Measured:
        """Return what was measured up to here; the meter is at its end then."""
        powers = self._powers.steps()
        momentary = levels_lufs(windows(powers, round(_MOMENTARY_S / _FINE_S)))
        short_term = levels_lufs(windows(powers, round(_SHORT_TERM_S / _FINE_S)))
        return Measured(
            integrated_lufs=_integrated(momentary[::_FINE_IN_STEP]),
            momentary_lufs=_highest(momentary),
            short_term_lufs=_highest(short_term),
            range_lu=_range(short_term[::_FINE_IN_STEP]),
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
    meter = Meter(count_channels(samples), sample_rate=sample_rate)
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
    momentary = momentary_lufs(samples, sample_rate=sample_rate, step_s=_FINE_S)
    return _integrated(momentary[::_FINE_IN_STEP])


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
        In Hz, 8000 or more; the level does not depend on it.

    Returns
    -------
    float
        In dB of full scale; minus infinity for silence.

    Raises
    ------
    SignalError
        Another shape, a lower rate, or values that are not finite.
    """
    check_rate(sample_rate)
    search = PeakSearch(count_channels(samples))
    for block in blocks(samples, len(samples)):
        search(block)
    return _decibels(search.finish())


def _over_time(samples: Audio, sample_rate: int, window_s: float, step_s: float) -> Floats:
    """Return the loudness of each window."""
    steps = window_s / step_s if step_s > 0 else 0.0
    if round(steps) < 1 or abs(steps - round(steps)) > 1e-6:
        raise SignalError(f"{window_s:g} s are no whole number of steps of {step_s!r} s.")
    powers = WeightedPowers(count_channels(samples), sample_rate=sample_rate, step_s=step_s)
    for block in blocks(samples, powers.channels):
        powers(block)
    return levels_lufs(windows(powers.steps(), round(steps)))


def _integrated(momentary: Floats) -> float | None:
    """Return the loudness of what lies above both gates (BS.1770-5, annex 1)."""
    kept = _gated(momentary, _RELATIVE_GATE_LU)
    return _mean(kept) if kept.size else None


def _range(short_term: Floats) -> float | None:
    """Return the loudness range (EBU Tech 3342)."""
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


def _decibels(magnitude: float) -> float:
    """Return a level in dB of full scale."""
    return 20 * math.log10(magnitude) if magnitude > 0 else -math.inf
