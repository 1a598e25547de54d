"""Measuring recordings: levels, overload, where a sound breaks off, what is drawn of it.

Levels are plain: a full-scale sine has a peak of 0 dBFS and an RMS of -3.01 dBFS.
"""

from __future__ import annotations

import numpy as np

from syncvid.arrays import Audio, Floats, check_mono
from syncvid.production.results import Levels, Overview
from syncvid.signals.levels import measure_rms

# Level that stands for "nothing": 24 bits of noise lie above it.
FLOOR_DB = -150.0

# A recording whose peak stays below this holds no playing (project choice).
_SILENT_DBFS = -60.0

HOP_S = 0.05
"""Length of the stretches whose levels are measured, in seconds."""

# A flat top is a run of this many samples within 0.1 % of the extreme value, in the loudest
# recording that a converter can make.  Clean bass notes of E1 reach runs of 3, so ask for 6.
_FLAT_RUN = 6
_FLAT_WITHIN = 0.999

# Share of a sound's usual strength above which it still plays: -20 dB (project choice).
_STILL_PLAYING = 0.1

# Below this peak flat tops come from quiet, coarse recordings rather than from overload.
_OVERLOAD_FROM = 0.25


def measure_levels(samples: Audio, *, sample_rate: int) -> Levels:
    """Measure peak, loudness, noise and overload of a recording.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound at the rate at which it was recorded.
    sample_rate : int
        Its rate in Hz.

    Returns
    -------
    Levels
        Of silence and of an empty array: every level `FLOOR_DB`, `silent` set.
    """
    samples = check_mono(samples)
    peak = max(float(samples.max(initial=0.0)), -float(samples.min(initial=0.0)))
    hops = hop_levels(samples, sample_rate)
    if not hops.size:
        return Levels(FLOOR_DB, FLOOR_DB, FLOOR_DB, 0.0, silent=True)
    louder = np.sort(hops)[hops.size // 2 :]
    return Levels(
        peak_dbfs=_db(peak),
        loudness_dbfs=_db(float(np.sqrt(np.mean(louder**2)))),
        noise_dbfs=_db(float(np.percentile(hops, 10))),
        clipped_share=_clipped_share(samples, peak),
        silent=_db(peak) < _SILENT_DBFS,
    )


def breaks_off(samples: Audio, *, sample_rate: int) -> bool:
    """Tell whether a sound ends in the middle of the music: at full strength, without a close.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound.
    sample_rate : int
        Its rate in Hz.

    Returns
    -------
    bool
        False for silence, and for less than a second.
    """
    hops = hop_levels(check_mono(samples), sample_rate)
    if hops.size * HOP_S < 1.0 or not hops.any():
        return False
    loud = float(np.sqrt(np.mean(np.sort(hops)[hops.size // 2 :] ** 2)))
    return float(hops[-2:].max()) > loud * _STILL_PLAYING


def sounding_after_s(samples: Audio, from_s: float, *, sample_rate: int) -> float:
    """Return for how long a recording goes on playing after a moment, in seconds."""
    hops = hop_levels(check_mono(samples), sample_rate)
    if not hops.size:
        return 0.0
    loud = float(np.sqrt(np.mean(np.sort(hops)[hops.size // 2 :] ** 2)))
    after = hops[max(0, round(from_s / HOP_S)) :]
    return float(np.count_nonzero(after > loud * _STILL_PLAYING) * HOP_S)


def measure_overview(samples: Audio, *, sample_rate: int, steps: int = 600) -> Overview:
    """Measure the peaks of a recording over time, for drawing.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound.
    sample_rate : int
        Its rate in Hz.
    steps : int
        About how many entries to make.

    Returns
    -------
    Overview
        Empty for an empty recording.
    """
    samples = check_mono(samples)
    length = max(1, -(-samples.size // steps))
    padded = np.zeros(-(-samples.size // length) * length, np.float32)
    padded[: samples.size] = np.abs(samples)
    peaks = padded.reshape(-1, length).max(axis=1, initial=0.0)
    return Overview(length / sample_rate, tuple(round(float(peak), 4) for peak in peaks))


def hop_levels(samples: Audio, sample_rate: int) -> Floats:
    """Return the RMS of every `HOP_S`, shape (hops,)."""
    return measure_rms(samples, hop=max(1, round(HOP_S * sample_rate)))


def _clipped_share(samples: Audio, peak: float) -> float:
    """Return the share of samples that sit in flat tops of either polarity."""
    if peak < _OVERLOAD_FROM:
        return 0.0
    flat = np.zeros(samples.size + 2, np.bool_)
    flat[1:-1] = (samples >= peak * _FLAT_WITHIN) | (samples <= -peak * _FLAT_WITHIN)
    edges = np.flatnonzero(flat[1:] != flat[:-1])
    runs = edges[1::2] - edges[::2]
    return float(runs[runs >= _FLAT_RUN].sum() / samples.size)


def _db(amplitude: float) -> float:
    """Return decibels below full scale, not lower than `FLOOR_DB`."""
    return max(FLOOR_DB, 20.0 * float(np.log10(max(amplitude, 1e-12))))
