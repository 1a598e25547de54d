"""Bringing the tone of recordings mildly together: by how much to change which band.

Players of one section are moved towards their section's mean spectrum, if they play at about the
same pitch: a violin is not made a cello because both are strings.  Other parts are moved only
where their sound falls off towards the treble quite differently from the others', which is more
often a covered microphone than an instrument; and then only by a tilt.  The changes are applied by
`syncvid.mix.tone_filters`, whose functions can be had from here too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from syncvid.arrays import Floats
from syncvid.errors import SignalError
from syncvid.mix.measures import BANDS_HZ, NOTHING_DB
from syncvid.mix.tone_filters import filtered, margin_samples, tone_filter
from syncvid.signals.loudness import k_gains

__all__ = ["filtered", "margin_samples", "match_tones", "tone_filter"]

# Limits of the change (project choices, mild): in all, and from one third octave to the next.
_MOST_DB, _MOST_STEP_DB = 3.0, 1.0

# A band so far under the strongest one cannot be heard beside it (project choice).
_HEARD_DB = 50.0

# Spectra are compared over about an octave: single notes must not count.
_SMOOTH = np.array([1.0, 2.0, 3.0, 2.0, 1.0])

# Players of a section are compared if their sounds begin at the same pitch, within a third of an
# octave of most: a sound begins where it comes so near to its strongest band (project choices).
_SAME_BEGIN_BANDS, _BEGIN_DB = 1, 20.0

# Fall-offs of other parts are compared where they span two octaves and come from three parts or
# more; instruments differ by the tolerance for good reason, and a tilt is at most so steep, in dB
# per octave (project choices).  It is applied at half strength.
_SPAN_BANDS, _FEWEST_PARTS, _TOLERATED_TILT, _STEEPEST_TILT = 6, 3, 3.0, 1.0
_HALF = 0.5

# Rate at which the K-weighting is taken: it hardly differs between rates.
_K_RATE = 48_000


def match_tones(
    bands_db: Sequence[tuple[float, ...]], groups: Sequence[str], *, strength: float
) -> tuple[tuple[float, ...], ...]:
    """Return by how much to change the bands of every part.

    Parameters
    ----------
    bands_db : sequence of tuple of float
        Of every part, the levels of `BANDS_HZ`, as `syncvid.mix.measures.StemMeasure` has them;
        any common level.  `NOTHING_DB` or less: nothing heard there.
    groups : sequence of str
        Its section; empty: none.
    strength : float
        0: nothing; 1: a section's players, as far as they play at the same pitch, are brought to
        their mean within the limits; other parts by half of what sets them apart.

    Returns
    -------
    tuple of tuple of float
        Of every part, dB per band: within -3 to 3, at most 1 from band to band, exactly 0 where
        nothing is heard, and such that the part's K-weighted level stays the same.  All 0 for
        silent parts and where there is nothing to compare with.

    Raises
    ------
    SignalError
        Numbers that do not fit each other, are not finite, or a strength outside 0 to 1.
    """
    levels = _checked(bands_db, groups, strength)
    heard = levels > np.maximum(
        NOTHING_DB, levels.max(axis=1, initial=NOTHING_DB, keepdims=True) - _HEARD_DB
    )
    wanted = strength * _HALF * _tilts(levels, heard)
    for group in {name for name in groups if name}:
        members = _alike(np.array([name == group for name in groups]), levels, heard)
        if members.size > 1:
            wanted[members] = strength * _towards_mean(levels[members], heard[members])
    changes = map(_kept_level, wanted, levels, heard)
    return tuple(tuple(map(float, change)) for change in changes)


def _checked(
    bands_db: Sequence[tuple[float, ...]], groups: Sequence[str], strength: float
) -> Floats:
    """Return the levels as an array, shape (parts, bands)."""
    if len(groups) != len(bands_db):
        raise SignalError(f"There are {len(bands_db)} parts, but sections for {len(groups)}.")
    if any(len(bands) != len(BANDS_HZ) for bands in bands_db):
        raise SignalError(f"Every part needs the levels of {len(BANDS_HZ)} bands.")
    if not 0 <= strength <= 1:
        raise SignalError(f"The strength of the tone match is {strength}; it goes from 0 to 1.")
    levels = np.array(bands_db, np.float64).reshape(len(groups), len(BANDS_HZ))
    levels = np.maximum(levels, NOTHING_DB)
    if not np.isfinite(levels).all():
        raise SignalError("The level of a band is not a finite number.")
    return levels


def _alike(members: np.ndarray, levels: Floats, heard: np.ndarray) -> np.ndarray:
    """Return the numbers of those players of a section whose sounds begin at the same pitch."""
    players = np.flatnonzero(members & heard.any(axis=1))
    if not players.size:
        return players
    smooth = np.array([_smoothed(levels[player], heard[player]) for player in players])
    smooth = np.where(heard[players], smooth, -np.inf)
    begins = np.argmax(smooth >= smooth.max(axis=1, keepdims=True) - _BEGIN_DB, axis=1)
    return np.asarray(players[np.abs(begins - np.median(begins)) <= _SAME_BEGIN_BANDS])


def _towards_mean(levels: Floats, heard: np.ndarray) -> Floats:
    """Return what separates the players of a section from their mean shape, in dB."""
    smooth = np.array(list(map(_smoothed, levels, heard)))
    common = heard.all(axis=0)
    if not common.any():
        return np.zeros_like(levels)
    # Shapes only: what all of them play in is taken to the same mean level.
    shapes = smooth - smooth[:, common].mean(axis=1, keepdims=True)
    count = heard.sum(axis=0)
    mean = np.where(heard, shapes, 0.0).sum(axis=0) / np.maximum(count, 1)
    return np.where(heard & (count > 1), mean - shapes, 0.0)


def _smoothed(levels: Floats, heard: np.ndarray) -> Floats:
    """Return levels averaged over about an octave, of what is heard."""
    weight = np.convolve(heard.astype(np.float64), _SMOOTH, "same")
    return np.convolve(np.where(heard, levels, 0.0), _SMOOTH, "same") / np.maximum(weight, 1.0)


def _tilts(levels: Floats, heard: np.ndarray) -> Floats:
    """Return the tilt that brings the fall-off of parts to the others', in dB per band."""
    falls = [_fall_off(*each) for each in zip(levels, heard, strict=True)]
    known = [fall for fall in falls if fall is not None]
    wanted = np.zeros_like(levels)
    if len(known) < _FEWEST_PARTS:
        return wanted
    usual = float(np.median(known))
    octaves = np.arange(len(BANDS_HZ)) / 3
    for row, fall, where in zip(wanted, falls, heard, strict=True):
        apart = usual - (usual if fall is None else fall)
        beyond = min(max(0.0, abs(apart) - _TOLERATED_TILT), _STEEPEST_TILT)
        row[where] = math.copysign(beyond, apart) * octaves[where]
    return wanted


