"""Invented scores: beats, parts and notes, and how a person plays them.

Beats count from the start of the guide: beat 0 is the first click of the count-in.  `Score.times_s`
turns beats into seconds on the guide's clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Rng = np.random.Generator

SCALES = ((0, 2, 4, 5, 7, 9, 11), (0, 2, 3, 5, 7, 8, 10), (0, 2, 3, 5, 7, 9, 10))
PROGRESSIONS = ((0, 3, 4, 0), (0, 5, 3, 4), (0, 4, 5, 3), (0, 1, 4, 0), (5, 3, 0, 4), (0, 6, 5, 4))

# How a beat or two may be cut into notes, in beats; negative lengths are rests.
CELLS = (
    (1.0,),
    (0.5, 0.5),
    (2.0,),
    (1.5, 0.5),
    (0.75, 0.25),
    (-1.0,),
    (1 / 3, 1 / 3, 1 / 3),
    (-0.5, 0.5),
    (0.25, 0.25, 0.5),
)
CELL_WEIGHTS = {
    "melody": (4, 4, 2, 2, 1, 0.7, 0.5, 0.5, 0.7),
    "inner": (4, 2, 3, 1, 0.3, 0.7, 0.2, 0.5, 0.2),
    "bass": (4, 1, 4, 1, 0.2, 0.7, 0.1, 0.3, 0.1),
    "chords": (4, 2, 2, 0.5, 0.0, 1.0, 0.2, 1.0, 0.2),
    "drum": (4, 4, 0.5, 0.5, 1.0, 1.5, 0.3, 1.0, 1.0),
    "few": (0.3, 0.0, 1.0, 0.0, 0.0, 8.0, 0.0, 0.3, 0.0),
}


@dataclass(frozen=True, slots=True)
class Note:
    """A written note: where, how long (beats), what pitches (one chord), how loud (0 to 1)."""

    beat: float
    length_beats: float
    pitches: tuple[float, ...]
    velocity: float


@dataclass(frozen=True, slots=True)
class Part:
    """A part: its role in the score and its notes."""

    role: str
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class Score:
    """A piece: meter, beats in seconds on the guide's clock, and the parts."""

    meter: int
    bars: int
    count_in_bars: int
    tempo: str
    verses: int
    beat_starts_s: NDArray[np.float64]
    parts: tuple[Part, ...] = field(default=())

    @property
    def count_in_s(self) -> float:
        return float(self.beat_starts_s[self.count_in_bars * self.meter])

    @property
    def end_s(self) -> float:
        return float(self.beat_starts_s[-1])

    @property
    def first_beat(self) -> int:
        return self.count_in_bars * self.meter

    def times_s(self, beats: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return seconds on the guide's clock."""
        whole = np.arange(len(self.beat_starts_s))
        return np.interp(beats, whole, self.beat_starts_s)


@dataclass(frozen=True, slots=True)
class Played:
    """A note as it was played: seconds on the guide's clock."""

    start_s: float
    length_s: float
    pitches: tuple[float, ...]
    velocity: float


def write_score(
    rng: Rng,
    roles: tuple[str, ...],
    *,
    length_s: tuple[float, float] = (34.0, 70.0),
    verses: int = 1,
    meter: int | None = None,
    tempo: str | None = None,
) -> Score:
    """Write a piece for some roles (melody, inner, bass, chords, drum, few, unison)."""
    meter = int(rng.choice([3, 4, 4, 4, 5, 6])) if meter is None else meter
    beat_s = float(rng.uniform(0.24, 0.34) if meter == 6 else rng.uniform(0.42, 0.85))
    wanted_s = rng.uniform(*length_s)
    verse_bars = max(4, 2 * round(wanted_s / (2 * meter * beat_s * verses)))
    bars = verse_bars * verses
    count_in = int(rng.choice([1, 2, 2, 3, 3])) if meter < 6 else 2
    style = tempo or str(rng.choice(["steady", "steady", "changes", "rubato", "fermata"]))
    starts = beat_starts(rng, (count_in + bars) * meter, count_in * meter, meter, beat_s, style)
    score = Score(meter, bars, count_in, style, verses, starts)
    return replace(score, parts=_write_parts(rng, roles, score, verse_bars))


def beat_starts(
    rng: Rng, beats: int, count_in_beats: int, meter: int, beat_s: float, style: str
) -> NDArray[np.float64]:
    """Return where each beat starts, and where the last one ends, in seconds."""
    lengths = np.full(beats, beat_s)
    music = np.arange(count_in_beats, beats)
    if style == "changes":
        for _ in range(int(rng.integers(1, 4))):
            bar = int(rng.integers(2, max(3, len(music) // meter)))
            lengths[count_in_beats + bar * meter :] *= 1 + rng.choice([-1, 1]) * rng.uniform(
                0.04, 0.12
            )
    if style in ("rubato", "fermata"):
        depth = 0.08 if style == "rubato" else 0.03
        for cycle in rng.uniform(6, 40, 2):
            lengths[music] *= 1 + depth * np.sin(2 * np.pi * (music / cycle + rng.random()))
    if style == "fermata":
        held = rng.choice(music[meter:], size=min(2, len(music) // 16 + 1), replace=False)
        lengths[held] *= rng.uniform(1.6, 2.6, len(held))
    if rng.random() < 0.4:
        lengths[-meter:] *= np.linspace(1.05, 1.4, meter)
    return np.concatenate(([0.0], np.cumsum(lengths)))


def _write_parts(
    rng: Rng, roles: tuple[str, ...], score: Score, verse_bars: int
) -> tuple[Part, ...]:
    """Write all parts over one progression; "unison" doubles the part before it."""
    scale = np.array(SCALES[rng.integers(len(SCALES))]) + int(rng.integers(-6, 6))
    chords = np.concatenate(
        [PROGRESSIONS[rng.integers(len(PROGRESSIONS))] for _ in range(verse_bars // 4 + 1)]
    )[:verse_bars]
    parts: list[Part] = []
    for role in roles:
        if role == "unison":
            octave = float(rng.choice([0, 0, 0, 12, -12]))
            parts.append(Part(parts[-1].role, transposed(parts[-1].notes, octave)))
        else:
            verse = _verse(rng, role, score.meter, chords, scale)
            notes = [
                replace(
                    note, beat=note.beat + score.first_beat + verse_no * verse_bars * score.meter
                )
                for verse_no in range(score.verses)
                for note in verse
            ]
            parts.append(Part(role, tuple(notes)))
    return tuple(parts)


def transposed(notes: tuple[Note, ...], semitones: float) -> tuple[Note, ...]:
    """Return the notes in another key."""
    return tuple(replace(n, pitches=tuple(p + semitones for p in n.pitches)) for n in notes)


def _verse(
    rng: Rng, role: str, meter: int, chords: NDArray[np.int64], scale: NDArray[np.int64]
) -> list[Note]:
    """Write one verse of a part: a few bar rhythms that come back, pitches that walk."""
    rhythms = [_bar_rhythm(rng, role, meter) for _ in range(3)]
    form = [0, 1, 0, 2] if rng.random() < 0.5 else rng.integers(0, 3, 4).tolist()
    rest_from, rest_bars = 0, 0
    if rng.random() < 0.25 and len(chords) >= 12 and role != "few":
        rest_bars = int(rng.integers(3, 7))
        rest_from = int(rng.integers(2, len(chords) - rest_bars))
    notes: list[Note] = []
    step = int(rng.integers(-2, 4))
    for bar, degree in enumerate(chords):
        fresh = rng.random() < 0.25
        rhythm = _bar_rhythm(rng, role, meter) if fresh else rhythms[form[bar % 4]]
        if rest_from <= bar < rest_from + rest_bars:
            continue
        at = 0.0
        for length in rhythm:
            if length > 0:
                step = int(np.clip(step + rng.integers(-2, 3), -5, 9))
                strong = at == 0.0
                pitches = _pitches(rng, role, step, int(degree), scale, strong)
                loud = 0.6 + 0.25 * strong + 0.15 * float(rng.random())
                notes.append(Note(bar * meter + at, length, pitches, loud))
            at += abs(length)
    return notes


def _bar_rhythm(rng: Rng, role: str, meter: int) -> list[float]:
    """Fill a bar with note lengths."""
    weights = np.array(CELL_WEIGHTS[role])
    bar: list[float] = []
    left = float(meter)
    while left > 1e-6:
        cell = CELLS[rng.choice(len(CELLS), p=weights / weights.sum())]
        size = sum(map(abs, cell))
        if size <= left + 1e-6:
            bar += cell
            left -= size
    return bar


def _pitches(
    rng: Rng, role: str, step: int, degree: int, scale: NDArray[np.int64], strong: bool
) -> tuple[float, ...]:
    """Choose pitches (MIDI numbers around the middle octave; the instrument moves the octave)."""
    chord = [degree, degree + 2, degree + 4]

    def pitch(scale_step: int) -> float:
        return 60.0 + 12 * (scale_step // 7) + float(scale[scale_step % 7])

    if role == "drum":
        return (0.0 if strong else float(rng.integers(0, 3)),)
    if role == "chords":
        return tuple(pitch(s) for s in chord[: int(rng.integers(2, 4))])
    if role == "bass":
        return (pitch(chord[0] if strong else int(rng.choice(chord))) - 12,)
    if strong or role == "inner":
        near = min(
            (c + 7 * o for c in chord for o in (-2, -1, 0, 1, 2)), key=lambda s: abs(s - step)
        )
        return (pitch(near),)
    return (pitch(step),)


def perform(
    rng: Rng, part: Part, score: Score, *, lag_s: float, jitter_s: float, errors: float = 0.015
) -> list[Played]:
    """Play a part with a lag, uneven timing that wanders, some wrong and missing notes."""
    notes = part.notes
    if not notes:
        return []
    beats = np.array([note.beat for note in notes])
    ends = np.array([note.beat + note.length_beats for note in notes])
    loose = rng.standard_normal(len(notes))
    for index in range(1, len(loose)):
        loose[index] = 0.5 * loose[index - 1] + np.sqrt(0.75) * loose[index]
    starts = score.times_s(beats) + lag_s + jitter_s * loose
    lengths = (score.times_s(ends) - score.times_s(beats)) * rng.uniform(0.75, 1.0, len(notes))
    played = []
    for note, start, length in zip(notes, starts, lengths, strict=True):
        luck = rng.random()
        wrong = float(rng.choice([-2, -1, 1, 2])) if luck < errors and part.role != "drum" else 0.0
        if errors < luck < 1.6 * errors:
            continue
        pitches = tuple(p + wrong for p in note.pitches)
        loud = note.velocity * float(rng.uniform(0.8, 1.15))
        played.append(Played(float(start), float(length), pitches, loud))
    return played
