"""Placing a clip by the guide track that leaks from the player's headphones.

The leak lies 25 to 45 dB below the playing, and the clicks of a guide are all alike, so that each
beat is a rival of the next.  What tells them apart is where the guide begins and ends, and rests of
the player, in which the leak is all there is.  The clip is therefore divided by its own loudness:
a moment counts by how clearly a click would be heard in it, and a place is held to account for
clicks that ought to be heard and are not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.lazily import fft
from syncvid.sync.hearing import ANALYSIS_RATE, BRIGHT_HZ, LOUDNESS_S, Heard, above
from syncvid.sync.lines import LINE_RATE
from syncvid.sync.refine import deviation_s, read_lags, sum_near
from syncvid.sync.waveform import Target
from syncvid.sync.windows import correlate_near
from syncvid.timeline import PPM, Placement, to_samples

# Windows short enough to tell a rest from the note before it.
WINDOW_S = 1.0

# How far a close look may move a line, what it reads around it, and how exactly it reads.
LOOK_OFFSET_S = 1.5e-3
LOOK_DRIFT_PPM = 8.0
LOOK_REACH_S = 0.01
CLOSE_S = 0.04e-3

# Places closer than this are the same beat.
APART_S = 0.12

# Lines whose drift is tried, and places that are looked at closely for each.
MOST_DRIFTS = 3
MOST_PLACES = 8

# Steps from the best place to a better one, each over this many shifts at which the guide is most
# like itself: bars, as a rule.
MOST_MOVES = 4
MOST_BEATS = 6

# Below this many standard deviations there is nothing to climb from: clips without any leak reach
# eight or nine.
HOPELESS = 9.5

# Energy of the guide under the clip is summed in steps of this many seconds.
STEP_S = 0.05

# Root mean square of digital silence, in which no leak can be.
SILENT = 1e-6

# Nothing is trusted more than a passage this far below the loud ones: a codec's or a gate's silence
# holds no leak.
QUIET_DB = -32.0

# A step of sound is evened out down to this share of the loudest.
LEAST_LEVEL = 1e-3

# A place needs this share of the most evidence that any place could have.
LEAST_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class LeakPlace:
    """A place by the guide's leak.

    Attributes
    ----------
    line : Placement
        Where.
    score : float
        Evidence in standard deviations of what chance gives.
    """

    line: Placement
    score: float


def find_leak(
    clip: Heard, guide: Target, lines: Sequence[Placement], *, drifts: int = MOST_DRIFTS
) -> tuple[LeakPlace, ...]:
    """Find the places where the guide may be heard in a clip.

    Parameters
    ----------
    clip : Heard
        The clip.
    guide : Target
        The guide track.
    lines : sequence of Placement
        Where it might lie, best first.
    drifts : int
        Of how many of these lines the drift is tried everywhere.

    Returns
    -------
    tuple of LeakPlace
        The strongest first; each another beat.
    """
    pair = _listen(clip, guide)
    places = [_look(pair, line) for line in lines]
    for line in _different_drifts(lines)[:drifts]:
        scores = _correlate_all(pair, line.drift_ppm)
        for lag in _strongest(scores, MOST_PLACES, ANALYSIS_RATE):
            offset_s = (lag - len(pair.sound)) / ANALYSIS_RATE
            places.append(_look(pair, Placement(offset_s, line.drift_ppm)))
    found = _apart(places)
    if not found or found[0].score < HOPELESS:
        return found
    beats_s = _beats(guide.heard.coarse)
    for _ in range(MOST_MOVES):
        best = found[0]
        near = [Placement(best.line.offset_s + beat_s, best.line.drift_ppm) for beat_s in beats_s]
        found = _apart([*found, *(_look(pair, line) for line in near)])
        if abs(found[0].line.offset_s - best.line.offset_s) < APART_S:
            break
    return found


class _Pair(NamedTuple):
    """Clip and guide, made ready to be held against each other.

    `sound` and `clicks` are what both hold above `BRIGHT_HZ`; `trust` says how clearly a click
    would be heard at each loudness step; `weighted` is the sound, evened out and weighted by it;
    `expected` is the evidence that each lag could give at most, in steps of `STEP_S`.
    """

    sound: Audio
    clicks: Audio
    trust: Floats
    weighted: Audio
    expected: Floats


def _listen(clip: Heard, guide: Target) -> _Pair:
    """Prepare clip and guide."""
    sound, clicks = above(clip.full, BRIGHT_HZ), above(guide.heard.full, BRIGHT_HZ)
    trust = _trust(clip)
    loudness_step = to_samples(LOUDNESS_S, ANALYSIS_RATE)
    levels = np.sqrt(_per_step(np.square(sound), loudness_step))
    levels = np.maximum(levels, LEAST_LEVEL * levels.max(initial=1e-9))
    at = np.arange(len(sound)) // loudness_step
    trusts = trust[np.minimum(at, len(trust) - 1)]
    weighted = np.asarray(sound / levels[at] * trusts, np.float32)
    step = to_samples(STEP_S, ANALYSIS_RATE)
    weight = _per_step(np.square(trusts), step) / step
    expected = np.convolve(_per_step(np.square(clicks), step), weight[::-1])
    return _Pair(sound, clicks, trust, weighted, expected)


def _beats(guide: Audio) -> list[float]:
    """Return the shifts, in seconds, at which a guide is most like itself."""
    size = int(fft.next_fast_len(2 * len(guide), real=True))
    spectrum = fft.rfft(guide, size)
    alike = fft.irfft(spectrum.real**2 + spectrum.imag**2, size)[: len(guide)]
    alike[: to_samples(APART_S, LINE_RATE)] = 0
    lags = _strongest(alike.astype(np.float32), MOST_BEATS, LINE_RATE)
    return [sign * lag / LINE_RATE for lag in lags for sign in (1, -1)]


def _trust(clip: Heard) -> Floats:
    """Return how clearly a click would be heard at each loudness step: one over the loudness."""
    heard = clip.bright[clip.bright > SILENT]
    if not len(heard):
        return np.zeros(max(1, len(clip.bright)))
    loud = float(np.percentile(heard, 90))
    quiet = max(float(np.percentile(heard, 5)), loud * 10 ** (QUIET_DB / 20))
    return np.where(clip.bright > SILENT, quiet / np.maximum(clip.bright, quiet), 0.0)


def _different_drifts(lines: Sequence[Placement]) -> list[Placement]:
    """Return lines whose drifts differ by more than 5 ppm."""
    kept: list[Placement] = []
    for line in lines:
        if all(abs(line.drift_ppm - other.drift_ppm) > 5.0 for other in kept):
            kept.append(line)
    return kept


def _correlate_all(pair: _Pair, drift_ppm: float) -> Audio:
    """Return the evidence at every lag from -len(sound) on."""
    times = np.arange(len(pair.sound)) / ANALYSIS_RATE
    at_guide = np.interp(times / (1 + drift_ppm * PPM), times, pair.weighted).astype(np.float32)
    size = int(fft.next_fast_len(len(pair.sound) + len(pair.clicks), real=True))
    lags = fft.irfft(fft.rfft(pair.clicks, size) * np.conj(fft.rfft(at_guide, size)), size)
    sums = np.concatenate((lags[size - len(pair.sound) :], lags[: len(pair.clicks)]))
    at = np.arange(len(sums)) // to_samples(STEP_S, ANALYSIS_RATE) - 1
    expected = pair.expected[np.clip(at, 0, len(pair.expected) - 1)]
    least = LEAST_SHARE * float(pair.expected.max(initial=0.0)) + 1e-9
    return np.asarray(sums / np.sqrt(np.maximum(expected, least)), np.float32)


def _per_step(values: Audio | Floats, step: int) -> Floats:
    """Sum values over steps; the last one may be incomplete."""
    whole = -(-len(values) // step)
    padded = np.zeros(whole * step)
    padded[: len(values)] = values
    return np.asarray(padded.reshape(whole, step).sum(axis=1), np.float64)


def _strongest(scores: Audio, count: int, sample_rate: int) -> list[int]:
    """Return the strongest lags, each another beat."""
    left = scores.copy()
    apart = to_samples(APART_S, sample_rate)
    found = []
    for _ in range(count):
        index = int(np.argmax(left))
        if left[index] <= 0:
            break
        found.append(index)
        left[max(0, index - apart) : index + apart + 1] = 0
    return found


def _look(pair: _Pair, line: Placement) -> LeakPlace:
    """Sum the evidence along one line exactly."""
    rows = correlate_near(
        pair.sound,
        pair.clicks,
        line,
        sample_rate=ANALYSIS_RATE,
        window_s=WINDOW_S,
        hop_s=WINDOW_S,
        reach_s=LOOK_REACH_S,
    )
    if not len(rows.clip_s):
        return LeakPlace(line, 0.0)
    best = sum_near(rows, line, offset_s=LOOK_OFFSET_S, drift_ppm=LOOK_DRIFT_PPM).line
    heights = read_lags(rows, deviation_s(rows, line, best), CLOSE_S).heights
    steps = round(WINDOW_S / LOUDNESS_S)
    at = (rows.clip_s / LOUDNESS_S).astype(np.int64)[:, None] + np.arange(-steps // 2, steps // 2)
    loudness = 1.0 / np.maximum(pair.trust[np.clip(at, 0, len(pair.trust) - 1)], 1e-6)
    weights = np.sqrt(rows.shares) / np.sqrt(np.mean(loudness**2, axis=1))
    total = float(np.sum(weights**2))
    score = float(np.dot(weights, heights)) / np.sqrt(max(total, 1e-9))
    return LeakPlace(best, score)


def _apart(places: Sequence[LeakPlace]) -> tuple[LeakPlace, ...]:
    """Return the best place of each beat, the strongest first."""
    kept: list[LeakPlace] = []
    for place in sorted(places, key=lambda place: -place.score):
        if all(abs(place.line.offset_s - other.line.offset_s) > APART_S for other in kept):
            kept.append(place)
    return tuple(kept)
