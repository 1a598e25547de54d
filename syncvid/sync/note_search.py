"""Looking for a clip's place by the beginnings of its notes alone.

Every note asks the guide how likely notes begin there (on beats and parts of them, a little late);
one transform adds up the answers for all offsets.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio
from syncvid.lazily import fft
from syncvid.sync.beats import (
    ANYWHERE,
    FULL_RISE_DB,
    LEAST_RISE_DB,
    PARTS,
    USUAL_LAG_S,
    Playing,
    fit_beats,
)
from syncvid.sync.clicks import Clicks
from syncvid.sync.count_in import end_penalty
from syncvid.timeline import Placement

# Times are counted at this rate; notes of unknown lag scatter by this much.
NOTE_RATE = 100
WIDE_S = 0.035

# Places that are looked at closely; those closer than this are the same.
MOST_PLACES = 12
APART_S = 0.15

# Fewer notes than this tell nothing.
FEWEST_NOTES = 16


@dataclass(frozen=True, slots=True)
class NotePlace:
    """A place by the beginnings of notes alone.

    Attributes
    ----------
    line : Placement
        Where.
    nats : float
        Log likelihood, end of the music included.
    note_nats : float
        The part of the notes in it.
    notes : int
        How many notes there are.
    lag_s : float
        How late they are at this place, which is a guess.
    """

    line: Placement
    nats: float
    note_nats: float
    notes: int
    lag_s: float


def find_by_notes(playing: Playing, clicks: Clicks) -> tuple[NotePlace, ...]:
    """Find places by the beginnings of notes.

    Parameters
    ----------
    playing : Playing
        What is heard of the player.
    clicks : Clicks
        The guide's clicks.

    Returns
    -------
    tuple of NotePlace
        The likeliest first; none if there are too few notes.
    """
    attacks = playing.attacks
    strong = attacks.rises_db > LEAST_RISE_DB
    if int(strong.sum()) < FEWEST_NOTES:
        return ()
    at = np.round(attacks.times_s[strong] * NOTE_RATE).astype(np.int64)
    weights = np.minimum(attacks.rises_db[strong] / FULL_RISE_DB, 1.0)
    answers = _answers(clicks)
    length = int(at[-1]) + 1
    size = int(fft.next_fast_len(length + len(answers), real=True))
    notes = np.bincount(at, weights, minlength=size)
    sums = fft.irfft(fft.rfft(answers, size) * np.conj(fft.rfft(notes, size)), size)
    places = []
    apart = round(APART_S * NOTE_RATE)
    bar_s = clicks.beat_s * (clicks.meter or 4)
    for _ in range(MOST_PLACES):
        lag = int(np.argmax(sums))
        if sums[lag] <= 0:
            break
        line = Placement((lag if lag < size - length else lag - size) / NOTE_RATE)
        sums[np.arange(lag - apart, lag + apart + 1) % size] = 0
        fit = fit_beats(playing, line, clicks, from_guide_s=float(clicks.times_s[0]) - 0.2)
        end = end_penalty(playing, line.offset_s, clicks, bar_s)
        # The usual lag stays where it is; what the notes are later than that is moved.
        moved = Placement(line.offset_s - (fit.lag_s - USUAL_LAG_S))
        places.append(NotePlace(moved, fit.nats - end, fit.nats, fit.notes, fit.lag_s))
    return tuple(sorted(places, key=lambda place: -place.nats))


def _answers(clicks: Clicks) -> Audio:
    """Return how likely a note begins at each step of the guide, against anywhere, in nats."""
    steps = int(np.ceil(clicks.end_s * NOTE_RATE)) + 1
    at_s = np.arange(steps) / NOTE_RATE
    edges = np.append(clicks.times_s, clicks.end_s)
    beat = np.clip(np.searchsorted(edges, at_s - USUAL_LAG_S, "right") - 1, 0, len(edges) - 2)
    beat_s = edges[beat + 1] - edges[beat]
    position = (at_s - USUAL_LAG_S - edges[beat]) / beat_s
    density = np.full(steps, ANYWHERE)
    for part, share in PARTS:
        off_s = (position - part - np.round(position - part)) * beat_s
        bell = np.exp(-0.5 * (off_s / WIDE_S) ** 2) / np.sqrt(2 * np.pi)
        density += (1 - ANYWHERE) * share * bell * beat_s / WIDE_S
    return np.asarray(np.where(at_s >= clicks.times_s[0], np.log(density), 0.0), np.float32)
