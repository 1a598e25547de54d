"""Placing a clip by the guide's clicks that leak from the player's headphones.

The clicks lie 25 to 45 dB below the playing.  They are made to stand out of it (`stand_out`), and
searched for in steps.  First each click alone, whatever its phase: its energy is summed along all
lines of offset and drift, which a few transforms do for all offsets at once.  Then the best lines
are looked at closely, with all clicks in phase, to a part of a millisecond.  With drift and
loudness of the best one the likelihood of every offset follows from one more transform.

Clicks are all alike, so that each beat is a rival of the next.  Places are therefore compared by
their log likelihood with the same loudness of the leak: a click that ought to be heard and is not
counts against a place as much as one that is heard counts for it; no single one counts for more
than `MOST_NATS`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from syncvid.arrays import Audio, Floats
from syncvid.signals.attacks import Attacks
from syncvid.signals.outstanding import HOP, SIZE, stand_out
from syncvid.sync.clicks import FEWEST, SHAPE, Clicks
from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.sync.lines import DRIFT_PPM, NARROWS_S, SHORT_DRIFT_PPM
from syncvid.timeline import PPM, Placement, to_samples

# Energies are summed at this rate: a click lasts 5 ms.
ENERGY_RATE = 500
PER_STEP = ANALYSIS_RATE // ENERGY_RATE

# From so many times the chance level on, the energy of a click counts by its logarithm only; so does
# its height from this many standard deviations on, and its part in a likelihood from so many nats.
SOFT_ENERGY = 10.0
MOST_HEIGHT = 8.0
MOST_NATS = 8.0

# Places that are looked at closely; those closer than this are the same.
MOST_PLACES = 40
APART_S = 0.05

# The likelihood of all offsets is computed again if another place turns out the best.
MOST_SWEEPS = 3

# Rate at which clicks in phase are summed for all offsets at once: between two samples of 16 kHz
# in four the highest counts.
PHASE_RATE = 4000
PER_PHASE = ANALYSIS_RATE // PHASE_RATE

# Where energy finds nothing as clear as this, clicks in phase are tried at drifts so close that
# both ends of the stretch stay in phase, over this stretch at most.
CLEAR_HEIGHT = 20.0
DEEP_S = 90.0
DEEP_DRIFT_PPM = 70.0
DEEP_STEP_S = 0.4e-3
DEEP_PLACES = 12

# A close look reaches so far to either side, and turns the line by so much at its ends.
LOOK = to_samples(0.004, ANALYSIS_RATE)
TURN = to_samples(0.0025, ANALYSIS_RATE)

MOST_LOOKS = 4

# A click ought to be heard if it is worth so many nats, and is if it stands out by so much.
AUDIBLE_NATS = 6.0
HEARD_HEIGHT = 2.5

# Beats before and after the guide, and at both of its ends, that are looked at: four bars of four.
# So many must be audible and agree, standing out by so much within so many samples.
EDGE_BEATS = 16
EDGE_FEWEST = 3
PRESENT_HEIGHT = 4.5
CLEAR_CLICK = 5.5
EDGE_NEAR = 16

# A clip is the guide itself if its sound is this much like the clicks, and nearly all that begins
# in it begins with one of them.
ALONE_LIKENESS = 0.5
ALONE_SHARE = 0.9
ALONE_RISE_DB = 6.0
ALONE_NEAR_S = 0.03


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
class Background:
    """What may be heard of clicks behind a clip's playing.

    Attributes
    ----------
    sound : ndarray, shape (samples,), float32
        The clip, quiet and short sounds standing out.
    trust : ndarray, shape (hops, kinds), float32
        Energy of each kind of click as it would be heard at each hop with amplitude 1.
    noise : ndarray, shape (kinds,), float64
        Variance of a correlation without a click, as a multiple of that energy.
    energies : ndarray, shape (kinds, steps), float32
        Energy of each kind of click at each step, 1 by chance, with its mean taken off.
    """

    sound: Audio = field(repr=False)
    trust: Audio = field(repr=False)
    noise: Floats
    energies: Audio = field(repr=False)

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.sound) / ANALYSIS_RATE


def listen_behind(clip: Audio, clicks: Clicks) -> Background:
    """Make the clicks of a guide stand out of a clip's playing.

    Parameters
    ----------
    clip : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`.
    clicks : Clicks
        What to listen for.

    Returns
    -------
    Background
    """
    profiles = np.abs(fft.rfft(clicks.shapes, SIZE, axis=1)) ** 2
    standing = stand_out(clip, np.asarray(profiles, np.float32), sample_rate=ANALYSIS_RATE)
    steps = len(clip) // PER_STEP
    energies = np.zeros((len(clicks.shapes), steps), np.float32)
    noise = np.ones(len(clicks.shapes))
    at = np.arange(steps) * PER_STEP + (SHAPE + PER_STEP) / 4
    hops = np.arange(len(standing.trust)) * HOP
    for kind, shape in enumerate(clicks.shapes):
        # The analytic shape gives the energy whatever the phase.
        lags = signal.oaconvolve(
            np.pad(standing.samples, (0, SHAPE)), np.conj(signal.hilbert(shape)[::-1])
        )[SHAPE - 1 :][: steps * PER_STEP]
        squares = (lags.real**2 + lags.imag**2).reshape(steps, PER_STEP)
        expected = np.interp(at, hops, standing.trust[:, kind]) if len(hops) else np.zeros(steps)
        ratios = squares / np.maximum(expected, 1e-12)[:, None]
        # Chance: both parts normal, so that the squares' median is 2 ln 2 times one's variance.
        typical = float(np.median(ratios)) if ratios.size else 0.0
        noise[kind] = max(typical / (2 * np.log(2)), 1e-12)
        energy = ratios.max(axis=1, initial=0.0) / noise[kind] / 2
        energy = SOFT_ENERGY * np.log1p(energy / SOFT_ENERGY)
        energies[kind] = energy - energy.mean() if steps else energy
    return Background(standing.samples, standing.trust, noise, energies)


def find_click_leak(behind: Background, clicks: Clicks) -> tuple[ClickPlace, ...]:
    """Find the places where the guide's clicks are heard in a clip.

    Parameters
    ----------
    behind : Background
        From `listen_behind`.
    clicks : Clicks
        The guide's clicks.

    Returns
    -------
    tuple of ClickPlace
        The likeliest first; each another beat.
    """
    places = [_look(behind, clicks, line) for line in _strong_lines(behind, clicks)]
    if max((place.height for place in places), default=0.0) < CLEAR_HEIGHT:
        places += [_look(behind, clicks, line) for line in _deep_lines(behind, clicks)]
    found = _compare(behind, clicks, places)
    for _ in range(MOST_SWEEPS if found else 0):
        best = found[0].line
        swept = [_look(behind, clicks, line) for line in _likely_lines(behind, clicks, best)]
        found = _compare(behind, clicks, [*found, *swept])
        if abs(found[0].line.offset_s - best.offset_s) < APART_S:
            break
    return found


def compare_edges(behind: Background, clicks: Clicks, line: Placement) -> tuple[int, int]:
    """Compare where the guide in the background begins and ends with the guide that is known.

    Parameters
    ----------
    behind : Background
        The clip.
    clicks : Clicks
        The guide's clicks.
    line : Placement
        Where the clip lies.

    Returns
    -------
    (int, int)
        Beats by which the guide in the background begins earlier and ends later than the known one;
        negative where it begins later and ends earlier; 0 where that cannot be told.
    """
    times, beats = clicks.times_s, np.arange(1, EDGE_BEATS + 1)
    loudness = _loudness(_rows(behind, clicks, line))
    beyond = (
        times[0] - beats * (times[1] - times[0]),
        times[-1] + beats * (times[-1] - times[-2]),
    )
    within = (times[:EDGE_BEATS], times[::-1][:EDGE_BEATS])
    earlier, later = (
        _heard_run(behind, clicks, line, outside, loudness)
        or -_missing_run(behind, clicks, line, inside, loudness)
        for outside, inside in zip(beyond, within, strict=True)
    )
    return earlier, later


def _heard_run(
    behind: Background, clicks: Clicks, line: Placement, guide_s: Floats, loudness: float
) -> int:
    """Return up to which of some times clicks are heard without a gap."""
    expected, heights = _heights_at(behind, clicks, line, guide_s, loudness)
    audible = expected >= PRESENT_HEIGHT
    return _run(audible, audible & (heights >= PRESENT_HEIGHT))


def _missing_run(
    behind: Background, clicks: Clicks, line: Placement, guide_s: Floats, loudness: float
) -> int:
    """Return up to which of some times clicks that must be heard are not."""
    expected, heights = _heights_at(behind, clicks, line, guide_s, loudness)
    audible = expected >= CLEAR_CLICK
    return _run(audible, audible & (heights < HEARD_HEIGHT))


def _heights_at(
    behind: Background, clicks: Clicks, line: Placement, guide_s: Floats, loudness: float
) -> tuple[Floats, Floats]:
    """Return how far a click of any kind would stand out at guide times, and how far one does."""
    expected, heights = np.zeros(len(guide_s)), np.zeros(len(guide_s))
    order = np.argsort(guide_s)
    for kind in range(len(clicks.shapes)):
        tried = replace(clicks, times_s=guide_s[order], kinds=np.full(len(guide_s), kind))
        rows = _rows(behind, tried, line)
        at = order[_inside(behind.sound, tried, line)]
        deviations = np.sqrt(rows.noise)
        near = rows.values[:, LOOK - EDGE_NEAR : LOOK + EDGE_NEAR + 1].max(axis=1, initial=0.0)
        expected[at] = np.maximum(expected[at], loudness * rows.expected / deviations)
        heights[at] = np.maximum(heights[at], near / deviations)
    return expected, heights


def _run(audible: NDArray[np.bool_], right: NDArray[np.bool_]) -> int:
    """Return up to which beat all that could be heard is right, if that are enough."""
    wrong = np.flatnonzero(audible & ~right)
    stop = int(wrong[0]) if len(wrong) else len(audible)
    good = np.flatnonzero(right[:stop])
    return int(good[-1]) + 1 if len(good) >= EDGE_FEWEST else 0


def is_guide_alone(clip: Audio, line: Placement, clicks: Clicks, attacks: Attacks) -> bool:
    """Return whether a clip at a place holds nothing but the guide.

    Parameters
    ----------
    clip : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`.
    line : Placement
        Where it lies.
    clicks : Clicks
        The guide's clicks.
    attacks : Attacks
        What begins in the clip.

    Returns
    -------
    bool
    """
    at_s = line.offset_s + attacks.times_s[attacks.rises_db >= ALONE_RISE_DB] * line.rate
    if len(at_s) < FEWEST:
        return False
    away_s = np.min(np.abs(at_s[:, None] - clicks.times_s), axis=1)
    if float(np.mean(away_s < ALONE_NEAR_S)) < ALONE_SHARE:
        return False
    clip_s, kinds, pieces = _pieces(clip, clicks, line)
    size = int(fft.next_fast_len(pieces.shape[1], real=True))
    shapes = np.conj(fft.rfft(clicks.shapes, size, axis=1))
    lags = fft.irfft(fft.rfft(pieces, size, axis=1) * shapes[kinds], size, axis=1)
    tops = np.abs(lags[:, : 2 * LOOK + 1]).max(axis=1, initial=0.0)
    energy = np.sum(pieces**2, axis=1) * np.sum(clicks.shapes**2, axis=1)[kinds]
    likeness = tops / np.sqrt(np.maximum(energy, 1e-20))
    return len(clip_s) >= FEWEST and float(np.median(likeness)) >= ALONE_LIKENESS


def _strong_lines(behind: Background, clicks: Clicks) -> list[Placement]:
    """Return the lines along which most energy lies, each another place."""
    steps = behind.energies.shape[1]
    size = int(fft.next_fast_len(steps + round(clicks.duration_s * ENERGY_RATE) + 8, real=True))
    heard = np.conj(fft.rfft(behind.energies, size, axis=1))
    best, drifts = np.zeros(size, np.float32), np.zeros(size)
    for drift_ppm in _drifts(behind.duration_s):
        sums = fft.irfft(
            (heard * fft.rfft(_comb(clicks, drift_ppm, size, ENERGY_RATE))).sum(axis=0), size
        )
        better = sums > best
        best[better], drifts[better] = sums[better], drift_ppm
    return _peaks(best, drifts, steps, ENERGY_RATE, MOST_PLACES)


def _peaks(best: Audio, drifts: Floats, steps: int, rate: int, count: int) -> list[Placement]:
    """Return the strongest lags of a circular sum as lines, each another place."""
    size, apart = len(best), round(APART_S * rate)
    lines = []
    for _ in range(count):
        lag = int(np.argmax(best))
        if best[lag] <= 0:
            break
        steps_later = lag if lag < size - steps else lag - size
        drift_ppm = float(drifts[lag])
        lines.append(Placement(steps_later / rate * (1 + drift_ppm * PPM), drift_ppm))
        best[np.arange(lag - apart, lag + apart + 1) % size] = 0
    return lines


def _drifts(duration_s: float) -> Floats:
    """Return the drifts that are tried, so close that clicks at both ends lie in one step."""
    widest = np.clip(DRIFT_PPM * NARROWS_S / max(duration_s, 1.0), DRIFT_PPM, SHORT_DRIFT_PPM)
    step = 1e6 / ENERGY_RATE / max(duration_s, 1.0)
    count = int(np.ceil(widest / step))
    return np.arange(-count, count + 1) * step


def _comb(clicks: Clicks, drift_ppm: float, size: int, rate: int) -> Audio:
    """Return the clicks of each kind as impulses on the clip's clock."""
    at = clicks.times_s * rate / (1 + drift_ppm * PPM)
    whole = np.floor(at).astype(np.int64)
    comb = np.zeros((len(clicks.shapes), size), np.float32)
    np.add.at(comb, (clicks.kinds, whole), 1 - (at - whole))
    np.add.at(comb, (clicks.kinds, whole + 1), at - whole)
    return comb


