"""Placing one clip whose own sound is in the reference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from syncvid.arrays import Floats
from syncvid.production.results import Rival
from syncvid.sync import ballot
from syncvid.sync.edits import far_lines, in_clip, near_shifts
from syncvid.sync.hearing import ANALYSIS_RATE, Heard
from syncvid.sync.lines import (
    DRIFT_PPM,
    LINE_RATE,
    NARROWS_S,
    SHORT_DRIFT_PPM,
    WINDOW,
    LineScores,
    Searchable,
    prepare,
    score_lines,
    strongest,
)
from syncvid.sync.refine import (
    NEAR_S,
    Fit,
    deviation_s,
    read_lags,
    refine,
    sum_near,
    weighted_median,
)
from syncvid.sync.spans import Located, locate, to_spans
from syncvid.sync.stretches import Pair, find_stretched
from syncvid.sync.votes import Count, count_votes
from syncvid.sync.windows import Rows, correlate_near
from syncvid.timeline import PPM, Placement, Span

# Clips up to this length, or laid against a sound up to this length, are also searched over the
# whole band: a few seconds below 2 kHz alone say too little.
SHORT_S = 20.0

# Evidence, in standard deviations, with which no other search is tried.
PLENTY = 16.0

# Places closer than this are one place: a moved phrase rather than another bar.
APART_S = 0.12

# Places that are looked at closely.
MOST_PLACES = 8

# How far a close look may move a line: half a millisecond of lag at the ends, rounded up.
LOOK_OFFSET_S = 1e-3
LOOK_DRIFT_PPM = 15.0

# After a close look a line's drift is known to this, over a few minutes.
FINE_DRIFT_PPM = 4.0

# Lags that are read around a line in a close look.
LOOK_REACH_S = 0.02

# Windows for refining: long enough to be clear alone, close enough to find the edges of spans.
FINE_WINDOW_S = 2.0
FINE_HOP_S = 0.5

# Half a period of the lowest tones, and how much better upside down must fit than upright.
TURN_S = 4e-3
TURNED = 1.2

# Log likelihood ratio of presence from which on it tells places apart.  At a wrong place it stays
# below 25, at the place of another take of the same notes below 45.
HEARD_LEAST = 40.0

# A place this near a line is on it, in seconds.
SAME_PLACE_S = 4e-3

# Phrases are moved by up to 80 ms as a rule, phones drop up to 200 ms; more is found as an edit.
FINE_REACH_S = 0.25

# A window on a moved phrase helps to say by how much if it stands out by this.
SETTLES = 2.5

# Far lines that are looked at, and how near two are the same, in seconds.
MOST_FAR = 6
SAME_FAR_S = 2e-3

# A window prefers one of two places if it is clear there and this many times as strong.
CLEAR = 5.0
PREFERS = 1.6

# Strength that a window has by chance at the best of the lags near a line, and how many clear
# windows are enough to measure with.
CHANCE = 2.5
FEWEST_CLEAR = 4.0

# A place that explains windows which the best one does not is an edit of the mix: least evidence,
# fewest such windows, and how many times as many as those that both explain.
EDIT_SCORE = 10.0
EDIT_WINDOWS = 3
EDIT_SHARE = 3


@dataclass(frozen=True, slots=True)
class Target:
    """A reference that clips are placed against.

    Attributes
    ----------
    heard : Heard
        Its sound.
    searchable : Searchable
        Its coarse version, transformed.
    """

    heard: Heard
    searchable: Searchable = field(repr=False)


@dataclass(frozen=True, slots=True)
class Place:
    """A place that was looked at closely.

    Attributes
    ----------
    line : Placement
        Where.
    score : float
        Evidence of all windows together, in standard deviations.
    inverted : bool
        Whether the clip fits upside down.
    peaks : ndarray, shape (windows,), float64
        Evidence of each window of the clip, in standard deviations.
    presence : float or None
        Log likelihood ratio that the clip is heard there, where it was asked for.
    """

    line: Placement
    score: float
    inverted: bool
    peaks: Floats = field(repr=False)
    presence: float | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that a clip's windows say about its place.

    Attributes
    ----------
    line : Placement
        The best place, refined.
    score : float
        Its evidence, in standard deviations.
    spread_s : float
        Robust standard deviation of the windows' lags around the line; infinite if too few windows
        are clear on their own.
    spans : tuple of Span
        Where the clip's sound is in the reference.
    count : Count
        The votes of the windows, and how many agree.
    rivals : tuple of Rival
        Other places that would explain the same windows, strongest first.
    contested : int
        Windows that fit the strongest rival as well.
    decided : int
        Windows that tell the best place from its strongest rival, for minus against.
    presence : float
        Log likelihood ratio that the clip is heard in its spans, against that it is not.
    divided : float
        Length on the next longest of its lines as a share of that on the longest, if gaps between
        the two are on the former; 0 for a clip in one piece.
    """

    line: Placement
    score: float
    spread_s: float
    spans: tuple[Span, ...]
    count: Count
    rivals: tuple[Rival, ...]
    contested: int
    decided: int
    presence: float = 0.0
    divided: float = 0.0

    @property
    def rival_share(self) -> float:
        """Evidence of the strongest rival as a share of that of the best place."""
        return self.rivals[0].strength if self.rivals else 0.0


