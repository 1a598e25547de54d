"""Clipped tops are rounded out from their sides.

A recording that was too loud has flat tops.  What was there is not known, but a curve that goes on
from both sides as they rise and fall comes much nearer to it than the flat top does: first a cubic,
then, once the recording's own spectrum can be told from what the cubics have mended, what a sound
of that spectrum most probably did between its sides.

What is flat is told by the sides.  Above any level the top of a smooth wave rises in proportion to
how steep it is where it crosses that level, and to how long it stays above it; a clipped one stays
there as long and rises by next to nothing.  So the long flat-looking top of a loud bass note is not
taken for a clipped one, and a top that lossy coding has rippled is.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.mix.cleaning.result import Cleaned
from syncvid.mix.door import check_stem
from syncvid.timeline import clock_text

# Levels, as shares of the highest sample, above which tops may lie: the first for plain clipping,
# the others for tops that lossy coding has rippled (project choice, by trial with AAC at 64-192k).
_LEVELS = (0.998, 0.98, 0.96, 0.93, 0.90, 0.86, 0.82)

# Of the tops found at any level, the share that the level must find, and of those above a level
# the share that must be flat (project choice).
_OF_ALL, _OF_THOSE_ABOVE = 0.8, 0.3

# A top is flat if it rises by less than this share of what its sides promise (project choice).
_FLAT = 0.35

# Fewer clipped places than this may be chance; shorter ones are as good as whole.
_FEWEST, _SHORTEST_SAMPLES = 3, 3

# Longer ones are no tops: a quarter of the period of 25 Hz.
_LONGEST_S = 0.010

# Softer recordings are not looked at: clipping happens before the codec, but not at -26 dBFS.
_QUIETEST = 0.05

# Samples on each side of a top that say how it goes on: half its length, within these.
_FEWEST_BESIDE, _MOST_BESIDE = 3, 24

# Samples on each side from which the spectrum's curve is told, and the share of the power that is
# taken for noise in them (both by trial: more samples, or less noise, gain nothing).
_SIDE, _NOISE = 48, 1e-6

# Length of the stretches whose spectra are added up.
_STRETCH = 8192

# By how much a top may be raised: 6 dB.
_MOST = 2.0

# How many samples of tops are looked at together: bounds memory.
_TOGETHER = 1 << 20


class _Tops(NamedTuple):
    """Clipped places of one channel and polarity: from `starts` to before `stops`."""

    starts: NDArray[np.intp]
    stops: NDArray[np.intp]


_NONE = _Tops(np.zeros(0, np.intp), np.zeros(0, np.intp))


def tame_peaks(samples: Audio, *, sample_rate: int) -> Cleaned:
    """Round out clipped tops by what their sides promise.

    The whole is not made softer: values may lie beyond full scale afterwards.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        A stem of one or two channels.
    sample_rate : int
        In Hz.

    Returns
    -------
    Cleaned
        The same array where nothing is clipped: silence, a sound of a few samples, and any sound
        with fewer than three clipped places.

    Raises
    ------
    SignalError
        See `check_stem`.

    Notes
    -----
    Each top becomes what a Gaussian process with the recording's own autocorrelation expects
    between its sides, but is nowhere lower than the flat top was, and is raised by 6 dB at most.
    Near the ends of the recording it becomes the cubic that fits its sides best.
    """
    check_stem(samples, sample_rate=sample_rate)
    longest = round(_LONGEST_S * sample_rate)
    found = [(sign, row, _find_tops(sign * row, longest)) for row in samples for sign in (1, -1)]
    if sum(tops.starts.size for _, _, tops in found) < _FEWEST:
        return Cleaned(samples, "No clipped places were found.", False)
    out = samples.copy()
    rows = np.repeat(np.arange(len(out)), 2)
    rounded = [
        _Tops(tops.starts[done], tops.stops[done])
        for row, (sign, given, tops) in zip(rows, found, strict=True)
        for done in [_round_out(out[row], given, sign, tops, _cubic)]
    ]
    places, first = _places(rounded)
    if not places:
        return Cleaned(samples, "Clipped places were found, but none that can be mended.", False)
    probable = partial(_probable, _correlation(out, longest + 2 * _SIDE))
    for row, (sign, given, _), tops in zip(rows, found, rounded, strict=True):
        _round_out(out[row], given, sign, tops, probable)
    raised = np.abs(out).max() / np.abs(samples).max()
    were = "1 clipped place was" if places == 1 else f"{places:,} clipped places were"
    told = (
        f"{were} rounded out, the first at {clock_text(first / sample_rate)}; the highest top "
        f"rose by {20 * np.log10(raised):.1f} dB."
    )
    return Cleaned(out, told, True)


def _find_tops(row: Audio, longest: int) -> _Tops:
    """Return the flat tops on the upper side of a channel."""
    peak = float(row.max(initial=0.0))
    if peak < _QUIETEST or row.size <= 2 * _FEWEST_BESIDE:
        return _NONE
    at = np.flatnonzero(row >= np.float32(_LEVELS[-1] * peak))
    values = row[at]
    tried = []
    for level in (share * peak for share in _LEVELS):
        above = values >= np.float32(level)
        tops, heights = _runs(at[above], values[above])
        lengths = tops.stops - tops.starts
        fit = lengths >= _SHORTEST_SAMPLES
        flat = fit & (lengths <= longest) & _are_flat(row, tops, heights - level)
        usual = flat.sum() >= _OF_THOSE_ABOVE * fit.sum()
        tried.append(_Tops(tops.starts[flat], tops.stops[flat]) if usual else _NONE)
    found = [int((tops.stops - tops.starts).sum()) for tops in tried]
    return next(
        tops for tops, length in zip(tried, found, strict=True) if length >= _OF_ALL * max(found)
    )


def _runs(at: NDArray[np.intp], values: Audio) -> tuple[_Tops, Audio]:
    """Return the runs of neighbouring positions, and the highest value of each."""
    if not at.size:
        return _NONE, np.zeros(0, np.float32)
    first = np.concatenate(([0], np.flatnonzero(np.diff(at) > 1) + 1))
    last = np.concatenate((first[1:], [at.size])) - 1
    return _Tops(at[first], at[last] + 1), np.maximum.reduceat(values, first)


def _are_flat(row: Audio, tops: _Tops, rises: Audio) -> NDArray[np.bool_]:
    """Tell which tops rise less than a parabola with their sides would; shape (tops,)."""
    inside = (tops.starts >= 3) & (tops.stops + 2 < row.size)
    before, after = np.maximum(tops.starts, 3), np.minimum(tops.stops, row.size - 3)
    left = (row[before - 1] - row[before - 3]) / 2
    right = (row[after] - row[after + 2]) / 2
    # A parabola's slope grows evenly with the distance from its top; both slopes are taken two
    # samples beyond the outermost ones of the run.
    reach = (tops.stops - tops.starts - 1) / 2
    promised = (left + right) / 2 / (reach + 2) * reach**2 / 2
    return np.asarray(inside & (left > 0) & (right > 0) & (rises < _FLAT * promised))


def _round_out(
    row: Audio, given: Audio, sign: int, tops: _Tops, curve_of: Callable[[int], Audio]
) -> NDArray[np.bool_]:
    """Round out tops in place, and tell which ones were.

    `curve_of` returns what each sample of a top of some length takes from each one beside it.
    """
    lengths = tops.stops - tops.starts
    done = np.zeros(lengths.size, np.bool_)
    for length in np.unique(lengths):
        weights = curve_of(int(length))
        beside = weights.shape[1] // 2
        fits = (tops.starts >= beside) & (tops.stops + beside <= row.size)
        these = np.flatnonzero((lengths == length) & fits)
        sides = np.concatenate((np.arange(-beside, 0), length + np.arange(beside)))
        for some in np.array_split(these, 1 + these.size * int(length) // _TOGETHER):
            starts = tops.starts[some, np.newaxis]
            inside = starts + np.arange(length)
            flat = sign * given[inside]
            curve = _limited((sign * row[starts + sides]) @ weights.T, flat)
            mended = curve.max(axis=1) > flat.max(axis=1)
            row[inside[mended]] = sign * curve[mended]
            done[some[mended]] = True
    return done


@lru_cache(maxsize=512)
def _cubic(length: int) -> Audio:
    """Return the weights of the cubic that fits the sides best, (length, beside)."""
    beside = min(max(length // 2, _FEWEST_BESIDE), _MOST_BESIDE)
    scale = (length + 1) / 2
    sides = np.concatenate((np.arange(-beside, 0), length + np.arange(beside)))
    at = np.asarray((np.arange(length) - (length - 1) / 2) / scale)
    known = np.asarray((sides - (length - 1) / 2) / scale)
    fit = np.linalg.pinv(np.vander(known, 4))
    weights = np.vander(at, 4) @ fit
    # What the cubic misses at the two nearest samples is bridged by a straight line.
    missed = np.eye(2 * beside)[[beside - 1, beside]] - np.vander([-1.0, 1.0], 4) @ fit
    bridge = np.stack(((1 - at) / 2, (1 + at) / 2), axis=1)
    return np.asarray(weights + bridge @ missed, np.float32)


def _correlation(samples: Audio, lags: int) -> Floats:
    """Return the autocorrelation of a stem up to some lag, shape (lags,)."""
    size = _STRETCH + lags
    power = np.zeros(size // 2 + 1)
    for row in samples:
        for first in range(0, row.size, _STRETCH):
            spectrum = np.fft.rfft(row[first : first + _STRETCH], size)
            power += spectrum.real**2 + spectrum.imag**2
    return np.asarray(np.fft.irfft(power, size)[:lags])


def _probable(correlation: Floats, length: int) -> Audio:
    """Return the weights of the most probable curve, (length, beside).

    It is the conditional mean of a Gaussian process of this correlation.
    """
    sides = np.concatenate((np.arange(-_SIDE, 0), length + np.arange(_SIDE)))
    between = correlation[np.abs(sides[:, np.newaxis] - sides)]
    between[np.diag_indices_from(between)] += _NOISE * correlation[0]
    across = correlation[np.abs(sides[:, np.newaxis] - np.arange(length))]
    return np.asarray(np.linalg.solve(between, across).T, np.float32)


def _limited(curve: Audio, flat: Audio) -> Audio:
    """Return curves that lie above the flat tops, within the most that is allowed."""
    floor = flat.min(axis=1, keepdims=True)
    allowed = np.maximum(_MOST * flat.max(axis=1, keepdims=True) - floor, 0)
    over = np.maximum(curve - floor, 0)
    highest = np.maximum(over.max(axis=1, keepdims=True), np.float32(1e-9))
    return np.asarray(floor + over * np.minimum(1, allowed / highest))


def _places(found: list[_Tops]) -> tuple[int, int]:
    """Return how many places there are, channels taken together, and the first one's sample."""
    starts = np.concatenate([tops.starts for tops in found])
    stops = np.concatenate([tops.stops for tops in found])
    if not starts.size:
        return 0, 0
    order = np.argsort(starts)
    starts, stops = starts[order], np.maximum.accumulate(stops[order])
    return 1 + int((starts[1:] >= stops[:-1]).sum()), int(starts[0])
