"""What a guide is made from: sections of bars, their tempo, what is held, clicked and droned.

Lengths of notes are exact fractions of a whole note: a quarter is ``Fraction(1, 4)``.  Places in
the music are bars and beats as they are printed.  How a plan is written down is told in
`production.guide_file`; when everything sounds is worked out by `guide.timing`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple


class Law(StrEnum):
    """How a tempo changes on its way from one value to another.

    `BY_BEATS`: in equal steps over equal stretches of the score, without steps (tempo is linear
    in score position).  `BY_TIME`: over equal stretches of time (linear in seconds).  `STEPS`:
    each beat is steady, at the tempo that `BY_BEATS` has at its beginning.
    """

    BY_BEATS = "by beats"
    BY_TIME = "by time"
    STEPS = "steps"


class Clicks(StrEnum):
    """How dense the clicks of a section are.

    `BARS`: ones only.  `HALF_BARS`: one and the middle of the bar (where no beat is there, ones
    only).  `BEATS`.  `HALVES`, `THIRDS`, `QUARTERS`: beats, each divided.  `NONE`: silent bars.
    """

    NONE = "none"
    BARS = "bars"
    HALF_BARS = "half bars"
    BEATS = "beats"
    HALVES = "halves"
    THIRDS = "thirds"
    QUARTERS = "quarters"


@dataclass(frozen=True, slots=True)
class Metre:
    """A metre, as the beats that are counted.

    Attributes
    ----------
    name : str
        As printed: ``3/4``, ``7/8``.
    beats : tuple of Fraction
        Length of each beat of a whole bar: three quarters for 3/4, two dotted quarters for 6/8,
        ``(1/4, 1/4, 3/8)`` for 7/8 in groups of 2, 2 and 3, seven eighths for 7/8 without.
    strong : tuple of int
        Which beats, from 0, begin a group and sound somewhat stronger; 0 is always among them.
    """

    name: str
    beats: tuple[Fraction, ...]
    strong: tuple[int, ...] = (0,)

    @property
    def length(self) -> Fraction:
        """Length of a whole bar."""
        return sum(self.beats, Fraction(0))


class Tempo(NamedTuple):
    """So many notes of a length in a minute.

    Attributes
    ----------
    per_minute : float
    unit : Fraction
        The note that is counted; a dotted quarter is 3/8.
    """

    per_minute: float
    unit: Fraction = Fraction(1, 4)

    @property
    def whole_s(self) -> float:
        """Seconds that a whole note lasts."""
        return 60.0 / (self.per_minute * float(self.unit))

    @property
    def quarters(self) -> float:
        """Quarters per minute."""
        return self.per_minute * float(self.unit) * 4.0


class Place(NamedTuple):
    """A place in the music as it is printed.

    Attributes
    ----------
    bar : int
        Number of the bar as printed.
    beat : Fraction
        From 1; a half lies half-way through a beat; one more than the bar has: the bar's end.
    time : int
        Which of the times that the bar is played is meant, from 1; 0: every time.
    """

    bar: int
    beat: Fraction = Fraction(1)
    time: int = 0


@dataclass(frozen=True, slots=True)
class TempoChange:
    """A tempo from a place on, or up to it.

    Attributes
    ----------
    at : Place
        Where the tempo holds from; of a ramp, where it begins.
    tempo : Tempo
        The new tempo; of a ramp, the one it ends with.
    until : Place or None
        Where a ramp ends; None: the tempo steps at `at`.
    law : Law
    """

    at: Place
    tempo: Tempo
    until: Place | None = None
    law: Law = Law.BY_BEATS


@dataclass(frozen=True, slots=True)
class Hold:
    """Time that is put into the music without touching its tempo.

    Attributes
    ----------
    at : Place
        The beat that is held, or before which the time is put.
    seconds : float
        How much, in seconds.
    length : Fraction
        How much, as a note in the tempo that holds at that place; added to `seconds`.
    before : bool
        Whether the time lies before the place (a breath) instead of within its beat (a fermata:
        what sounds on that beat goes on, and the next one comes later).
    """

    at: Place
    seconds: float = 0.0
    length: Fraction = Fraction(0)
    before: bool = False


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar as it is played.

    Attributes
    ----------
    number : int
        As printed; a bar that is repeated comes again.  The first bar of the music is 1, an
        upbeat lies in bar 0.
    metre : Metre
    length : Fraction
        How long it is: shorter than its metre for upbeats and bars that a repeat divides.
    begin : Fraction
        Where in its metre it begins: an upbeat of a quarter in 3/4 begins at 1/2.
    section : int
        Number of its section, from 0.
    """

    number: int
    metre: Metre
    length: Fraction
    begin: Fraction = Fraction(0)
    section: int = 0


