"""What human hands make of the notes: when, how long and how loud.

Times are **music seconds**: 0 is the first beat of bar 1 as the guide sounds in the headphones.
Every performance has its own seed, so two takes of one part differ as two takes do.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from . import score


@dataclass(frozen=True, slots=True)
class Played:
    """One note as it was played.

    Attributes
    ----------
    start_s, end_s : float
        Onset and release, music seconds.
    midi : int
        Pitch.
    level : float
        Loudness, 0 to 1.
    """

    start_s: float
    end_s: float
    midi: int
    level: float


@dataclass(frozen=True, slots=True)
class Habit:
    """How somebody plays.

    Attributes
    ----------
    lag_s : float
        Mean distance behind the beat; negative for those who rush.
    jitter_s : float
        Standard deviation of single onsets.
    connection : float
        Share of the written length for which a note sounds.
    """

    lag_s: float
    jitter_s: float
    connection: float


HABITS = {
    "Flute": Habit(0.004, 0.011, 0.94),
    "Clarinet": Habit(0.012, 0.013, 0.97),
    "Violin": Habit(-0.005, 0.012, 0.97),
    "Viola": Habit(0.009, 0.014, 0.96),
    "Cello": Habit(0.015, 0.015, 0.97),
    "Marimba": Habit(-0.003, 0.010, 0.90),
    "Recorder": Habit(0.0, 0.012, 0.92),
}

# How strongly the beats of a bar are felt; off-beats come last.
_BEAT_WEIGHT = {0.0: 0.07, 2.0: 0.03, 1.0: 0.0, 3.0: 0.0}
_OFFBEAT_WEIGHT = -0.04


def _slow_wander(rng: np.random.Generator, count: int, spread_s: float) -> np.ndarray:
    """Return a random walk that pulls back to zero: players hurry and wait in phrases."""
    steps = rng.normal(0.0, spread_s * 0.4, count)
    walk = np.zeros(count)
    for index in range(1, count):
        walk[index] = 0.9 * walk[index - 1] + steps[index]
    return walk


def perform(
    notes: list[score.Note], *, part: str, seed: int, beat_s: float = score.BEAT_S
) -> list[Played]:
    """Play written notes as a person would.

    Parameters
    ----------
    notes : list of Note
        In order of time.
    part : str
        Chooses the habit.
    seed : int
        One per take.
    beat_s : float
        Length of a beat in seconds.

    Returns
    -------
    list of Played
        In order of onset, never overlapping: every part here is a single line.
    """
    rng = np.random.default_rng(seed)
    habit = HABITS[part]
    wander = _slow_wander(rng, len(notes), 0.006)
    jitter = np.clip(rng.normal(0.0, habit.jitter_s, len(notes)), -0.03, 0.03)
    touch = rng.normal(0.0, 0.035, len(notes))
    played = []
    for index, note in enumerate(notes):
        start_s = note.beat * beat_s + habit.lag_s + wander[index] + jitter[index]
        felt = _BEAT_WEIGHT.get(note.beat % score.BEATS_PER_BAR, _OFFBEAT_WEIGHT)
        level = float(np.clip(note.level + felt + touch[index], 0.2, 1.0))
        length_s = note.beats * beat_s * habit.connection
        played.append(Played(float(start_s), float(start_s + length_s), note.midi, level))
    return _without_overlap(played)


def _without_overlap(played: list[Played]) -> list[Played]:
    """End each note where the next begins, at the latest."""
    trimmed = [
        replace(note, end_s=min(note.end_s, after.start_s - 0.004))
        for note, after in pairwise(played)
    ]
    return trimmed + played[-1:]


def excerpt(played: list[Played], *, until_s: float, shift_s: float) -> list[Played]:
    """Return the notes that start before ``until_s``, moved by ``shift_s``: a false start."""
    return [
        replace(note, start_s=note.start_s + shift_s, end_s=min(note.end_s, until_s) + shift_s)
        for note in played
        if note.start_s < until_s
    ]
