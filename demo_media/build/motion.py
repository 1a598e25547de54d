"""Notes turned into movement: where bow, breath, fingers and mallets are at a music second.

Everything is a function of time, so a picture can be drawn for any timestamp.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .performance import Played

# A rest longer than this makes a wind player breathe and a string player lift the bow.
_REST_S = 0.22
_BREATH_S = 0.55
BOW_FROG, BOW_TIP = 0.06, 0.94
_BOW_PER_S = 0.62
_STRIKE_S, _REBOUND_S = 0.16, 0.14


def smooth(share: float) -> float:
    """Ease from 0 to 1."""
    share = min(max(share, 0.0), 1.0)
    return share * share * (3.0 - 2.0 * share)


@dataclass(frozen=True, slots=True)
class Stroke:
    """One bow stroke: the share of the bow that touches the string, from and to."""

    note: Played
    from_share: float
    to_share: float

    @property
    def down(self) -> bool:
        """Whether the stroke goes from frog towards tip."""
        return self.to_share > self.from_share


@dataclass(frozen=True, slots=True)
class Strike:
    """One stroke of a mallet."""

    at_s: float
    midi: int
    level: float


class Line:
    """The movement of one player.

    Parameters
    ----------
    played : list of Played
        Everything that is seen, in order of onset.
    seed : int
        For blinking and swaying, which follow no note.
    """

    def __init__(self, played: list[Played], seed: int) -> None:
        self.played = played
        self._starts = [note.start_s for note in played]
        self._rng = np.random.default_rng(seed)
        self._phase = self._rng.uniform(0, 2 * math.pi, 4)
        self._blinks = np.cumsum(self._rng.uniform(1.8, 5.0, 80)) - 25.0

    def last(self, at_s: float) -> Played | None:
        """Return the note that began last, sounding or not."""
        index = bisect_right(self._starts, at_s) - 1
        return self.played[index] if index >= 0 else None

    def next(self, at_s: float) -> Played | None:
        """Return the next note to begin."""
        index = bisect_right(self._starts, at_s)
        return self.played[index] if index < len(self.played) else None

    def sounding(self, at_s: float) -> Played | None:
        """Return the note that sounds."""
        note = self.last(at_s)
        return note if note and at_s < note.end_s else None

    def since_onset(self, at_s: float) -> float:
        """Return seconds since the last onset; large before the first."""
        note = self.last(at_s)
        return at_s - note.start_s if note else 99.0

    def playing(self, at_s: float) -> float:
        """Return 1 while a phrase sounds, 0 in a rest, with a soft change at its ends."""
        note, after = self.last(at_s), self.next(at_s)
        tail = 1.0 - smooth((at_s - note.end_s) / 0.5) if note else 0.0
        head = smooth(1.0 - (after.start_s - at_s) / 0.7) if after else 0.0
        return max(tail, head)

    def breath(self, at_s: float) -> float:
        """Return how far the chest is lifted: in before a phrase, out along it."""
        after, note = self.next(at_s), self.last(at_s)
        quiet = 0.25 + 0.25 * math.sin(1.7 * at_s + self._phase[0])
        if after and (note is None or after.start_s - note.end_s > _REST_S):
            coming = smooth(1.0 - (after.start_s - at_s) / _BREATH_S)
            if at_s < after.start_s and coming > 0:
                return max(quiet, coming)
        return quiet + 0.5 * math.exp(-self.since_onset(at_s) / 0.6) * self.playing(at_s)

    def pulse(self, at_s: float) -> float:
        """Return the small gesture that each onset makes, 1 at the onset, gone in a fifth of it."""
        note = self.last(at_s)
        return note.level * math.exp(-self.since_onset(at_s) / 0.14) if note else 0.0

    def sway(self, at_s: float) -> float:
        """Return the slow swaying of the body, about -1 to 1, larger while playing."""
        wave = math.sin(0.65 * at_s + self._phase[1]) + 0.5 * math.sin(1.31 * at_s + self._phase[2])
        return wave * (0.35 + 0.45 * self.playing(at_s))

    def blink(self, at_s: float) -> float:
        """Return 1 for closed eyes."""
        nearest = float(np.min(np.abs(self._blinks - at_s)))
        return smooth(1.0 - nearest / 0.11) if nearest < 0.11 else 0.0

    def pitch(self, at_s: float) -> float:
        """Return the pitch under the fingers; they move in the last moment before an onset."""
        note, after = self.last(at_s), self.next(at_s)
        if note is None:
            return float(self.played[0].midi)
        if after is None:
            return float(note.midi)
        move_s = min(0.07, max(0.02, after.start_s - note.end_s))
        share = smooth(1.0 - (after.start_s - at_s) / move_s)
        return note.midi + (after.midi - note.midi) * share

    @cached_property
    def strokes(self) -> list[Stroke]:
        """Bow strokes, one to a note, up and down by turns; a rest allows a fresh down-bow."""
        strokes, at, down = [], BOW_FROG, True
        for index, note in enumerate(self.played):
            if index and note.start_s - self.played[index - 1].end_s > _REST_S:
                at, down = BOW_FROG + 0.1, True
            length_s = note.end_s - note.start_s
            wanted = min(_BOW_PER_S * length_s * (0.7 + 0.6 * note.level), BOW_TIP - BOW_FROG)
            to = min(at + wanted, BOW_TIP) if down else max(at - wanted, BOW_FROG)
            strokes.append(Stroke(note, at, to))
            at, down = to, not down
        return strokes

    def bow(self, at_s: float) -> tuple[float, float]:
        """Return the share of the bow at the string and how far the bow is lifted off it."""
        index = bisect_right(self._starts, at_s) - 1
        if index < 0:
            first = self.strokes[0]
            return first.from_share, smooth((first.note.start_s - at_s) / 0.35)
        stroke = self.strokes[index]
        if at_s <= stroke.note.end_s:
            share = (at_s - stroke.note.start_s) / (stroke.note.end_s - stroke.note.start_s)
            # Almost even speed, a little quicker at the start: the bow bites.
            share = share + 0.12 * math.sin(math.pi * share)
            return stroke.from_share + (stroke.to_share - stroke.from_share) * share, 0.0
        return self._between_strokes(index, at_s)

    def _between_strokes(self, index: int, at_s: float) -> tuple[float, float]:
        """Carry the bow through a gap: on the string if short, through the air if long."""
        stroke = self.strokes[index]
        if index + 1 == len(self.strokes):
            return stroke.to_share, smooth((at_s - stroke.note.end_s - 0.3) / 0.8)
        after = self.strokes[index + 1]
        gap_s = after.note.start_s - stroke.note.end_s
        if gap_s <= _REST_S:
            return stroke.to_share, 0.0
        gone_s, left_s = at_s - stroke.note.end_s, after.note.start_s - at_s
        at = stroke.to_share + (after.from_share - stroke.to_share) * smooth(gone_s / gap_s)
        return at, min(smooth(gone_s / 0.25), smooth(left_s / 0.25))

    @cached_property
    def hands(self) -> tuple[list[Strike], list[Strike]]:
        """Share the notes between two mallets: the hand on the side where the tune goes."""
        left, right = [], []
        before = 0
        for note in self.played:
            (right if note.midi > before else left).append(
                Strike(note.start_s, note.midi, note.level)
            )
            before = note.midi
        return left, right

    def mallet(self, hand: list[Strike], at_s: float) -> tuple[float, float]:
        """Return the pitch over which a mallet is, and its height: 0 at the bar, about 1 above."""
        index = bisect_right([strike.at_s for strike in hand], at_s) - 1
        if index < 0:
            return float(hand[0].midi), 0.6 * smooth((hand[0].at_s - at_s) / _STRIKE_S)
        now = hand[index]
        rebound = smooth((at_s - now.at_s) / _REBOUND_S)
        if index + 1 == len(hand):
            return float(now.midi), 0.6 * rebound
        after = hand[index + 1]
        gap_s, left_s = after.at_s - now.at_s, after.at_s - at_s
        share = smooth((at_s - now.at_s) / gap_s)
        height = min(0.3 + 1.1 * gap_s, 0.55 + 0.5 * after.level)
        # Between quick strokes the two halves of the arc meet; between slow ones the mallet waits.
        reach_s = min(_STRIKE_S, gap_s / 2)
        up = smooth((at_s - now.at_s) / min(_REBOUND_S, gap_s / 2))
        fall = math.sin(0.5 * math.pi * min(left_s / reach_s, 1.0))
        return now.midi + (after.midi - now.midi) * share, height * min(up, fall)
