"""A place by musical timing alone: the clip is another take of the music than the reference.

Players differ by tens of milliseconds from take to take; the place is where the median of the notes
that both takes share falls together.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from syncvid.arrays import Audio
from syncvid.production.results import Rival, Vote
from syncvid.signals.notes import HOP_S, NoteBands, find_notes
from syncvid.signals.peaks import fit_parabola
from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.sync.note_pairs import NotePairs, pair_notes
from syncvid.sync.passages import Passages, compare_passages
from syncvid.sync.takes import Fits, best_lags, compare_takes
from syncvid.timeline import PPM, Placement

# Places that the passages compare.
MOST_PLACES = 25

# Clocks of phones are off by some 30 ppm.  A slope through the notes counts as far as it is better
# known than that, and not at all from twice that standard error on, where less than a fifth would
# be left of it.  Neighbouring notes err together: twice the error.
USUAL_PPM = 30.0
KNOWN_PPM = 60.0
TOGETHER = 2.0


@dataclass(frozen=True, slots=True)
class TimingTarget:
    """A reference that clips are placed against by musical timing."""

    notes: NoteBands


@dataclass(frozen=True, slots=True)
class OtherKey:
    """Evidence of the best and of the next best place in another key, in standard deviations."""

    score: float
    rival: float


@dataclass(frozen=True, slots=True)
class TimingEvidence:
    """All that musical timing says about a clip's place.

    Attributes
    ----------
    placement : Placement
        The best place.
    score : float
        Its evidence, in standard deviations over all lags.
    rivals : tuple of Rival
        Other places, strongest first.
    passages : Passages
        What the passages of the clip say about the best places.
    pairs : NotePairs
        The notes that were found in the reference.
    apart_s : float
        How far two ways of reading the common lag differ: by what begins first and by what is
        loudest.  They differ where other players hide the part.
    inside : float
        Share of the clip's onsets that meet the reference, 0 to 1.
    keys : dict of int to OtherKey
        What the notes say if the reference is taken to lie so many semitones higher.
    """

    placement: Placement
    score: float
    rivals: tuple[Rival, ...]
    passages: Passages = field(repr=False)
    pairs: NotePairs = field(repr=False)
    apart_s: float
    inside: float
    keys: dict[int, OtherKey] = field(repr=False)

    @property
    def rival_share(self) -> float:
        """Evidence of the strongest rival as a share of that of the best place."""
        return self.rivals[0].strength if self.rivals else 0.0

    @property
    def votes(self) -> tuple[Vote, ...]:
        """What each passage says, for the plot."""
        return _votes(self.passages, self.placement)


def prepare_timing(samples: Audio) -> TimingTarget:
    """Listen to a reference once for all clips.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`.

    Returns
    -------
    TimingTarget
    """
    return TimingTarget(find_notes(samples, sample_rate=ANALYSIS_RATE))


def find_by_timing(samples: Audio, target: TimingTarget) -> TimingEvidence | None:
    """Place a clip by the timing of its notes.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        The clip, mono sound at `ANALYSIS_RATE`.
    target : TimingTarget
        The reference.

    Returns
    -------
    TimingEvidence or None
        None if one of the two has no notes.
    """
    clip = find_notes(samples, sample_rate=ANALYSIS_RATE)
    if clip.silent or target.notes.silent:
        return None
    fits = compare_takes(clip, target.notes)
    lags = best_lags(fits, MOST_PLACES)
    pairs = pair_notes(clip, target.notes, int(lags[0]))
    first_s = _peak_s(fits, int(lags[0]))
    loudest_s = pairs.median_s if pairs.count else first_s
    heights = fits.scores[lags - fits.first_lag_hops]
    strengths = np.clip(heights / max(heights[0], 1e-9), 0.0, 1.0)
    return TimingEvidence(
        draw_line(pairs, (first_s + loudest_s) / 2),
        float(heights[0]),
        tuple(
            Rival(float(lag * HOP_S), float(strength))
            for lag, strength in zip(lags[1:], strengths[1:], strict=True)
        ),
        compare_passages(clip, target.notes, lags),
        pairs,
        abs(first_s - loudest_s),
        _inside(clip, len(target.notes), int(lags[0])),
        {key: OtherKey(*pair) for key, pair in fits.keys.items() if key},
    )


def _peak_s(fits: Fits, lag: int) -> float:
    """Return where exactly the score is highest near its peak."""
    at = min(max(lag - fits.first_lag_hops, 1), len(fits.scores) - 2)
    top = fit_parabola(*(fits.scores[at + step : at + step + 1] for step in (-1, 0, 1)))
    return (at + fits.first_lag_hops + float(top.positions[0])) * HOP_S


def _inside(clip: NoteBands, length: int, lag: int) -> float:
    """Return the share of a clip's onsets that meet the reference."""
    energy = np.square(clip.onsets).sum(axis=1, dtype=np.float64)
    return float(energy[max(0, -lag) : max(0, length - lag)].sum() / max(energy.sum(), 1e-12))


def draw_line(pairs: NotePairs, lag_s: float) -> Placement:
    """Return the line through the middle of the notes, with a slope if it is well known.

    Parameters
    ----------
    pairs : NotePairs
        From `pair_notes`.
    lag_s : float
        Reference minus clip in the middle of the notes, in seconds.

    Returns
    -------
    Placement
        Without drift where the notes tell it to no better than `KNOWN_PPM`.
    """
    if pairs.count < 3:
        return Placement(lag_s)
    clip_s = pairs.clip_s[pairs.matched]
    away_s = clip_s - clip_s.mean()
    wide_s = float(np.sqrt(np.square(away_s).sum()))
    error_ppm = TOGETHER * max(pairs.spread_s, HOP_S) / max(wide_s, 1e-9) / PPM
    if error_ppm > KNOWN_PPM:
        return Placement(lag_s)
    slope = float((away_s * (pairs.lag_s[pairs.matched] - lag_s)).sum() / wide_s**2)
    drift_ppm = slope / PPM * USUAL_PPM**2 / (USUAL_PPM**2 + error_ppm**2)
    return Placement(lag_s - drift_ppm * PPM * float(clip_s.mean()), drift_ppm)


def _votes(passages: Passages, line: Placement) -> tuple[Vote, ...]:
    """Return what each passage says: its lag, and how far it stands out among the places."""
    elsewhere = passages.similar[1:] if len(passages.similar) > 1 else passages.similar
    usual, spread = elsewhere.mean(axis=0), elsewhere.std(axis=0) + 1e-6
    strengths = (passages.similar[0] - usual) / spread
    clip_s = passages.clip_hops * HOP_S
    lags_s = line.offset_s + line.drift_ppm * PPM * clip_s + passages.off_hops * HOP_S
    return tuple(
        Vote(float(time), float(lag), float(strength), bool(agrees))
        for time, lag, strength, agrees, heard in zip(
            clip_s, lags_s, strengths, passages.agreeing, passages.heard, strict=True
        )
        if heard
    )
