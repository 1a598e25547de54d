"""Finding mains hum in the softest moments of a recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.mix.cleaning.spectra import power_spectra

# The rate at which hum is looked for and taken out.
RATE_HZ = 4000.0

# Nominal frequencies of the world's mains, and how far they wander: grids keep within 0.2 Hz in
# ordinary operation (EN 50160 allows 1 %, for 99.5 % of a year; from memory).
_MAINS_HZ, _WANDER_HZ = (50.0, 60.0), 0.2

# Lines up to here are looked for.
_HIGHEST_HZ = 1200.0

# Two seconds show lines 2 Hz apart and still fit into rests; the spectra are read more finely than
# they are made.
_WINDOW_S, _STEPS, _FINER, _MOST_WINDOWS = 2.0, 4, 4, 600

# Fewer windows, 8 s, do not tell hum from a note.
_FEWEST_WINDOWS = 13

# The softest moments, and what a line must stand out there from the two sides of it.
_SOFT_PERCENTILE, _LINE_DB, _ALONE_DB = 5.0, 10.0, 16.0
_NEAR_HZ, _FAR_HZ = 1.5, 8.0

# A line has a top of its own: the flank of a louder note beside it has none.  A Hann window of 2 s
# shows a line 20 dB softer at this distance.
_FLANK_HZ, _FLANK_DB = 0.8, 6.0

# In the softer third of the time hum is steady (measured: within 0.1 dB where it is strong); a held
# note is not (a bow that sways by 5 dB: 2.7 dB).  The noise around a line moves it too: four fifths
# of the windows lie within 2.56 standard deviations of 6.1 dB / sqrt(ratio), and the softest
# moments overstate the ratio, so half as much again.
_STEADY_DB, _MOVED_DB = 1.5, 22.0

# A mean over so many of the lowest lines must hold one: hum without them would be something else.
_FIRST_LINES = 3


@dataclass(frozen=True, slots=True)
class Hum:
    """Lines of mains hum.

    Attributes
    ----------
    mains_hz : float
        The frequency that all are multiples of.
    overtones : tuple of int
        Which multiples were found: 1, 2, 3 and so on.
    """

    mains_hz: float
    overtones: tuple[int, ...]

    @property
    def lines_hz(self) -> Floats:
        """Their frequencies, shape (lines,)."""
        return self.mains_hz * np.array(self.overtones, np.float64)


def find_hum(channels: Sequence[Audio], *, rate_hz: float) -> Hum | None:
    """Find the hum of a recording.

    Parameters
    ----------
    channels : sequence of ndarray, shape (samples,), float32
        At about `RATE_HZ`.
    rate_hz : float
        Their sample rate.

    Returns
    -------
    Hum or None
        None where nothing is found, in silence, and in sounds shorter than 8 s.
    """
    powers, bin_hz = _spectra(channels, rate_hz)
    if len(powers) < _FEWEST_WINDOWS:
        return None
    soft: Floats = np.percentile(powers, _SOFT_PERCENTILE, axis=0).astype(np.float64)
    found = [hum for mains_hz in _MAINS_HZ if (hum := _search(soft, powers, mains_hz, bin_hz))]
    return max(found, key=lambda pair: pair[1])[0] if found else None


def _spectra(channels: Sequence[Audio], rate_hz: float) -> tuple[Audio, float]:
    """Return fine spectra of the lows, all channels together, where there is a recording."""
    size = 2 * round(_WINDOW_S * rate_hz / 2)
    hop = max(size // _STEPS, channels[0].size // _MOST_WINDOWS)
    bin_hz = rate_hz / size / _FINER
    keep = int((_HIGHEST_HZ + 2 * _FAR_HZ) / bin_hz)
    total = np.zeros((0, 0), np.float32)
    for channel in channels:
        powers = power_spectra(channel, size=size, hop=hop, padded=_FINER * size)[:, :keep]
        total = powers if not total.size else total + powers
    # Places without a recording are digital silence, in part or in all of a window.
    lows = total.sum(axis=1) if total.size else np.zeros(0)
    return (total[lows > 1e-9 * lows.max()] if lows.any() else total[:0]), bin_hz


def _search(
    soft: Floats, powers: Audio, mains_hz: float, bin_hz: float
) -> tuple[Hum, float] | None:
    """Find the frequency near the nominal one whose multiples stand out most, and which do."""
    tried_hz = np.arange(mains_hz - _WANDER_HZ, mains_hz + _WANDER_HZ + 1e-9, bin_hz / 16)
    numbers = np.arange(1, int(_HIGHEST_HZ / (mains_hz + _WANDER_HZ)) + 1)
    beside = np.array([_beside(soft, number * mains_hz, bin_hz) for number in numbers])
    places = np.outer(tried_hz, numbers) / bin_hz
    lines = _read(soft, places)
    above_db = 10 * np.log10(np.maximum(lines, 1e-30) / np.maximum(beside, 1e-30))
    above_db[_on_flanks(soft, places, lines, bin_hz)] = 0
    scores = np.where(above_db > _LINE_DB, above_db, 0).sum(axis=1)
    best = int(np.argmax(scores))
    chosen = [
        int(number)
        for number, db in zip(numbers, above_db[best], strict=True)
        if db > _LINE_DB and _is_steady(powers, number * tried_hz[best], db, bin_hz)
    ]
    if not chosen or chosen[0] > _FIRST_LINES:
        return None
    if len(chosen) == 1 and above_db[best][chosen[0] - 1] < _ALONE_DB:
        return None
    return Hum(float(tried_hz[best]), tuple(chosen)), float(scores[best])


def _read(soft: Floats, places: Floats) -> Floats:
    """Return the powers at places between the bins."""
    return np.interp(places.ravel(), np.arange(soft.size), soft).reshape(places.shape)


def _on_flanks(soft: Floats, places: Floats, lines: Floats, bin_hz: float) -> NDArray[np.bool_]:
    """Tell where a line is no top but the flank of another one."""
    flanks = [_read(soft, places + side * _FLANK_HZ / bin_hz) for side in (-1, 1)]
    return np.asarray(lines < 10 ** (_FLANK_DB / 10) * np.maximum(*flanks))


def _beside(soft: Floats, line_hz: float, bin_hz: float) -> float:
    """Return the power on both sides of a line: the louder side's median."""
    sides = []
    for low_hz, high_hz in ((-_FAR_HZ, -_NEAR_HZ), (_NEAR_HZ, _FAR_HZ)):
        first, last = (round((line_hz + edge) / bin_hz) for edge in (low_hz, high_hz))
        sides.append(float(np.median(soft[first:last])))
    return max(sides)


def _is_steady(powers: Audio, line_hz: float, above_db: float, bin_hz: float) -> bool:
    """Tell whether a line keeps its level in the third of the time that is softest around it."""
    place = round(line_hz / bin_hz)
    far, near = round(_FAR_HZ / bin_hz), round(_NEAR_HZ / bin_hz)
    around = powers[:, place - far : place - near].sum(axis=1)
    around = around + powers[:, place + near : place + far].sum(axis=1)
    soft = np.argsort(around)[: max(len(powers) // 3, _FEWEST_WINDOWS)]
    low, high = np.percentile(powers[soft, place], [10, 90])
    most_db = _STEADY_DB + _MOVED_DB / 10 ** (above_db / 20)
    return bool(high < 10 ** (most_db / 10) * max(low, 1e-30))