def _heights(behind: Background, clicks: Clicks, kind: int, samples: int) -> tuple[Audio, Audio]:
    """Return how far a click stands out at each step of `PHASE_RATE`, and what it could be worth.

    The second is its expected energy over the deviation, so that height times it is evidence.
    """
    steps = samples // PER_PHASE
    lags = signal.oaconvolve(
        np.pad(behind.sound[:samples], (0, SHAPE)), clicks.shapes[kind][::-1], mode="valid"
    )
    tops = lags[: steps * PER_PHASE].reshape(steps, PER_PHASE).max(axis=1)
    at = np.arange(steps) * PER_PHASE + SHAPE / 4
    expected = np.interp(at, np.arange(len(behind.trust)) * HOP, behind.trust[:, kind])
    deviation = np.sqrt(np.maximum(expected * behind.noise[kind], 1e-12))
    heights = _soften(tops / deviation, MOST_HEIGHT)
    return np.asarray(heights, np.float32), np.asarray(expected / deviation, np.float32)


def _sum_all(evidence: Audio, clicks: Clicks, drifts_ppm: Floats, count: int) -> list[Placement]:
    """Sum the evidence of clicks at all offsets; return the strongest, each another place."""
    steps = evidence.shape[1]
    size = int(fft.next_fast_len(steps + round(clicks.duration_s * PHASE_RATE) + 8, real=True))
    heard = np.conj(fft.rfft(evidence, size, axis=1))
    best = np.full(size, -np.inf, np.float32)
    drifts = np.zeros(size)
    for drift_ppm in drifts_ppm.tolist():
        comb = fft.rfft(_comb(clicks, drift_ppm, size, PHASE_RATE))
        sums = fft.irfft((heard * comb).sum(axis=0), size)
        better = sums > best
        best[better], drifts[better] = sums[better], drift_ppm
    return _peaks(best, drifts, steps, PHASE_RATE, count)


