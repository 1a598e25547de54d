"""The votes of a clip's windows, for the user to see and for the verdict to count."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Floats
from syncvid.production.results import Vote
from syncvid.sync.lines import LineScores
from syncvid.sync.refine import deviation_s, read_lags
from syncvid.sync.windows import Rows
from syncvid.timeline import PPM, Placement, Span

# Votes are this far apart, which is the length of a window: they share no sound.
VOTE_S = 2.0

# A window agrees if its own lag lies this close to a line and stands out by so many standard
# deviations; its peak is looked for in twice that.
AGREES_S = 0.5e-3
AGREES_STRENGTH = 4.0

# A clip plays in a window if `Heard.playing` says at least this.
PLAYS = 0.5


@dataclass(frozen=True, slots=True)
class Count:
    """The votes and their sum.

    Attributes
    ----------
    votes : tuple of Vote
        One per window.
    agreeing : int
        Windows that lie on a span's line.
    playing : int
        Windows inside the spans in which the clip plays.
    """

    votes: tuple[Vote, ...]
    agreeing: int
    playing: int


def count_votes(
    rows: Rows,
    line: Placement,
    spans: Sequence[Span],
    playing: Floats,
    scores: LineScores,
    *,
    inverted: bool,
) -> Count:
    """Ask every window for its lag.

    Parameters
    ----------
    rows : Rows
        From `correlate_near` along `line`.
    line : Placement
        The clip's line.
    spans : sequence of Span
        Where the clip's sound is in the reference.
    playing : ndarray, shape (rows,), float64
        1 where the clip plays, 0 where it rests.
    scores : LineScores
        Where each window fits best of all, for those that do not agree.
    inverted : bool
        Whether the clip fits upside down.

    Returns
    -------
    Count
    """
    away, inside = _expected(rows, line, spans)
    # A span that lies elsewhere in the mix is out of the rows' reach; its windows were heard there.
    elsewhere = np.abs(away) * rows.sample_rate >= rows.reach - rows.sample_rate * 2 * AGREES_S - 1
    peaks = read_lags(rows, np.where(elsewhere, 0.0, away), 2 * AGREES_S)
    agrees = inside & (peaks.heights >= AGREES_STRENGTH)
    agrees &= (np.abs(peaks.positions - away) <= AGREES_S) & ~elsewhere
    lags = line.offset_s + line.drift_ppm * PPM * rows.clip_s + peaks.positions
    window = (rows.clip_s / scores.window_s).astype(np.int64)
    window = np.minimum(window, scores.window_lags.shape[1] - 1)
    side = int(inverted)
    best_lags = scores.window_lags[side, window] / scores.sample_rate
    there = np.abs(best_lags - line.offset_s - line.drift_ppm * PPM * rows.clip_s - away)
    agrees |= inside & elsewhere & (there < 2 * AGREES_S)
    own = agrees & ~elsewhere
    lags = np.where(own, lags, best_lags)
    strengths = np.where(own, peaks.heights, scores.window_peaks[side, window])
    hop_s = float(rows.clip_s[1] - rows.clip_s[0]) if len(rows.clip_s) > 1 else VOTE_S
    asked = range(0, len(rows.clip_s), max(1, round(VOTE_S / hop_s)))
    votes = tuple(
        Vote(float(rows.clip_s[row]), float(lags[row]), float(strengths[row]), bool(agrees[row]))
        for row in asked
    )
    counted = inside & ((playing >= PLAYS) | agrees)
    return Count(votes, int(agrees[asked].sum()), int(counted[asked].sum()))


def _expected(
    rows: Rows, line: Placement, spans: Sequence[Span]
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return where each window should lie, as a deviation from the line, and if in any span."""
    away = np.zeros(len(rows.clip_s))
    inside = np.zeros(len(rows.clip_s), np.bool_)
    for span in spans:
        here = (rows.clip_s >= span.clip_from_s) & (rows.clip_s <= span.clip_to_s)
        drift_ppm = line.drift_ppm if span.drift_ppm is None else span.drift_ppm
        away[here] = deviation_s(rows, line, Placement(span.offset_s, drift_ppm))[here]
        inside |= here
    return away, inside
