"""What is heard of a take near a splice: where it rests, where notes begin, where it is cut off."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.lazily import ndimage, signal
from syncvid.mix.first_sounds import first_sounds
from syncvid.timeline import to_samples

# Levels: the mean power of 24 ms, which holds a period of the lowest notes, every 2 ms.
HOP_S = 0.002
_LEVEL_S = 0.024

# Rumble below the lowest notes is no music.
_RUMBLE_HZ = 60.0

# Lower than this a sound is not there: the take has not begun, or has ended.
_NOTHING = 1e-5
_NOTHING_DB = -100.0

# A take rests where it is less than so far above its own quietest moment, if it also becomes so
# much louder than that; what lies far below its loudest is a rest in any case.
_ABOVE_FLOOR_DB = 9.0
_LEAST_RANGE_DB = 15.0
_DEEPEST_DB = 50.0
_SILENT_DBFS = -75.0

# A take that is equally loud all the time holds a note if a line stands out of its spectrum by so
# much, above the mains hum; else, unless it is loud, it is the noise of a room.
_LINE_DB = 14.0
_LINES_FROM_HZ = 200.0
_LOUD_NOISE_DBFS = -35.0

# Nor is a moment a rest that is only less loud, where a line stands out of so short a sound: chance
# makes lines of some 10 dB there.
_CLEAR_RANGE_DB = 35.0
_MOMENT_S = 0.064
_MOMENTS_LINE_DB = 20.0

# So long after its first sound a note is heard.
_NOTE_AFTER_S = 0.030

# A take is cut off if its first moment is as loud as what follows within so many decibels.
_EDGE_S = 0.003
_INNER_S = (0.010, 0.030)
_SUDDEN_DB = 6.0
_STEADY_S = (0.100, 0.150)
_STEADY_DB = 1.0
_JUMP = 2.0


@dataclass(frozen=True, slots=True)
class Heard:
    """One take near a splice; times in seconds from the beginning of its array.

    Attributes
    ----------
    level_db : ndarray, shape (hops,), float64
        Level against the take's loudest moments, every `HOP_S`.
    resting : ndarray, shape (hops,), bool
        Where it is not above its own noise.
    there : ndarray, shape (hops,), bool
        Where it exists at all.
    attacks_s : ndarray, shape (attacks,), float64
        The first sound of each attack.
    rises_db : ndarray, shape (attacks,), float64
        How clear it is.
    cut_off_before_s, cut_off_after_s : float or None
        Where the take begins, or ends, within a note.
    """

    level_db: Floats
    resting: NDArray[np.bool_]
    there: NDArray[np.bool_]
    attacks_s: Floats
    rises_db: Floats
    cut_off_before_s: float | None = None
    cut_off_after_s: float | None = None


def hear(samples: Audio, *, sample_rate: int) -> Heard:
    """Listen to a take near a splice.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono, finite; some seconds of it.
    sample_rate : int
        In Hz; 16 000 is what this is made for.

    Returns
    -------
    Heard
        Silence rests all the time, and has no attacks.
    """
    level_dbfs = _levels(samples, sample_rate)
    sounding = np.flatnonzero(np.abs(samples) > _NOTHING)
    hops = np.arange(level_dbfs.size) * HOP_S
    if not sounding.size:
        nothing, no = np.zeros(0), np.zeros(hops.size, np.bool_)
        return Heard(np.full(hops.size, _NOTHING_DB), ~no, no, nothing, nothing)
    first_s, last_s = sounding[0] / sample_rate, (sounding[-1] + 1) / sample_rate
    there = (hops >= first_s) & (hops < last_s)
    resting = ~there | _rests(level_dbfs, there, samples, sample_rate)
    loudest = _loudest(level_dbfs, there)
    attacks_s, rises_db = _attacks(samples, resting, sample_rate)
    heard = Heard(level_dbfs - loudest, resting, there, attacks_s, rises_db)
    return _with_cuts(heard, samples, (int(sounding[0]), int(sounding[-1]) + 1), sample_rate)


def _levels(samples: Audio, sample_rate: int) -> Floats:
    """Return the level in dBFS (plain RMS) every `HOP_S`, at least -100."""
    sections = signal.butter(2, _RUMBLE_HZ, "highpass", fs=sample_rate, output="sos")
    power = signal.sosfilt(sections, samples.astype(np.float64)) ** 2
    mean = ndimage.uniform_filter1d(power, to_samples(_LEVEL_S, sample_rate), mode="nearest")
    hops = int(samples.size / sample_rate / HOP_S)
    at = np.minimum(np.round(np.arange(hops) * HOP_S * sample_rate).astype(int), samples.size - 1)
    # Running sums may fall below zero by their rounding.
    return np.asarray(10 * np.log10(np.maximum(mean[at], 10 ** (_NOTHING_DB / 10))), np.float64)


def _loudest(level_dbfs: Floats, there: NDArray[np.bool_]) -> float:
    """Return the level of the loudest moments."""
    return float(np.percentile(level_dbfs[there], 95)) if there.any() else _NOTHING_DB


def _rests(
    level_dbfs: Floats, there: NDArray[np.bool_], samples: Audio, sample_rate: int
) -> NDArray[np.bool_]:
    """Return where a take is not above its own noise."""
    # The edges of what is there hold half a window of nothing.
    whole = ndimage.binary_erosion(there, iterations=round(_LEVEL_S / HOP_S / 2), border_value=1)
    heard = level_dbfs[whole & (level_dbfs > _NOTHING_DB)]
    if not heard.size:
        return np.ones(there.size, np.bool_)
    # Not a percentile: a note may just reach into a long rest.
    loud, floor = float(heard.max()), float(heard.min())
    if loud < _SILENT_DBFS + _ABOVE_FLOOR_DB:
        return np.ones(there.size, np.bool_)
    if loud - floor < _LEAST_RANGE_DB:
        noise = loud < _LOUD_NOISE_DBFS and not _holds_a_note(samples, sample_rate)
        return np.full(there.size, noise)
    quietest = int(np.argmin(np.where(whole & (level_dbfs > _NOTHING_DB), level_dbfs, np.inf)))
    if loud - floor < _CLEAR_RANGE_DB and _rings(samples, quietest * HOP_S, sample_rate):
        return np.zeros(there.size, np.bool_)
    floor = max(floor, loud - _DEEPEST_DB, _SILENT_DBFS)
    return np.asarray(level_dbfs < floor + _ABOVE_FLOOR_DB, np.bool_)


def _holds_a_note(samples: Audio, sample_rate: int) -> bool:
    """Return whether a line stands out of the spectrum of the whole."""
    size = min(samples.size, to_samples(0.128, sample_rate))
    return _line_db(samples, size, sample_rate) > _LINE_DB


def _rings(samples: Audio, at_s: float, sample_rate: int) -> bool:
    """Return whether a note still sounds at a moment."""
    size = to_samples(_MOMENT_S, sample_rate)
    first = max(0, min(samples.size, to_samples(at_s + _MOMENT_S / 2, sample_rate)) - size)
    return _line_db(samples[first : first + size], size, sample_rate) > _MOMENTS_LINE_DB


def _line_db(samples: Audio, size: int, sample_rate: int) -> float:
    """Return how far the clearest line stands out of the spectrum."""
    sound, size = samples.astype(np.float64), min(size, samples.size)
    frequencies_hz, power = signal.welch(sound, sample_rate, nperseg=size)
    spectrum_db = 10 * np.log10(power + 1e-20)
    around_db = ndimage.median_filter(spectrum_db, min(31, spectrum_db.size))
    above = frequencies_hz >= _LINES_FROM_HZ
    return float((spectrum_db - around_db)[above].max(initial=0.0))


def _attacks(samples: Audio, resting: NDArray[np.bool_], sample_rate: int) -> tuple[Floats, Floats]:
    """Return the first sound of each attack that is louder than noise, and how clear it is."""
    first_s, rises_db = first_sounds(samples, sample_rate=sample_rate)
    later = ((first_s + _NOTE_AFTER_S) / HOP_S).astype(int)
    sounds = ~resting[np.minimum(later, max(0, resting.size - 1))] if resting.size else later > 0
    return first_s[sounds], rises_db[sounds]


def _with_cuts(heard: Heard, samples: Audio, ends: tuple[int, int], sample_rate: int) -> Heard:
    """Return the same with where the take begins or ends within a note."""
    first, last = ends
    tolerance = to_samples(0.002, sample_rate)
    begins = first > tolerance and _sudden(samples[first:], sample_rate, heard, first)
    stops = last < samples.size - tolerance and _sudden(
        samples[:last][::-1], sample_rate, heard, last - 1
    )
    if begins:
        # That is no attack.
        real = np.abs(heard.attacks_s - first / sample_rate) > 0.012
        heard = replace(
            heard,
            attacks_s=heard.attacks_s[real],
            rises_db=heard.rises_db[real],
            cut_off_before_s=first / sample_rate,
        )
    return replace(heard, cut_off_after_s=last / sample_rate) if stops else heard


def _sudden(samples: Audio, sample_rate: int, heard: Heard, at: int) -> bool:
    """Return whether a sound starts as if it had gone on before."""
    inner, steady = (
        samples[slice(*(to_samples(edge, sample_rate) for edge in span))].astype(np.float64)
        for span in (_INNER_S, _STEADY_S)
    )
    hop = min(round(at / sample_rate / HOP_S), heard.resting.size - 1)
    nearby = heard.resting[max(0, hop - 10) : hop + 11]
    if inner.size < 2 or nearby.all():
        return False
    edge = samples[: to_samples(_EDGE_S, sample_rate)].astype(np.float64)
    jump = np.abs(np.diff(edge, prepend=0.0)).max() > _JUMP * np.abs(np.diff(inner)).max()
    edge_db, inner_db, steady_db = (
        10 * np.log10(np.mean(np.square(piece)) + 1e-12) if piece.size else 0.0
        for piece in (edge, inner, steady)
    )
    full = edge_db > inner_db - _SUDDEN_DB and abs(steady_db - inner_db) < _STEADY_DB
    return bool(jump or full)