def make_target(heard: Heard) -> Target:
    """Transform a reference once for all clips."""
    return Target(heard, prepare(heard.coarse))


def find_evidence(clip: Heard, target: Target) -> Evidence:
    """Place a clip by its own sound.

    Parameters
    ----------
    clip : Heard
        A sound that is not silent.
    target : Target
        The reference.

    Returns
    -------
    Evidence
    """
    short = min(clip.duration_s, target.heard.duration_s) <= SHORT_S
    rate = ANALYSIS_RATE if short else LINE_RATE
    searchable = prepare(target.heard.full) if short else target.searchable
    quick = ballot.decide(ballot.hold_ballot(clip.at_rate(rate), searchable, rate))
    if quick is not None:
        evidence = _weigh(clip, target, quick)
        if evidence.score >= PLENTY:
            return evidence
    evidence = _weigh(clip, target, score_lines(clip.coarse, target.searchable))
    if short:
        whole_band = score_lines(clip.full, searchable, sample_rate=ANALYSIS_RATE)
        return max(evidence, _weigh(clip, target, whole_band), key=_trust)
    if evidence.score < PLENTY and clip.duration_s > NARROWS_S * DRIFT_PPM / SHORT_DRIFT_PPM:
        wide = score_lines(clip.coarse, target.searchable, drift_ppm=SHORT_DRIFT_PPM)
        evidence = max(evidence, _weigh(clip, target, wide), key=_trust)
    return evidence


def _trust(evidence: Evidence) -> float:
    """Return what to choose between two searches by."""
    return evidence.presence if evidence.presence >= HEARD_LEAST else evidence.score / 100


def _weigh(clip: Heard, target: Target, scores: LineScores) -> Evidence:
    """Gather what speaks for the best of a search's lines, and against it."""
    best, *others = _by_presence(clip, target, find_candidates(clip, target, scores))
    rows = fine_rows(clip, target, best.line)
    inverted = _is_inverted(rows, best.line)
    if inverted:
        clip, rows = clip.inverted(), rows.inverted()
    fit = refine(rows, best.line, offset_s=TURN_S, drift_ppm=FINE_DRIFT_PPM)
    rows = rows.moved(deviation_s(rows, best.line, fit.line))
    rivals, edits = _sort_out(best, others)
    rivals = sorted(rivals, key=lambda place: -_as_rival(best, place).strength)
    far = [place.line for place in (*edits, *rivals) if place.score >= EDIT_SCORE]
    heard = rows.clip_s, _clearly(rows)
    located = locate(clip, target.heard, [fit.line], heard)
    if located.gaps():
        located = _fill_gaps(_Pieces(clip, target, scores, rows, inverted, heard), located, far)
    located, fit = _on_main(located, rows, fit)
    spans = to_spans(located, clip.duration_s, fit.line.drift_ppm)
    playing = clip.playing(rows.clip_s, FINE_WINDOW_S)
    rows = rows.moved(deviation_s(rows, located.lines[0], fit.line))
    count = count_votes(rows, fit.line, spans, playing, scores, inverted=inverted)
    used = [located.lines[state] for state in {run.state for run in located.runs}]
    rivals = [place for place in rivals if not _is_one_of(place.line, used, clip.duration_s)]
    contested, decided = _compare(best, rivals[0] if rivals else None)
    listed = tuple(_as_rival(best, place) for place in rivals)
    return Evidence(
        fit.line,
        best.score,
        fit.spread_s,
        spans,
        count,
        listed,
        contested,
        decided,
        located.evidence,
        located.divided(),
    )


