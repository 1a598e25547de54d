"""The playing against the beats of a guide: which bar it is, and how late the player plays.

Notes begin on beats and simple parts of beats, some tens of milliseconds after the click; where the
guide changes its tempo, only the right bar lets all of them do so.  Where it does not, every bar
fits as well, and only the end of the music speaks for one.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.lazily import ndimage
from syncvid.signals.attacks import HOP, Attacks, BandLevels, find_attacks, measure_bands
from syncvid.sync.clicks import Clicks
from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.timeline import Placement

# Parts of a beat on which notes begin, and how often, roughly; the rest begin anywhere.
PARTS = ((0.0, 0.55), (0.5, 0.27), (0.25, 0.05), (0.75, 0.05), (1 / 3, 0.04), (2 / 3, 0.04))
ANYWHERE = 0.15

# Players scatter by this much around their own lag; lags that are tried, and how they spread.
SCATTER_S = 0.022
LAGS_S = np.arange(-0.03, 0.131, 0.01)
USUAL_LAG_S = 0.025
LAG_SPREAD_S = 0.04

# A rise of this many decibels over all bands counts in full; below the second one, not at all.
FULL_RISE_DB = 8.0
LEAST_RISE_DB = 4.0

# Notes that tell a lag, and how near to their part of the beat they lie.
FEWEST_NOTES = 8
NEAR_S = 0.06
CLICK_ITSELF_S = 0.004

# The end of the music: levels over this many hops, in so many bands so far above the last ones of
# the clip, and how much of half a second that must be so.
END_HOPS = 12
END_BANDS = 3
END_DB = 8.0
END_SHARE = 0.6
END_STEPS = 10
TAIL_STEPS = 14

# A clip that ends so soon after the music, or on a sound so far above its noise, was cut.
CUT_S = 1.2
CUT_DB = 12.0


@dataclass(frozen=True, slots=True)
class Playing:
    """What is heard of the player.

    Attributes
    ----------
    attacks : Attacks
        Sudden beginnings.
    end_s : float or None
        Clip time at which the music ends; None where the clip ends before it.
    """

    attacks: Attacks = field(repr=False)
    end_s: float | None


@dataclass(frozen=True, slots=True)
class BeatFit:
    """How the beginnings of notes fit the beats at a place.

    Attributes
    ----------
    nats : float
        Log likelihood against notes that begin anywhere.
    notes : int
        Notes that were looked at.
    lag_s : float
        How much later than the click they begin.
    """

    nats: float
    notes: int
    lag_s: float


def hear_playing(clip: Audio) -> Playing:
    """Find the attacks in a clip and the end of its music.

    Parameters
    ----------
    clip : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`.

    Returns
    -------
    Playing
    """
    levels = measure_bands(clip, sample_rate=ANALYSIS_RATE)
    attacks = find_attacks(clip, levels, sample_rate=ANALYSIS_RATE)
    return Playing(attacks, _end_s(levels, len(clip) / ANALYSIS_RATE))


def _end_s(levels: BandLevels, duration_s: float) -> float | None:
    """Return when the music ends, or None if the clip ends first."""
    steps = len(levels.power) // END_HOPS
    if steps < 2 * TAIL_STEPS:
        return None
    power = levels.power[: steps * END_HOPS].reshape(steps, END_HOPS, -1).mean(axis=1)
    level_db = 10 * np.log10(power + 1e-12)
    noise_db = 10 * np.log10(levels.noise + 1e-12)
    tail_db = np.median(level_db[-TAIL_STEPS:], axis=0)
    if float(np.mean(tail_db - noise_db)) > CUT_DB:
        return None
    above = (level_db > np.maximum(tail_db, noise_db) + END_DB).sum(axis=1) >= END_BANDS
    often = ndimage.uniform_filter1d(above.astype(np.float64), END_STEPS) > END_SHARE
    playing = np.flatnonzero(above & often)
    if not len(playing):
        return None
    end_s = float((playing[-1] + 1) * END_HOPS * HOP / ANALYSIS_RATE)
    return end_s if duration_s - end_s > CUT_S else None


def fit_beats(playing: Playing, line: Placement, clicks: Clicks, *, from_guide_s: float) -> BeatFit:
    """Measure how the notes fit the beats if the clip lies on a line.

    Parameters
    ----------
    playing : Playing
        What is heard of the player.
    line : Placement
        The place.
    clicks : Clicks
        The beats.
    from_guide_s : float
        Where the music begins at the earliest, in guide seconds.

    Returns
    -------
    BeatFit
    """
    at_s, weights = _notes(playing, line, from_guide_s, clicks.end_s)
    if not len(at_s):
        return BeatFit(0.0, 0, 0.0)
    best = (-np.inf, 0.0)
    for lag_s in LAGS_S.tolist():
        position, beat_s = _in_beat(at_s - lag_s, clicks)
        density = np.full(len(position), ANYWHERE)
        for part, share in PARTS:
            off_s = (position - part - np.round(position - part)) * beat_s
            bell = np.exp(-0.5 * (off_s / SCATTER_S) ** 2) / np.sqrt(2 * np.pi)
            density += (1 - ANYWHERE) * share * bell * beat_s / SCATTER_S
        unusual = 0.5 * ((lag_s - USUAL_LAG_S) / LAG_SPREAD_S) ** 2
        best = max(best, (float(np.dot(weights, np.log(density))) - unusual, lag_s))
    return BeatFit(best[0], len(at_s), best[1])


def measure_lag(
    playing: Playing, line: Placement, clicks: Clicks, *, from_guide_s: float
) -> float | None:
    """Measure how much later than the click a player plays.

    Parameters
    ----------
    playing : Playing
        What is heard of the player.
    line : Placement
        Where the clip lies by the guide as the player heard it.
    clicks : Clicks
        The beats.
    from_guide_s : float
        Where the music begins at the earliest.

    Returns
    -------
    float or None
        Median over the notes on beats and half beats, in seconds; None if there are too few.
    """
    fit = fit_beats(playing, line, clicks, from_guide_s=from_guide_s)
    at_s, _ = _notes(playing, line, from_guide_s, clicks.end_s)
    if fit.notes < FEWEST_NOTES:
        return None
    # What begins within a few milliseconds of a click may be the click itself, in the background.
    away_s = np.min(np.abs(at_s[:, None] - clicks.times_s), axis=1)
    at_s = at_s[away_s > CLICK_ITSELF_S]
    position, beat_s = _in_beat(at_s - fit.lag_s, clicks)
    off_s = (position - np.round(2 * position) / 2) * beat_s
    near = np.abs(off_s) < NEAR_S
    if int(near.sum()) < FEWEST_NOTES:
        return None
    return fit.lag_s + float(np.median(off_s[near]))


def _notes(
    playing: Playing, line: Placement, from_guide_s: float, to_guide_s: float
) -> tuple[Floats, Floats]:
    """Return guide times and weights of the notes within a stretch of the guide."""
    attacks = playing.attacks
    at_s = line.offset_s + attacks.times_s * line.rate
    kept = (attacks.rises_db > LEAST_RISE_DB) & (at_s > from_guide_s) & (at_s < to_guide_s)
    return at_s[kept], np.minimum(attacks.rises_db[kept] / FULL_RISE_DB, 1.0)


def _in_beat(at_s: Floats, clicks: Clicks) -> tuple[Floats, Floats]:
    """Return where in its beat each time lies, 0 to 1, and how long that beat is."""
    times = clicks.times_s
    edges = np.concatenate(([2 * times[0] - times[1]], times, [clicks.end_s]))
    beat = np.clip(np.searchsorted(edges, at_s, side="right") - 1, 0, len(edges) - 2)
    length_s = edges[beat + 1] - edges[beat]
    return (at_s - edges[beat]) / length_s, length_s