def _likely_lines(behind: Background, clicks: Clicks, best: Placement) -> list[Placement]:
    """Return the likeliest offsets with drift and loudness of a line."""
    loudness = _loudness(_rows(behind, clicks, best))
    nats = []
    for kind in range(len(clicks.shapes)):
        heights, worth = _heights(behind, clicks, kind, len(behind.sound))
        nats.append(_soften(loudness * worth * (heights - loudness * worth / 2), MOST_NATS))
    return _sum_all(np.array(nats), clicks, np.array([best.drift_ppm]), MOST_PLACES)


def _deep_lines(behind: Background, clicks: Clicks) -> list[Placement]:
    """Return the lines along which clicks in phase stand out most."""
    samples = min(len(behind.sound), to_samples(DEEP_S, ANALYSIS_RATE))
    pairs = [_heights(behind, clicks, kind, samples) for kind in range(len(clicks.shapes))]
    evidence = np.array([heights * worth for heights, worth in pairs])
    evidence -= evidence.mean(axis=1, keepdims=True)
    step_ppm = DEEP_STEP_S / (samples / ANALYSIS_RATE) / PPM
    count = int(np.ceil(DEEP_DRIFT_PPM / step_ppm))
    return _sum_all(evidence, clicks, np.arange(-count, count + 1) * step_ppm, DEEP_PLACES)