def _fall_off(levels: Floats, heard: np.ndarray) -> float | None:
    """Return how a sound changes towards the treble from its strongest band on, dB per octave."""
    if not heard.any():
        return None
    bands = np.arange(int(np.argmax(np.where(heard, levels, -np.inf))), len(BANDS_HZ))
    bands = bands[heard[bands]]
    if not bands.size or bands[-1] - bands[0] < _SPAN_BANDS:
        return None
    return float(np.polyfit(bands / 3, levels[bands], 1)[0])


def _kept_level(wanted: Floats, levels: Floats, heard: np.ndarray) -> Floats:
    """Return a change within the limits that leaves the K-weighted level as it is."""
    if not wanted.any():
        return np.zeros_like(wanted)
    weights = np.where(heard, 10 ** (levels / 10), 0.0) * k_gains(np.array(BANDS_HZ), _K_RATE) ** 2
    weights /= weights.sum()
    # The level rises with what is added to all bands: halve the interval in which it is kept.
    low, high = -2 * _MOST_DB - np.abs(wanted).max(), 2 * _MOST_DB + np.abs(wanted).max()
    for _ in range(50):
        middle = (low + high) / 2
        change = _limited(wanted + middle, heard)
        if np.dot(weights, 10 ** (change / 10)) > 1:
            high = middle
        else:
            low = middle
    return change


def _limited(change: Floats, heard: np.ndarray) -> Floats:
    """Return a change within the limits, 0 where nothing is heard."""
    bands = np.arange(change.size)
    apart = _MOST_STEP_DB * np.abs(np.subtract.outer(bands, bands))
    most = np.minimum(_MOST_DB, apart[:, ~heard].min(axis=1, initial=_MOST_DB))
    change = np.clip(change, -most, most)
    # The steepest allowed curves under and over it; halfway between them it is not steeper either.
    return np.asarray(((change + apart).min(axis=1) + (change - apart).max(axis=1)) / 2)
