"""Placing a clip by the guide's clicks that leak from the player's headphones.

The clicks lie 25 to 45 dB below the playing.  They are made to stand out of it (`stand_out`), and
searched for in steps.  First each click alone, whatever its phase: its energy is summed along all
lines of offset and drift, which a few transforms do for all offsets at once.  Then the best lines
are looked at closely, with all clicks in phase, to a part of a millisecond.  With drift and
loudness of the best one the likelihood of every offset follows from one more transform.

Clicks are all alike, so that each beat is a rival of the next.  Places are therefore compared by
their log likelihood with the same loudness of the leak: a click that ought to be heard and is not
counts against a place as much as one that is heard counts for it, and no single one for much more
than `MOST_NATS`.
"""

from __future__ import annotations

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.lazily import fft, signal
from syncvid.signals.outstanding import HOP
from syncvid.sync.behind import ENERGY_RATE, Background
from syncvid.sync.click_look import (
    APART_S,
    MOST_HEIGHT,
    MOST_NATS,
    ClickPlace,
    compare_places,
    correlate_clicks,
    fit_loudness,
    look_closely,
    soften,
)
from syncvid.sync.clicks import SHAPE, Clicks
from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.sync.lines import DRIFT_PPM, NARROWS_S, SHORT_DRIFT_PPM
from syncvid.timeline import PPM, Placement, to_samples

# Places that are looked at closely.
MOST_PLACES = 40

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
    places = [look_closely(behind, clicks, line) for line in _strong_lines(behind, clicks)]
    if max((place.height for place in places), default=0.0) < CLEAR_HEIGHT:
        places += [look_closely(behind, clicks, line) for line in _deep_lines(behind, clicks)]
    found = compare_places(behind, clicks, places)
    for _ in range(MOST_SWEEPS if found else 0):
        best = found[0].line
        swept = [look_closely(behind, clicks, line) for line in _likely_lines(behind, clicks, best)]
        found = compare_places(behind, clicks, [*found, *swept])
        if abs(found[0].line.offset_s - best.offset_s) < APART_S:
            break
    return found


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
    return np.asarray(np.arange(-count, count + 1) * step, np.float64)


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
    heights = soften(tops / deviation, MOST_HEIGHT)
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
    loudness = fit_loudness(correlate_clicks(behind, clicks, best))
    nats = []
    for kind in range(len(clicks.shapes)):
        heights, worth = _heights(behind, clicks, kind, len(behind.sound))
        nats.append(soften(loudness * worth * (heights - loudness * worth / 2), MOST_NATS))
    return _sum_all(np.array(nats), clicks, np.array([best.drift_ppm]), MOST_PLACES)


def _deep_lines(behind: Background, clicks: Clicks) -> list[Placement]:
    """Return the lines along which clicks in phase stand out most."""
    samples = min(len(behind.sound), to_samples(DEEP_S, ANALYSIS_RATE))
    pairs = [_heights(behind, clicks, kind, samples) for kind in range(len(clicks.shapes))]
    evidence = np.array([heights * worth for heights, worth in pairs])
    evidence -= evidence.mean(axis=1, keepdims=True)
    step_ppm = DEEP_STEP_S / (samples / ANALYSIS_RATE) / PPM
    count = int(np.ceil(DEEP_DRIFT_PPM / step_ppm))
    return _sum_all(
        evidence,
        clicks,
        np.asarray(np.arange(-count, count + 1) * step_ppm, np.float64),
        DEEP_PLACES,
    )
