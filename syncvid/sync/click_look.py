"""A close look at a place: all clicks of a guide in phase, and how likely the place is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.lazily import fft
from syncvid.signals.outstanding import HOP
from syncvid.sync.behind import Background
from syncvid.sync.clicks import SHAPE, Clicks
from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.timeline import PPM, Placement, to_samples

# From so many standard deviations on, the height of a click counts by its logarithm only, and from
# so many nats on its part in a likelihood.
MOST_HEIGHT = 8.0
MOST_NATS = 8.0

# Places closer than this are the same.
APART_S = 0.05

# A close look reaches so far to either side, and turns the line by so much at its ends.
LOOK = to_samples(0.004, ANALYSIS_RATE)
TURN = to_samples(0.0025, ANALYSIS_RATE)

MOST_LOOKS = 4

# A click ought to be heard if it is worth so many nats, and is if it stands out by so much.
AUDIBLE_NATS = 6.0
HEARD_HEIGHT = 2.5


@dataclass(frozen=True, slots=True)
class ClickPlace:
    """A place by the clicks of the guide.

    Attributes
    ----------
    line : Placement
        Where.
    height : float
        Summed evidence in standard deviations of what chance gives.
    nats : float
        Log likelihood against no leak at all, with the loudness of the best place.
    audible, heard : int
        Clicks that ought to be heard by themselves, and how many of these are.
    """

    line: Placement
    height: float
    nats: float = 0.0
    audible: int = 0
    heard: int = 0


@dataclass(frozen=True, slots=True)
class Rows:
    """Correlations with each click around a line.

    `values` has one row per click and one column per sample of deviation in clip time; `expected`
    is the energy of each click with amplitude 1, `noise` the variance without it.
    """

    clip_s: Floats
    values: Audio
    expected: Floats
    noise: Floats


def cut_pieces(
    sound: Audio, clicks: Clicks, line: Placement
) -> tuple[Floats, NDArray[np.int64], Audio]:
    """Return clip time and kind of each click within a sound, and the sound around it."""
    within = inside(sound, clicks, line)
    clip_s = (clicks.times_s[within] - line.offset_s) / line.rate
    first = np.round(clip_s * ANALYSIS_RATE).astype(np.int64)
    padded = np.pad(sound, (LOOK, LOOK + SHAPE + 1))
    return clip_s, clicks.kinds[within], padded[first[:, None] + np.arange(2 * LOOK + SHAPE)]


def inside(sound: Audio, clicks: Clicks, line: Placement) -> NDArray[np.bool_]:
    """Return which clicks lie within a sound."""
    clip_s = (clicks.times_s - line.offset_s) / line.rate
    return np.asarray((clip_s >= 0) & (clip_s < (len(sound) - SHAPE / 2) / ANALYSIS_RATE))


def correlate_clicks(behind: Background, clicks: Clicks, line: Placement) -> Rows:
    """Correlate the clip with each click of the guide near its place on a line."""
    clip_s, kinds, pieces = cut_pieces(behind.sound, clicks, line)
    length = pieces.shape[1]
    first = np.round(clip_s * ANALYSIS_RATE).astype(np.int64)
    size = int(fft.next_fast_len(length, real=True))
    shapes = np.conj(fft.rfft(clicks.shapes, size, axis=1))
    values = fft.irfft(fft.rfft(pieces, size, axis=1) * shapes[kinds], size, axis=1)
    hops = np.clip(np.round((first + SHAPE / 4) / HOP).astype(np.int64), 0, len(behind.trust) - 1)
    expected = behind.trust[hops, kinds].astype(np.float64)
    return Rows(
        clip_s,
        values[:, : 2 * LOOK + 1],
        expected,
        np.maximum(expected * behind.noise[kinds], 1e-12),
    )


def look_closely(behind: Background, clicks: Clicks, line: Placement) -> ClickPlace:
    """Find the best line near another one, with all clicks in phase."""
    place = ClickPlace(line, 0.0)
    for _ in range(MOST_LOOKS):
        before = place.line
        place, at_edge = _look_once(behind, clicks, before)
        if not at_edge:
            break
    return place


def _look_once(behind: Background, clicks: Clicks, line: Placement) -> tuple[ClickPlace, bool]:
    """Find the best line within reach, and whether a better one may lie beyond."""
    rows = correlate_clicks(behind, clicks, line)
    if len(rows.clip_s) < 2:
        return ClickPlace(line, 0.0), False
    deviations = np.sqrt(rows.noise)
    heights = soften(rows.values / deviations[:, None], MOST_HEIGHT)
    weights = rows.expected / deviations
    weighted = np.asarray(heights * weights[:, None], np.float32)
    middle_s = float(rows.clip_s.mean())
    arm_s = max(float(np.ptp(rows.clip_s)) / 2, 0.5)
    # What rounding to samples left over, so that rows of one line lie under each other.
    rests = np.round(rows.clip_s * ANALYSIS_RATE) - rows.clip_s * ANALYSIS_RATE
    best = (0.0, 0, 0)
    columns = np.arange(TURN, 2 * LOOK + 1 - TURN)
    at = np.arange(len(weighted))[:, None]
    for turn in range(-TURN, TURN + 1, 2):
        shifts = np.round(turn * (rows.clip_s - middle_s) / arm_s - rests).astype(np.int64)
        sums = weighted[at, np.clip(columns + shifts[:, None], 0, 2 * LOOK)].sum(axis=0)
        column = int(np.argmax(sums))
        if sums[column] > best[0]:
            best = (float(sums[column]), column + TURN - LOOK, turn)
    total, shift, turn = best
    drift = -turn / ANALYSIS_RATE / arm_s
    offset_s = line.offset_s - shift / ANALYSIS_RATE - drift * middle_s
    height = total / np.sqrt(float(np.sum(weights**2)))
    at_edge = abs(turn) >= TURN - 1 or abs(shift) >= LOOK - TURN
    return ClickPlace(Placement(offset_s, line.drift_ppm + drift / PPM), height), at_edge


def compare_places(
    behind: Background, clicks: Clicks, places: Iterable[ClickPlace]
) -> tuple[ClickPlace, ...]:
    """Weigh places by their likelihood, all with the loudness that fits the best of them."""
    kept = _apart(places)
    if not kept:
        return ()
    rows = [correlate_clicks(behind, clicks, place.line) for place in kept]
    best = 0
    for _ in range(3):
        loudness = fit_loudness(rows[best])
        likely = [_weigh(place, row, loudness) for place, row in zip(kept, rows, strict=True)]
        before, best = best, int(np.argmax([place.nats for place in likely]))
        if best == before:
            break
    return tuple(sorted(likely, key=lambda place: -place.nats))


def fit_loudness(rows: Rows) -> float:
    """Return the amplitude of the leak that fits a line best."""
    if not len(rows.clip_s):
        return 0.0
    deviations = np.sqrt(rows.noise)
    heights = soften(rows.values[:, LOOK] / deviations, MOST_HEIGHT)
    weights = rows.expected / deviations
    return max(0.0, float(np.dot(heights, weights) / max(float(np.dot(weights, weights)), 1e-12)))


def _weigh(place: ClickPlace, rows: Rows, loudness: float) -> ClickPlace:
    """Return a place with its likelihood."""
    worth = loudness**2 * rows.expected**2 / rows.noise / 2
    # The look rounded the line to a sample; a click is as good a sample away.
    near = rows.values[:, LOOK - 1 : LOOK + 2].max(axis=1, initial=-np.inf)
    nats = soften(loudness * near * rows.expected / rows.noise - worth, MOST_NATS)
    audible = worth >= AUDIBLE_NATS
    heard = audible & (near / np.sqrt(rows.noise) >= HEARD_HEIGHT)
    return ClickPlace(
        place.line, place.height, float(nats.sum()), int(audible.sum()), int(heard.sum())
    )


def soften(values: Any, limit: float) -> Any:
    """Let values grow by their logarithm only beyond a limit, so that peaks stay peaks."""
    sizes = np.abs(values)
    return np.where(
        sizes > limit, np.sign(values) * (limit + np.log(np.maximum(sizes, limit) / limit)), values
    )


def _apart(places: Iterable[ClickPlace]) -> list[ClickPlace]:
    """Return the best place of each beat, the strongest first."""
    kept: list[ClickPlace] = []
    for place in sorted(places, key=lambda place: -place.height):
        if all(abs(place.line.offset_s - other.line.offset_s) > APART_S for other in kept):
            kept.append(place)
    return kept
