"""Gentle matching of exposure and white balance between tiles.

A tone is a power of the luma, a gain and a shift of the two colour planes, all of them small, so
that it never looks like an effect: a room lit by a lamp stays one, only less so.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Plane, Planes

# ITU-R BT.709-6, item 3.5 (8 bit): black, white, and the span of the colour planes around 128.
_BLACK, _WHITE, _GREY, _CHROMA_SPAN = 16, 235, 128, 224

# Bounds of what is changed.  A power of 0.7 lifts middle grey from 126 to 152; a shift of 0.03 is
# 7 codes, about the difference between two settings of a phone's white balance.
LEAST_GAMMA, MOST_GAMMA = 0.7, 1.4
_LEAST_GAIN, _MOST_GAIN = 0.9, 1.15
_MOST_SHIFT = 0.03

# At full strength clips come half way, and middle tones move by no more than this share of the way
# from black to white: rooms differ, and a dark face must not be made darker because its wall is
# bright (tried on the demo's clips: all the way looks like an effect).
_PULL, _MOST_MOVE = 0.5, 0.08

# Middle tones, as shares of the way from black to white.
_DARK, _BRIGHT = 0.2, 0.85

# Near grey: colour within this share of none.  Paper and plain walls under a lamp are near it;
# paint is not.
_NEAR_GREY = 0.07

# Fewer near-grey pixels than this share say nothing about the light.
_LEAST_GREY = 0.02


@dataclass(frozen=True, slots=True)
class Tone:
    """A correction of exposure and white balance.

    Attributes
    ----------
    gamma : float
        The power that luma (0 to 1) is raised to; below 1 is brighter.
    gain : float
        What luma is multiplied by after that.
    blue, red : float
        What is added to Cb and Cr, as shares of their whole range.
    """

    gamma: float = 1.0
    gain: float = 1.0
    blue: float = 0.0
    red: float = 0.0


NEUTRAL = Tone()
"""Changes nothing."""


@dataclass(frozen=True, slots=True)
class ToneStats:
    """How bright a clip is, and the colour of its light.

    Attributes
    ----------
    low, middle, high : float
        The luma below which a twentieth, a half and nineteen twentieths of the pixels lie, as
        shares of the way from black to white.
    blue, red : float
        Median Cb and Cr of near-grey middle tones, as shares of their range; 0 is grey.
    grey : float
        The share of pixels that these rest on.
    """

    low: float
    middle: float
    high: float
    blue: float = 0.0
    red: float = 0.0
    grey: float = 0.0


def measure_tone(pictures: Sequence[Planes]) -> ToneStats | None:
    """Measure the brightness and the light of a clip from a few of its pictures.

    Parameters
    ----------
    pictures : sequence of Planes
        Small and upright, BT.709, limited range.

    Returns
    -------
    ToneStats or None
        None without pictures.
    """
    if not pictures:
        return None
    luma = np.concatenate([_over(planes[0]) for planes in pictures])
    # Each colour sample with the luma of its upper left pixel.
    below = np.concatenate([_over(planes[0][::2, ::2]) for planes in pictures])
    blue, red = (np.concatenate([_colour(planes[at]) for planes in pictures]) for at in (1, 2))
    near = (below > _DARK) & (below < _BRIGHT) & (np.hypot(blue, red) < _NEAR_GREY)
    low, middle, high = (float(value) for value in np.percentile(luma, [5, 50, 95]))
    share = float(near.mean())
    if share < _LEAST_GREY:
        return ToneStats(low, middle, high)
    return ToneStats(
        low, middle, high, float(np.median(blue[near])), float(np.median(red[near])), share
    )


def match_tones(stats: Sequence[ToneStats | None], strength: float = 1.0) -> list[Tone]:
    """Bring clips towards the middle of them all.

    Parameters
    ----------
    stats : sequence of ToneStats or None
        Of the clips that are seen together; None: unknown, left alone.
    strength : float
        0: nothing is changed; 1: half way to the middle, as far as the bounds allow.

    Returns
    -------
    list of Tone
        One for each; `NEUTRAL` itself where nothing is to be done.
    """
    known = [item for item in stats if item is not None]
    if strength <= 0 or len(known) < 2:
        return [NEUTRAL] * len(stats)
    lit = [item for item in known if item.grey > 0]
    goal = ToneStats(
        low=float(np.median([item.low for item in known])),
        middle=float(np.median([item.middle for item in known])),
        high=float(np.median([item.high for item in known])),
        blue=float(np.median([item.blue for item in lit])) if lit else 0.0,
        red=float(np.median([item.red for item in lit])) if lit else 0.0,
    )
    pull = _PULL * min(strength, 1.0)
    return [NEUTRAL if item is None else _tone(item, goal, pull) for item in stats]


def apply_tone(planes: Planes, tone: Tone) -> Planes:
    """Correct a picture.

    Parameters
    ----------
    planes : Planes
        BT.709, limited range.
    tone : Tone
        The correction.

    Returns
    -------
    Planes
        New ones, black at 16 and white at 235 at most; for `NEUTRAL` those that were given.
    """
    if tone == NEUTRAL:
        return planes
    luma, blue, red = _tables(tone)
    # Half the time of indexing (measured, 640x360: 0.2 ms).
    return np.take(luma, planes[0]), np.take(blue, planes[1]), np.take(red, planes[2])


@functools.lru_cache(maxsize=256)
def _tables(tone: Tone) -> tuple[Plane, Plane, Plane]:
    """Return what each of the 256 codes of Y, Cb and Cr becomes."""
    codes = np.arange(256)
    share = np.clip((codes - _BLACK) / (_WHITE - _BLACK), 0.0, 1.0)
    curve = np.minimum(1.0, tone.gain * share**tone.gamma)
    luma = np.round(_BLACK + (_WHITE - _BLACK) * curve)
    shifted = (
        np.clip(np.round(codes + _CHROMA_SPAN * shift), _BLACK, 240)
        for shift in (tone.blue, tone.red)
    )
    blue, red = (table.astype(np.uint8) for table in shifted)
    return luma.astype(np.uint8), blue, red


def _tone(item: ToneStats, goal: ToneStats, pull: float) -> Tone:
    """Return the correction that brings one clip's measures a part of the way to a goal."""
    own = _within(item.middle, 0.02, 0.98)
    wanted = own + _within(pull * (goal.middle - own), -_MOST_MOVE, _MOST_MOVE)
    gamma = _within(np.log(_within(wanted, 0.02, 0.98)) / np.log(own), LEAST_GAMMA, MOST_GAMMA)
    bright = max(item.high, 0.02) ** gamma
    # What is white already stays below white.
    most = min(_MOST_GAIN, max(1.0, 1 / bright))
    gain = _within((max(goal.high, 0.02) / bright) ** pull, _LEAST_GAIN, most)
    blue, red = (
        _within(pull * away, -_MOST_SHIFT, _MOST_SHIFT) if item.grey > 0 else 0.0
        for away in (goal.blue - item.blue, goal.red - item.red)
    )
    return Tone(*(round(value, 3) for value in (gamma, gain, blue, red)))


def _within(value: float, least: float, most: float) -> float:
    """Keep a value within bounds."""
    return float(min(max(value, least), most))


def _over(luma: Plane) -> NDArray[np.float64]:
    """Return luma as shares of the way from black to white, flat."""
    return np.asarray((luma.reshape(-1).astype(np.float64) - _BLACK) / (_WHITE - _BLACK))


def _colour(plane: Plane) -> NDArray[np.float64]:
    """Return a colour plane as shares of its range, 0 for grey, flat."""
    return np.asarray((plane.reshape(-1).astype(np.float64) - _GREY) / _CHROMA_SPAN)
