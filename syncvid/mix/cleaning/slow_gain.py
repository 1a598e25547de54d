"""Undo a slow automatic gain, as far as the recording itself tells of one.

A phone that sets its own level raises what is soft and lowers what is loud.  Music that becomes
louder cannot be told from a gain that rises, but the background can: the noise of a room and of a
microphone keeps its level, so where it rises and falls the gain did.  It is looked for between the
notes and in the bands in which nothing is played; where too little of it can be heard the recording
stays as it is.

What counts as noise is told by its spectrum, which is flat within a narrow band, and by its level,
which several bands must agree on.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.lazily import ndimage
from syncvid.mix.cleaning.door import check_stem
from syncvid.mix.cleaning.result import Cleaned
from syncvid.timeline import to_samples

# Spectra of 85 ms, every 50 ms.
_WINDOW_S, _HOP_S = 0.085, 0.050

# Bands a third of an octave wide or wider, in which noise can be told from music.
_LOWEST_HZ, _HIGHEST_HZ, _BANDS = 250.0, 12_000.0, 24

# Below this a band is empty, or a codec has emptied it: dB full scale.
_EMPTY_DB = -110.0

# Flatness of a spectrum of noise is exp(-0.577) = 0.56 (mean of the logarithm of a chi-squared
# distribution of two degrees, less the logarithm of its mean); tones lie far below.
_NOISE_FLATNESS = 0.42

# The noise is measured twice a second, each time over 3 s, of which 0.5 s must be free of music.
_STEP_HOPS, _WIDE_HOPS, _FEWEST_HOPS = 10, 60, 10

# Its level is that which this share of the free hops stays under.  Where the middle lies higher
# above it than this, what was taken for noise is something that comes and goes.
_SHARE, _STEADY_DB = 0.2, 2.5

# That many bands must know the gain and agree on it, on average within this.
_FEWEST_BANDS, _AGREE_DB = 4, 1.5

# A band that knows the gain for less than this share of the time says nothing, nor does a
# recording whose bands do (project choice).
_BAND_KNOWS, _KNOWN = 0.3, 0.5

# Smaller changes are not worth touching; larger ones are no gain but a noise suppressor.
_LEAST_DB, _HIGHEST_DB = 2.0, 15.0

# How far a gain is undone, each way.
MOST_DB = 6.0

# The gain is smoothed over 2 s: slower than any note's attack.
_SMOOTH_STEPS = 1.0

_TOGETHER = 256


@dataclass(frozen=True, slots=True)
class _Noise:
    """What is known of the noise's level over time.

    Attributes
    ----------
    gain_db : ndarray, shape (steps,)
        Against its usual level; NaN where it cannot be measured.
    agree_db : float
        By how much bands differ from it on average.
    """

    gain_db: Floats
    agree_db: float


def even_out(samples: Audio, *, sample_rate: int) -> Cleaned:
    """Undo a slow automatic gain, by 6 dB each way at most.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        A stem of one or two channels.
    sample_rate : int
        In Hz.

    Returns
    -------
    Cleaned
        The same array where no slow gain is found, or where the noise cannot be measured: silence,
        a sound shorter than a few seconds, noise that is hidden under the music for most of the
        time, or that comes and goes with it.

    Raises
    ------
    SignalError
        See `check_stem`.

    Notes
    -----
    Other sounds that stay flat and steady for seconds, such as a car that passes or a held roll on
    a drum, look like noise.
    """
    samples = check_stem(samples, sample_rate)
    noise = _measure(samples, sample_rate)
    known = np.isfinite(noise.gain_db)
    if noise.gain_db.size < 2 or known.mean() < _KNOWN:
        return Cleaned(
            samples,
            "Whether the recording set its own level cannot be told: its background noise is "
            "hidden for most of the time. Nothing was changed.",
            False,
        )
    low, high = np.quantile(noise.gain_db[known], (0.02, 0.98))
    if noise.agree_db > _AGREE_DB or high - low > _HIGHEST_DB:
        return Cleaned(
            samples,
            "The background noise comes and goes with the music, as after noise suppression; it "
            "says nothing about the level. Nothing was changed.",
            False,
        )
    if high - low < _LEAST_DB:
        return Cleaned(
            samples, "The background noise keeps its level: no slow gain was found.", False
        )
    undo_db = _undo(noise.gain_db, known)
    told = (
        f"The recording set its own level, within {high - low:.0f} dB. It was evened out by "
        f"{undo_db.min():+.1f} to {undo_db.max():+.1f} dB, as the background noise tells."
    )
    return Cleaned(_apply(samples, undo_db, sample_rate), told, True)


def _measure(samples: Audio, sample_rate: int) -> _Noise:
    """Return what the noise's level tells."""
    levels_db, flatness = _bands(samples, sample_rate)
    free = (flatness > _NOISE_FLATNESS) & (levels_db > _EMPTY_DB)
    steps = np.arange(0, levels_db.shape[1], _STEP_HOPS)
    floors_db = np.full((_BANDS, steps.size), np.nan)
    for column, step in enumerate(steps):
        near = slice(max(0, step - _WIDE_HOPS // 2), step + _WIDE_HOPS // 2)
        floors_db[:, column] = _floors(levels_db[:, near], free[:, near])
    return _common(floors_db)


def _bands(samples: Audio, sample_rate: int) -> tuple[Floats, Floats]:
    """Return the level in dB and the flatness of every band and hop, each (bands, hops)."""
    size = 2 * to_samples(_WINDOW_S / 2, sample_rate)
    hop = max(1, to_samples(_HOP_S, sample_rate))
    count = max(0, (samples.shape[1] - size) // hop + 1)
    window = np.hanning(size).astype(np.float32) * np.float32(np.sqrt(8 / 3) / size)
    edges_hz = np.geomspace(_LOWEST_HZ, min(_HIGHEST_HZ, 0.45 * sample_rate), _BANDS + 1)
    edges = np.round(edges_hz * size / sample_rate).astype(int)
    # A silent part's window would otherwise have no logarithm.
    tiny = np.float32(10 ** (_EMPTY_DB / 10) * 1e-6)
    levels_db, flatness = np.empty((_BANDS, count)), np.empty((_BANDS, count))
    for first in range(0, count, _TOGETHER):
        last = min(first + _TOGETHER, count)
        stretch = samples[:, first * hop : (last - 1) * hop + size].mean(axis=0)
        windows = np.lib.stride_tricks.sliding_window_view(stretch, size)[::hop] * window
        spectra = np.fft.rfft(windows, axis=1)[:, : edges[-1]]
        powers = (spectra.real**2 + spectra.imag**2).astype(np.float32) + tiny
        widths = np.diff(edges)
        sums = np.add.reduceat(powers, edges[:-1], axis=1)
        logs = np.add.reduceat(np.log(powers), edges[:-1], axis=1) / widths
        levels_db[:, first:last] = 10 * np.log10(sums).T
        flatness[:, first:last] = np.exp(logs - np.log(sums / widths)).T
    return levels_db, flatness


def _floors(levels_db: Floats, free: np.ndarray) -> Floats:
    """Return the level of the noise in each band around one time, NaN where unknown; (bands,)."""
    alone = np.where(free, levels_db, np.nan)
    count = free.sum(axis=1)
    with warnings.catch_warnings():
        # A band without a free hop has no quantile; it is NaN, which is what is wanted.
        warnings.simplefilter("ignore", RuntimeWarning)
        low_db, middle_db = np.nanquantile(alone, (_SHARE, 0.5), axis=1)
    sure = (count >= _FEWEST_HOPS) & (middle_db - low_db <= _STEADY_DB)
    return np.asarray(np.where(sure, low_db, np.nan))


def _common(floors_db: Floats) -> _Noise:
    """Return the gain that the bands have in common."""
    nothing = _Noise(np.full(floors_db.shape[1], np.nan), 0.0)
    floors_db = floors_db[np.isfinite(floors_db).mean(axis=1) >= _BAND_KNOWS]
    if len(floors_db) < _FEWEST_BANDS:
        return nothing
    enough = np.isfinite(floors_db).sum(axis=0) >= _FEWEST_BANDS
    if not enough.any():
        return nothing
    gain_db = np.zeros(floors_db.shape[1])
    with warnings.catch_warnings():
        # Times at which no band knows the gain are NaN.
        warnings.simplefilter("ignore", RuntimeWarning)
        for _ in range(5):
            usual_db = np.nanmedian((floors_db - gain_db)[:, enough], axis=1)
            gain_db = np.nanmedian(floors_db - usual_db[:, np.newaxis], axis=0)
            gain_db -= np.nanmedian(gain_db[enough])
            gain_db = np.where(enough, gain_db, np.nan)
        differ = np.abs(floors_db - usual_db[:, np.newaxis] - gain_db)
        agree_db = float(np.nanmean(differ[:, enough]))
    return _Noise(gain_db, agree_db)


def _undo(gain_db: Floats, known: np.ndarray) -> Floats:
    """Return the correction at every step, smooth and within its limits."""
    steps = np.arange(gain_db.size)
    whole = np.interp(steps, steps[known], gain_db[known])
    # A single wrong value must not pull the curve.
    calm = ndimage.median_filter(whole, size=5, mode="nearest")
    within = np.clip(-calm, -MOST_DB, MOST_DB)
    return np.asarray(ndimage.gaussian_filter1d(within, _SMOOTH_STEPS, mode="nearest"))


def _apply(samples: Audio, undo_db: Floats, sample_rate: int) -> Audio:
    """Return the stem with a gain that is given at every step."""
    hop = max(1, to_samples(_HOP_S, sample_rate))
    # A step's value belongs to the middle of its first window.
    at = np.arange(undo_db.size) * _STEP_HOPS * hop + to_samples(_WINDOW_S / 2, sample_rate)
    out = np.empty_like(samples)
    block = 10 * sample_rate
    for first in range(0, samples.shape[1], block):
        last = min(first + block, samples.shape[1])
        coarse = np.arange(first, last + hop, hop // 8 or 1)
        gains = 10 ** (np.interp(coarse, at, undo_db) / 20)
        fine = np.interp(np.arange(first, last), coarse, gains).astype(np.float32)
        np.multiply(samples[:, first:last], fine, out=out[:, first:last])
    return out
