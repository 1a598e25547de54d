"""The balance that a mix starts from: all parts equally loud while they play, a section as one.

Phones record at any level, so the recorded levels say nothing about who played softly.  What is
right musically, the user says by wishes on top.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, median

from syncvid.errors import SignalError
from syncvid.mix.measures import StemMeasure

# How far a melody stands out (common practice, no source).
_MELODY_DB = 2.5

# How far a section's size may move its players (project choice): beyond that one voice against
# many would not be heard as a person any more.
_MOST_BY_SIZE_DB = 4.0

# How far a part may be raised above the others in the end, and from where on that is worth a word
# (project choices): noise comes up with it.
_MOST_ABOVE_DB, _MUCH_ABOVE_DB = 24.0, 12.0

# From where on a wish makes a part sound as if it were in another place (project choice).
_WIDE_WISH_DB = 6.0

# A quietest tenth nearer than that to the loudness is soft playing, not noise.
_REAL_REST_DB = 10.0


@dataclass(frozen=True, slots=True)
class Balanced:
    """One part that wants its place in the balance.

    Attributes
    ----------
    name : str
        The part, with its player.
    measure : StemMeasure
        Of its stem.
    group : str
        Its section; empty: a voice of its own.
    melody : bool
        It leads.
    wish_db : float
        What the user adds to the balance.
    muted : bool
        It is left out of the mix.
    """

    name: str
    measure: StemMeasure
    group: str = ""
    melody: bool = False
    wish_db: float = 0.0
    muted: bool = False

    @property
    def sounds(self) -> bool:
        """Whether anything of it is heard in the mix."""
        return self.measure.loudness_lufs is not None and not self.muted


@dataclass(frozen=True, slots=True)
class Balance:
    """Where a mix starts.

    Attributes
    ----------
    starting_db : tuple of float
        Gain of each part, the wishes not included; their median is 0.
    remarks : tuple of str
        What the user should know, in whole sentences.
    """

    starting_db: tuple[float, ...]
    remarks: tuple[str, ...]


def starting_balance(parts: Sequence[Balanced]) -> Balance:
    """Return the gains from which a mix starts.

    Parameters
    ----------
    parts : sequence of Balanced
        All parts in score order, the muted ones too.

    Returns
    -------
    Balance
        Gains that bring every part to the same loudness while it plays.  Section players are
        softer by ten times the logarithm of their number, so that a section is as loud as one
        voice; against the mean of all voices that moves nobody by more than 4 dB.  A melody is
        2.5 dB louder.  Nobody is raised by more than 24 dB above the median.  A silent part has
        gain 0.  Silent and muted parts count neither for their section nor for the median; a
        muted part's gain is the one it would have.

    Raises
    ------
    SignalError
        A wish or a loudness that is not finite.

    References
    ----------
    Sum of n equal independent parts: 10 log10(n) dB more than one (arithmetic).
    """
    for part in parts:
        if not math.isfinite(part.wish_db) or not math.isfinite(part.measure.loudness_lufs or 0):
            raise SignalError(f"{part.name}: a loudness or a wish is not a finite number.")
    sizes = _size_gains(parts)
    raw = [
        None
        if part.measure.loudness_lufs is None
        else size - part.measure.loudness_lufs + (_MELODY_DB if part.melody else 0.0)
        for part, size in zip(parts, sizes, strict=True)
    ]
    sounding = [
        gain for gain, part in zip(raw, parts, strict=True) if gain is not None and part.sounds
    ]
    present = sounding or [gain for gain in raw if gain is not None]
    centre = median(present) if present else 0.0
    wanted = [0.0 if gain is None else gain - centre for gain in raw]
    starting = tuple(min(gain, _MOST_ABOVE_DB) for gain in wanted)
    remarks = [*_gain_remarks(parts, wanted), *_wish_remarks(parts)]
    return Balance(starting, tuple(remarks))


def _size_gains(parts: Sequence[Balanced]) -> list[float]:
    """Return what each part gets for the size of its section, in dB."""
    sizes = Counter(part.group for part in parts if part.group and part.sounds)
    alone = [0.0 for part in parts if not part.group and part.sounds]
    voices = [*alone, *(-10 * math.log10(size) for size in sizes.values())]
    middle = fmean(voices) if voices else 0.0
    gains = (-10 * math.log10(max(1, sizes[part.group])) - middle for part in parts)
    return [max(-_MOST_BY_SIZE_DB, min(_MOST_BY_SIZE_DB, gain)) for gain in gains]


def _gain_remarks(parts: Sequence[Balanced], wanted: Sequence[float]) -> list[str]:
    """Return a sentence for each part that is raised far above the others."""
    remarks = []
    for number, part in enumerate(parts):
        others = [
            gain for other, gain in enumerate(wanted) if other != number and parts[other].sounds
        ]
        if not part.sounds or not others:
            continue
        above = wanted[number] - median(others)
        if above > _MUCH_ABOVE_DB:
            remarks.append(_raised(part, above, wanted[number]))
    return remarks


def _raised(part: Balanced, above_db: float, wanted_db: float) -> str:
    """Return the sentence for a part that was recorded very softly."""
    said = f"{part.name} was recorded so softly that it is raised {above_db:.1f} dB more than"
    said += " the others: its noise will be heard."
    if wanted_db > _MOST_ABOVE_DB:
        said = f"{part.name} was recorded so softly that it would have to be raised"
        said += f" {above_db:.1f} dB more than the others. It is raised by"
        said += f" {_MOST_ABOVE_DB:.0f} dB and stays softer than they are: its noise will be heard."
    if part.measure.noise_db >= _REAL_REST_DB:
        said += f" In its rests the noise lies {part.measure.noise_db:.0f} dB under its music."
    return said


def _wish_remarks(parts: Sequence[Balanced]) -> list[str]:
    """Return a sentence for each wish that does nothing or too much."""
    remarks = []
    for part in parts:
        wish = part.wish_db
        if wish and part.muted:
            remarks.append(
                f"{part.name} is left out of the mix, so the wish of {wish:+.1f} dB does nothing."
            )
        elif wish and not part.sounds:
            remarks.append(f"{part.name} is silent, so the wish of {wish:+.1f} dB does nothing.")
        elif abs(wish) > _WIDE_WISH_DB:
            where = "closer than" if wish > 0 else "farther away than"
            remarks.append(
                f"{part.name}: a wish of {wish:+.1f} dB will make it sound {where} the others."
            )
    return remarks