@dataclass(frozen=True, slots=True)
class _Rows:
    """Correlations with each click around a line.

    `values` has one row per click and one column per sample of deviation in clip time; `expected`
    is the energy of each click with amplitude 1, `noise` the variance without it.
    """

    clip_s: Floats
    values: Audio
    expected: Floats
    noise: Floats


def _pieces(
    sound: Audio, clicks: Clicks, line: Placement
) -> tuple[Floats, NDArray[np.int64], Audio]:
    """Return clip time and kind of each click within a sound, and the sound around it."""
    inside = _inside(sound, clicks, line)
    clip_s = (clicks.times_s[inside] - line.offset_s) / line.rate
    first = np.round(clip_s * ANALYSIS_RATE).astype(np.int64)
    padded = np.pad(sound, (LOOK, LOOK + SHAPE + 1))
    return clip_s, clicks.kinds[inside], padded[first[:, None] + np.arange(2 * LOOK + SHAPE)]


def _inside(sound: Audio, clicks: Clicks, line: Placement) -> NDArray[np.bool_]:
    """Return which clicks lie within a sound."""
    clip_s = (clicks.times_s - line.offset_s) / line.rate
    return np.asarray((clip_s >= 0) & (clip_s < (len(sound) - SHAPE / 2) / ANALYSIS_RATE))


