"""What it costs to splice at a place: too far from the mark, notes of the wrong take, blurs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Floats
from syncvid.mix.hiding import Heard

# Attacks of the two takes that are nearer than this are one note.
_SAME_NOTE_S = 0.090

# An attack so near to the mark is what the mark means.
_MEANT_S = 0.120

# Costs of each note that the wrong take plays, of one that is heard twice or not at all, and of a
# fade that blurs an attack or leaves an end open.  A place as far from the mark as may be costs 1.
_WRONG_NOTE_COST, _SPLIT_NOTE_COST, _BROKEN_COST = 0.7, 1.5, 1.2


@dataclass(frozen=True, slots=True)
class Note:
    """An attack in one take or both, in seconds from the beginning of the arrays."""

    old_s: float | None
    new_s: float | None
    rise_db: float

    @property
    def first_s(self) -> float:
        """The earlier of the two."""
        return min(at for at in (self.old_s, self.new_s) if at is not None)


@dataclass(frozen=True, slots=True)
class Near:
    """Both takes near the mark; times in seconds from the beginning of the arrays."""

    old: Heard
    new: Heard
    notes: tuple[Note, ...]
    mark_s: float
    room_s: float
    length_s: float

    def window(self, fade_s: float) -> tuple[float, float]:
        """Return from where to where the middle of a fade may lie, all of it within the arrays."""
        ends = self.mark_s - self.room_s, self.mark_s + self.room_s
        low, high = (min(max(at_s, fade_s / 2), self.length_s - fade_s / 2) for at_s in ends)
        return low, high


def pair_notes(old: Heard, new: Heard) -> tuple[Note, ...]:
    """Return the attacks of both takes; those that are nearest to each other are one note."""
    apart_s = np.abs(old.attacks_s[:, None] - new.attacks_s)
    notes, alone = [], set(range(new.attacks_s.size))
    for index, old_s in enumerate(old.attacks_s):
        other = int(np.argmin(apart_s[index])) if new.attacks_s.size else -1
        mutual = other >= 0 and int(np.argmin(apart_s[:, other])) == index
        if mutual and apart_s[index, other] <= _SAME_NOTE_S:
            alone.discard(other)
            rise_db = float(min(old.rises_db[index], new.rises_db[other]))
            notes.append(Note(float(old_s), float(new.attacks_s[other]), rise_db))
        else:
            notes.append(Note(float(old_s), None, float(old.rises_db[index])))
    notes += [Note(None, float(new.attacks_s[k]), float(new.rises_db[k])) for k in alone]
    return tuple(sorted(notes, key=lambda note: note.first_s))


def astray(near: Near, at_s: Floats | float) -> Floats:
    """Return what it costs to be away from the mark, and to give notes to the wrong take."""
    at_s = np.asarray(at_s, np.float64)
    cost = np.abs(at_s - near.mark_s) / max(near.room_s, 1e-3)
    close = [note.first_s for note in near.notes if abs(note.first_s - near.mark_s) <= _MEANT_S]
    meant_s = min(close, key=lambda first: abs(first - near.mark_s), default=near.mark_s)
    for note in near.notes:
        first = note.first_s
        wrong = ((at_s < first) & (first < meant_s)) | ((meant_s <= first) & (first < at_s))
        cost = cost + _WRONG_NOTE_COST * wrong
        if note.old_s is not None and note.new_s is not None:
            # Heard twice, or not at all.
            later = max(note.old_s, note.new_s)
            cost = cost + _SPLIT_NOTE_COST * ((first < at_s) & (at_s <= later))
    return cost


def broken(near: Near, at_s: Floats | float, fade_s: float) -> Floats:
    """Return what it costs to fade over an attack, or not to cover where a take is cut off."""
    begin, end = np.asarray(at_s, np.float64) - fade_s / 2, np.asarray(at_s) + fade_s / 2
    cost = np.zeros(begin.shape)
    for attack_s in (*near.old.attacks_s, *near.new.attacks_s):
        cost = cost + _BROKEN_COST * ((begin < attack_s) & (attack_s < end))
    if near.new.cut_off_before_s is not None:
        cost = cost + _BROKEN_COST * (begin < near.new.cut_off_before_s)
    if near.old.cut_off_after_s is not None:
        cost = cost + _BROKEN_COST * (end > near.old.cut_off_after_s)
    return cost