def _by_presence(clip: Heard, target: Target, places: Sequence[Place]) -> list[Place]:
    """Sort places of a clip that is not loud anywhere by whether it is heard there."""
    if places[0].score >= PLENTY:
        return list(places)
    asked = []
    for place in places:
        sound = clip.inverted() if place.inverted else clip
        everywhere = np.array([0.0, clip.duration_s]), np.ones(2)
        heard = locate(sound, target.heard, [place.line], everywhere).evidence
        asked.append(replace(place, presence=heard))
    if max(place.presence or 0.0 for place in asked) < HEARD_LEAST:
        return asked
    return sorted(asked, key=lambda place: -(place.presence or 0.0))


@dataclass(frozen=True, slots=True)
class _Pieces:
    """What the search for edits needs: `rows` lie along the clip's line."""

    clip: Heard
    target: Target
    scores: LineScores
    rows: Rows
    inverted: bool
    heard: tuple[Floats, Floats]


def _clearly(rows: Rows) -> Floats:
    """Return how clearly each window is heard on its line, from 0 for chance to 1."""
    heights = read_lags(rows, np.zeros(len(rows.clip_s))).heights
    clearly = np.clip((heights - CHANCE) / (CLEAR - CHANCE), 0.0, 1.0)
    # Too quiet throughout for a single window to be clear: all of them have a say.
    return clearly if clearly.sum() >= FEWEST_CLEAR else np.ones(len(heights))


def _fill_gaps(pieces: _Pieces, located: Located, far: Sequence[Placement]) -> Located:
    """Look elsewhere for what is missing on the clip's line."""
    clip, target, line = pieces.clip, pieces.target, located.lines[0]
    gaps = in_clip(located, located.gaps(), clip.duration_s)
    shifts = near_shifts(pieces.rows, gaps)
    near = [Placement(line.offset_s + shift, line.drift_ppm) for shift in shifts]
    rough = [*far, *far_lines(pieces.scores, line, gaps, inverted=pieces.inverted)]
    lines = [line, *near, *_exact(pieces, [line, *near], rough)]
    if len(lines) > 1:
        located = locate(clip, target.heard, lines, pieces.heard)
    pair = Pair(clip.coarse, target.heard.coarse, clip.full, target.heard.full)
    times_s = located.times_s
    stretched = [
        find_stretched(pair, line, times_s[gap.first], times_s[gap.last - 1])
        for gap in located.gaps()
    ]
    steep = [found for found in stretched if found is not None]
    if steep:
        located = locate(clip, target.heard, [*located.lines, *steep], pieces.heard)
    return located


def _exact(
    pieces: _Pieces, known: Sequence[Placement], rough: Sequence[Placement]
) -> list[Placement]:
    """Refine far lines, leaving out those that are known or the same as another."""
    middle_s = pieces.clip.duration_s / 2
    seen = [line.to_reference(middle_s) for line in known]
    lines: list[Placement] = []
    for other in rough[:MOST_FAR]:
        if min(abs(other.to_reference(middle_s) - at_s) for at_s in seen) < SAME_FAR_S:
            continue
        exact = _refined(pieces.clip, pieces.target, other).line
        if min(abs(exact.to_reference(middle_s) - at_s) for at_s in seen) > SAME_FAR_S:
            lines.append(exact)
            seen.append(exact.to_reference(middle_s))
    return lines