@dataclass(frozen=True, slots=True)
class PlanSection:
    """A stretch of bars with a name.

    Attributes
    ----------
    name : str
        Rehearsal mark or name; may be empty.
    clicks : Clicks
    drone : tuple of str
        Notes that sound throughout, as ``D3`` or ``Bb2``; ``("-",)`` for none; empty: as the
        plan says for the whole.
    """

    name: str = ""
    clicks: Clicks = Clicks.BEATS
    drone: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Entry:
    """A part that comes in after a long rest, for whom a cue sounds a bar ahead."""

    part: str
    at: Place


@dataclass(frozen=True, slots=True)
class CountIn:
    """What is counted before the music.

    Attributes
    ----------
    bars : int
        Bars, an upbeat completed by the last of them.
    seconds : float or None
        Instead: as many bars as fill at least so many seconds.
    """

    bars: int = 2
    seconds: float | None = None


@dataclass(frozen=True, slots=True)
class GuideSound:
    """How a guide sounds.

    Attributes
    ----------
    click : str
        Colour of the click: ``wood``, ``bell`` or ``tick``.
    drone : tuple of str
        Notes that sound throughout; or ``lowest part``, or a part's name, of the score.
    melody : tuple of str
        Parts of the score that are played along, plainly.
    drone_db, melody_db, cue_db : float
        Level against the clicks.
    a4_hz : float
        Reference pitch (ISO 16 has 440).
    tuning : str
        ``equal`` or ``just`` (over the lowest note).
    spoken : str
        ``none``, ``bars`` or ``sections``: what is said, where a speech engine is installed.
    signature : bool
        Whether the sound by which this guide is known stands before the count-in.
    """

    click: str = "wood"
    drone: tuple[str, ...] = ()
    melody: tuple[str, ...] = ()
    drone_db: float = -12.0
    melody_db: float = -9.0
    cue_db: float = -6.0
    a4_hz: float = 440.0
    tuning: str = "equal"
    spoken: str = "none"
    signature: bool = True


@dataclass(frozen=True, slots=True)
class SheetNotes:
    """What the players' sheet should say besides.

    Attributes
    ----------
    language : str
        Of its texts.
    send_to, by_when : str
        Where recordings go, and until when; free text.
    claps : bool
        Whether everybody claps the last whole bar of the count-in.
    """

    language: str = "en"
    send_to: str = ""
    by_when: str = ""
    claps: bool = True


@dataclass(frozen=True, slots=True)
class GuidePlan:
    """All decisions about a guide.

    Attributes
    ----------
    title : str
    bars : tuple of Bar
        In the order in which they are played, repeats written out.
    sections : tuple of PlanSection
    tempo : Tempo
        At the beginning.
    changes : tuple of TempoChange
        In the order of the music.
    holds, entries : tuple
    count_in : CountIn
    sound : GuideSound
    sheet : SheetNotes
    score : str
        The score's file, beside the plan, for lines that are played; may be empty.
    """

    title: str
    bars: tuple[Bar, ...]
    sections: tuple[PlanSection, ...]
    tempo: Tempo
    changes: tuple[TempoChange, ...] = ()
    holds: tuple[Hold, ...] = ()
    entries: tuple[Entry, ...] = ()
    count_in: CountIn = field(default_factory=CountIn)
    sound: GuideSound = field(default_factory=GuideSound)
    sheet: SheetNotes = field(default_factory=SheetNotes)
    score: str = ""


class Note(NamedTuple):
    """A note of a score, as it is played.

    Attributes
    ----------
    at, length : Fraction
        Position and length in whole notes, counted from the beginning of the first bar of
        `GuidePlan.bars` (an upbeat's own beginning) with repeats written out.
    midi : float
        Sounding pitch; 69 is A4.
    """

    at: Fraction
    length: Fraction
    midi: float


@dataclass(frozen=True, slots=True)
class ScorePart:
    """A part of a score: its name as printed, and its notes in the order of time."""

    name: str
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class Score:
    """A score that was read: the plan that follows from it, its notes, and what to know about it.

    Attributes
    ----------
    plan : GuidePlan
    parts : tuple of ScorePart
        In score order.
    order : str
        The order of the bars as unfolded, for a person to confirm: ``1-8, 1-7, 9-16``.
    remarks : tuple of str
        Sentences about what could not be read, or was guessed.
    note_remarks : tuple of str
        Those of `remarks` that are about notes: a plan settles the others.
    """

    plan: GuidePlan
    parts: tuple[ScorePart, ...]
    order: str
    remarks: Sequence[str] = ()
    note_remarks: Sequence[str] = ()
