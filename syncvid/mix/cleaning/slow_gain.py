"""Undo a slow automatic gain, as far as the recording itself tells of one.

A phone that sets its own level raises what is soft and lowers what is loud.  Music that becomes
louder cannot be told from a gain that rises, but the background can: the noise of a room and of a
microphone keeps its level, so where it rises and falls the gain did.  It is looked for between the
notes and in the bands in which nothing is played; where too little of it can be heard the recording
stays as it is.

What counts as noise is told by its spectrum, which is flat within a narrow band, and by its level,
which several bands must agree on.  Breath and bow are noise too, and grow with the music: a band is
believed while something is played only if it has the level there that it has in the pauses nearby.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.lazily import ndimage
from syncvid.mix.cleaning.result import Cleaned
from syncvid.mix.door import check_stem
from syncvid.timeline import to_samples

# Spectra of 85 ms, every 50 ms.
_WINDOW_S, _HOP_S = 0.085, 0.050

# Bands this wide against their frequency, and wide enough that a tone, which fills three lines of
# the spectrum, cannot look flat.
_LOWEST_HZ, _HIGHEST_HZ, _WIDE, _FEWEST_LINES = 250.0, 12_000.0, 1.18, 10

# Below this a band is empty, or a codec has emptied it: dB full scale.
_EMPTY_DB = -110.0

# Flatness of a spectrum of noise is exp(-0.577) = 0.56 (mean of the logarithm of a chi-squared
# distribution of two degrees, less the logarithm of its mean); tones lie far below.
_NOISE_FLATNESS, _TONE_FLATNESS = 0.42, 0.2

# The noise is measured twice a second, each time over 3 s or, where that is too little, over 6 s;
# 0.4 s of them must be free of music.
_STEP_HOPS, _WIDTHS_HOPS, _FEWEST_HOPS = 10, (60, 120), 8

# A band is believed while something is played if its noise there is louder than in the pauses by no
# more than this in most places, and if this share of what is played has pauses nearby (project
# choice): what is true of a soft beginning need not be true of the rest.
_PLAYED_DB, _MOST_PLACES, _NEAR_PAUSES = 1.0, 0.8, 0.4

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

# How far what is known of the gain carries into stretches without noise: 4 s.
_NEAR_STEPS = 8

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
    check_stem(samples, sample_rate=sample_rate)
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
        f"{undo_db.min():+.1f} to {undo_db.max():+.1f} dB, as the background noise tells, which "
        f"can be heard for {known.mean():.0%} of the time."
    )
    return Cleaned(_apply(samples, undo_db, sample_rate), told, True)


def _measure(samples: Audio, sample_rate: int) -> _Noise:
    """Return what the noise's level tells."""
    levels_db, flatness = _bands(samples, sample_rate)
    if not levels_db.shape[1]:
        return _Noise(np.zeros(0), 0.0)
    free = (flatness > _NOISE_FLATNESS) & (levels_db > _EMPTY_DB)
    # No tone in any band, nor just before or after.
    pause = ~ndimage.binary_dilation((flatness < _TONE_FLATNESS).any(axis=0), iterations=1)
    in_pauses = _floors(levels_db, free & pause)
    while_playing = _floors(levels_db, free & ~pause)
    believed = _believed(in_pauses, while_playing)
    return _common(_floors(levels_db, free & (pause | believed[:, np.newaxis])))


def _believed(in_pauses: Floats, while_playing: Floats) -> NDArray[np.bool_]:
    """Tell which bands hold no noise that comes from playing, shape (bands,)."""
    louder_db = while_playing - in_pauses
    compared = np.isfinite(louder_db).sum(axis=1)
    known = compared > _NEAR_PAUSES * np.isfinite(while_playing).sum(axis=1)
    quiet = np.zeros(len(known), np.bool_)
    quiet[known] = np.nanquantile(louder_db[known], _MOST_PLACES, axis=1) <= _PLAYED_DB
    return quiet


def _bands(samples: Audio, sample_rate: int) -> tuple[Floats, Floats]:
    """Return the level in dB and the flatness of every band and hop, each (bands, hops)."""
    size = 2 * to_samples(_WINDOW_S / 2, sample_rate)
    hop = max(1, to_samples(_HOP_S, sample_rate))
    count = max(0, (samples.shape[1] - size) // hop + 1)
    window = np.hanning(size).astype(np.float32) * np.float32(np.sqrt(8 / 3) / size)
    edges = _edges(size, sample_rate)
    bands = edges.size - 1
    # A silent part's window would otherwise have no logarithm.
    tiny = np.float32(10 ** (_EMPTY_DB / 10) * 1e-6)
    levels_db, flatness = np.empty((bands, count)), np.empty((bands, count))
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


def _edges(size: int, sample_rate: int) -> NDArray[np.intp]:
    """Return between which lines of a spectrum the bands lie, shape (bands + 1,)."""
    edges = [round(_LOWEST_HZ * size / sample_rate)]
    highest = min(_HIGHEST_HZ, 0.45 * sample_rate) * size / sample_rate
    while edges[-1] < highest:
        edges.append(max(edges[-1] + _FEWEST_LINES, round(edges[-1] * _WIDE)))
    return np.array(edges[:-1] if len(edges) > 2 else edges, np.intp)


def _floors(levels_db: Floats, free: NDArray[np.bool_]) -> Floats:
    """Return the level of the noise in each band twice a second, NaN where unknown."""
    steps = range(0, levels_db.shape[1], _STEP_HOPS)
    floors_db = np.full((len(levels_db), len(steps)), np.nan)
    alone_db = np.where(free, levels_db, np.inf)
    for column, step in enumerate(steps):
        for width in _WIDTHS_HOPS:
            near = alone_db[:, max(0, step - width // 2) : step + width // 2]
            unknown = np.isnan(floors_db[:, column])
            floors_db[unknown, column] = _floor(near[unknown])
    return floors_db


def _floor(alone_db: Floats) -> Floats:
    """Return each band's noise from its levels, which are infinite where it is not alone."""
    ordered = np.sort(alone_db, axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    rows, last = np.arange(len(ordered)), np.maximum(count - 1, 0)
    low_db = ordered[rows, (_SHARE * last).astype(int)]
    middle_db = ordered[rows, last // 2]
    with np.errstate(invalid="ignore"):
        # Infinite levels differ by NaN, which is not within anything.
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


def _undo(gain_db: Floats, known: NDArray[np.bool_]) -> Floats:
    """Return the correction at every step, smooth and within its limits."""
    steps = np.arange(gain_db.size)
    # Far from any noise nothing is known, and nothing is changed.
    far = ndimage.distance_transform_edt(~known) > _NEAR_STEPS
    sure = known | far
    whole = np.interp(steps, steps[sure], np.where(far, 0.0, gain_db)[sure])
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