def _on_main(located: Located, rows: Rows, fit: Fit) -> tuple[Located, Fit]:
    """Refine the pieces; let the clip's line be the one on which most of it lies."""
    on_line = [located.length_on(state) for state in range(len(located.lines))]
    flat = [abs(line.drift_ppm) < ballot.STEEPEST_PPM for line in located.lines]
    main = max(range(len(on_line)), key=lambda state: on_line[state] * flat[state])
    if len(located.lines) == 1 or not on_line[main]:
        return located, fit
    first = located.lines[0]
    shifts = [_settled_s(located, state, rows) for state in range(len(located.lines))]
    lines = [
        line if shift is None else Placement(first.offset_s + shift, first.drift_ppm)
        for line, shift in zip(located.lines, shifts, strict=True)
    ]
    main_line = lines[main]
    return replace(located, lines=tuple(lines)), Fit(main_line, fit.spread_s)


def _settled_s(located: Located, state: int, rows: Rows) -> float | None:
    """Return how far a near line lies from the first one by the windows on it, in seconds."""
    first, line = located.lines[0], located.lines[state]
    if state == 0 or line.drift_ppm != first.drift_ppm:
        return None
    shift = line.offset_s - first.offset_s
    if abs(shift) > FINE_REACH_S - 4 * NEAR_S:
        return None
    here = np.zeros(len(rows.clip_s), np.bool_)
    for run in located.runs:
        if run.state == state:
            from_s, to_s = (line.to_clip(located.times_s[at]) for at in (run.first, run.last - 1))
            here |= (rows.clip_s > from_s) & (rows.clip_s < to_s)
    peaks = read_lags(rows, np.full(len(rows.clip_s), shift))
    clear = here & (peaks.heights >= SETTLES)
    if not clear.any():
        return None
    return weighted_median(peaks.positions[clear], np.square(peaks.heights[clear]))


def find_candidates(clip: Heard, target: Target, scores: LineScores) -> list[Place]:
    """Look closely at the lines that deserve it.

    Parameters
    ----------
    clip : Heard
        The clip.
    target : Target
        The reference.
    scores : LineScores
        From `score_lines`.

    Returns
    -------
    list of Place
        The strongest first; at least one.
    """
    upside_down = clip.inverted()
    places = []
    rate = scores.sample_rate
    for index in strongest(scores, apart=round(APART_S * rate), count=MOST_PLACES):
        drift_ppm = float(scores.slopes[index]) * scores.slope_ppm
        first_s = (scores.first_lag + index) / rate
        line = Placement(first_s - drift_ppm * PPM * scores.window_s / 2, drift_ppm)
        inverted = bool(scores.inverted[index])
        sound = upside_down if inverted else clip
        places.append(_look_closely(sound, target, line, rate, inverted=inverted))
    for line, inverted in (*scores.elected, *_steep_lines(scores)):
        sound = upside_down if inverted else clip
        places.append(_look_closely(sound, target, line, rate, inverted=inverted))
    if not places:
        places.append(_look_closely(clip, target, Placement(0.0), rate, inverted=False))
    return sorted(places, key=lambda place: -place.score)


def _steep_lines(scores: LineScores) -> list[tuple[Placement, bool]]:
    """Return the lines on which most of the windows' own best lags lie, however steep."""
    if scores.elected:
        return []
    found = []
    for side in (0, 1):
        clear = scores.window_peaks[side] >= ballot.CLEAR
        times_s = ((np.arange(len(clear)) + 0.5) * scores.window_s)[clear]
        lags_s = scores.window_lags[side][clear] / scores.sample_rate
        line, _ = ballot.steep_line(times_s, lags_s, 2 * scores.window_s)
        if line is not None:
            found.append((line, bool(side)))
    return found