def _rows(behind: Background, clicks: Clicks, line: Placement) -> _Rows:
    """Correlate the clip with each click of the guide near its place on a line."""
    clip_s, kinds, pieces = _pieces(behind.sound, clicks, line)
    length = pieces.shape[1]
    first = np.round(clip_s * ANALYSIS_RATE).astype(np.int64)
    size = int(fft.next_fast_len(length, real=True))
    shapes = np.conj(fft.rfft(clicks.shapes, size, axis=1))
    values = fft.irfft(fft.rfft(pieces, size, axis=1) * shapes[kinds], size, axis=1)
    hops = np.clip(np.round((first + SHAPE / 4) / HOP).astype(np.int64), 0, len(behind.trust) - 1)
    expected = behind.trust[hops, kinds].astype(np.float64)
    return _Rows(
        clip_s,
        values[:, : 2 * LOOK + 1],
        expected,
        np.maximum(expected * behind.noise[kinds], 1e-12),
    )


def _look(behind: Background, clicks: Clicks, line: Placement) -> ClickPlace:
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
    rows = _rows(behind, clicks, line)
    if len(rows.clip_s) < 2:
        return ClickPlace(line, 0.0), False
    deviations = np.sqrt(rows.noise)
    heights = _soften(rows.values / deviations[:, None], MOST_HEIGHT)
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


def _compare(
    behind: Background, clicks: Clicks, places: Iterable[ClickPlace]
) -> tuple[ClickPlace, ...]:
    """Weigh places by their likelihood, all with the loudness that fits the best of them."""
    kept = _apart(places)
    if not kept:
        return ()
    rows = [_rows(behind, clicks, place.line) for place in kept]
    best = 0
    for _ in range(3):
        loudness = _loudness(rows[best])
        likely = [_weigh(place, row, loudness) for place, row in zip(kept, rows, strict=True)]
        before, best = best, int(np.argmax([place.nats for place in likely]))
        if best == before:
            break
    return tuple(sorted(likely, key=lambda place: -place.nats))


def _loudness(rows: _Rows) -> float:
    """Return the amplitude of the leak that fits a line best."""
    if not len(rows.clip_s):
        return 0.0
    deviations = np.sqrt(rows.noise)
    heights = _soften(rows.values[:, LOOK] / deviations, MOST_HEIGHT)
    weights = rows.expected / deviations
    return max(0.0, float(np.dot(heights, weights) / max(float(np.dot(weights, weights)), 1e-12)))


def _weigh(place: ClickPlace, rows: _Rows, loudness: float) -> ClickPlace:
    """Return a place with its likelihood."""
    worth = loudness**2 * rows.expected**2 / rows.noise / 2
    # The look rounded the line to a sample; a click is as good a sample away.
    near = rows.values[:, LOOK - 1 : LOOK + 2].max(axis=1, initial=-np.inf)
    nats = _soften(loudness * near * rows.expected / rows.noise - worth, MOST_NATS)
    audible = worth >= AUDIBLE_NATS
    heard = audible & (near / np.sqrt(rows.noise) >= HEARD_HEIGHT)
    return ClickPlace(
        place.line, place.height, float(nats.sum()), int(audible.sum()), int(heard.sum())
    )


def _soften(values: Any, limit: float) -> Any:
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