def _look_closely(
    clip: Heard, target: Target, line: Placement, sample_rate: int, *, inverted: bool
) -> Place:
    """Sum the evidence along a line exactly, and keep what each window says."""
    sound, window_s = clip.at_rate(sample_rate), WINDOW / sample_rate
    rows = correlate_near(
        sound,
        target.heard.at_rate(sample_rate),
        line,
        sample_rate=sample_rate,
        window_s=window_s,
        hop_s=window_s,
        reach_s=LOOK_REACH_S,
    )
    summed = sum_near(rows, line, offset_s=LOOK_OFFSET_S, drift_ppm=LOOK_DRIFT_PPM)
    peaks = np.zeros(-(-len(sound) // WINDOW))
    strengths = read_lags(rows, deviation_s(rows, line, summed.line)).heights
    peaks[(rows.clip_s / window_s).astype(np.int64)] = strengths
    return Place(summed.line, summed.score, inverted, peaks)


def fine_rows(clip: Heard, target: Target, line: Placement) -> Rows:
    """Correlate short windows over the full band along a line."""
    return correlate_near(
        clip.full,
        target.heard.full,
        line,
        sample_rate=ANALYSIS_RATE,
        window_s=FINE_WINDOW_S,
        hop_s=FINE_HOP_S,
        reach_s=FINE_REACH_S,
    )


def _refined(clip: Heard, target: Target, line: Placement) -> Fit:
    """Refine a line over the full band."""
    rows = fine_rows(clip, target, line)
    return refine(rows, line, offset_s=TURN_S, drift_ppm=FINE_DRIFT_PPM)


def _is_inverted(rows: Rows, line: Placement) -> bool:
    """Return whether a clip fits upside down, by the full band.

    A low tone fits upside down half a period later almost as well; overtones tell.
    """
    upright, inverted = (
        sum_near(sound, line, offset_s=TURN_S, drift_ppm=FINE_DRIFT_PPM).score
        for sound in (rows, rows.inverted())
    )
    return inverted > TURNED * upright


def _sort_out(best: Place, others: Sequence[Place]) -> tuple[list[Place], list[Place]]:
    """Part other places into rivals, and edits that explain windows which the best does not."""
    rivals: list[Place] = []
    edits: list[Place] = []
    for other in others:
        if abs(other.line.offset_s - best.line.offset_s) < APART_S:
            continue
        clear = other.peaks >= CLEAR
        wins = int(np.sum(clear & (other.peaks > PREFERS * best.peaks)))
        shared = int(np.sum(clear)) - wins
        edit = wins >= EDIT_WINDOWS and wins > EDIT_SHARE * shared
        (edits if edit and other.score >= EDIT_SCORE else rivals).append(other)
    return rivals, edits


def _compare(best: Place, rival: Place | None) -> tuple[int, int]:
    """Return how many windows fit a rival as well, and how many decide against it."""
    if rival is None:
        return 0, int(np.sum(best.peaks >= CLEAR))
    clear = np.maximum(best.peaks, rival.peaks) >= CLEAR
    for_best = clear & (best.peaks > PREFERS * rival.peaks)
    against = clear & (rival.peaks > PREFERS * best.peaks)
    contested = clear & ~for_best & ~against
    return int(contested.sum()), int(for_best.sum()) - int(against.sum())


def _is_one_of(line: Placement, lines: Sequence[Placement], length_s: float) -> bool:
    """Return whether a line is one of those on which pieces of the clip were found."""
    at_s = line.to_reference(length_s / 2)
    return any(abs(at_s - other.to_reference(length_s / 2)) < SAME_PLACE_S for other in lines)


def _as_rival(best: Place, place: Place) -> Rival:
    """Return a place as a rival of the best one."""
    share = place.score / best.score if best.score > 0 else 1.0
    if best.presence is not None and best.presence >= HEARD_LEAST:
        # What chance gives is as high as what a quiet clip gives; only presence has a true zero.
        share = (place.presence or 0.0) / best.presence
    return Rival(place.line.offset_s, float(np.clip(share, 0.0, 1.0)))
