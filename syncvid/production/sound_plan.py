"""What ``production.toml`` may say of the mix: ``[sound]``, and what its parts and takes add."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import PurePath
from typing import Annotated, Literal

from pydantic import Field, PlainValidator

from syncvid.errors import ProductionError
from syncvid.production.passages import Passage, parse_passage
from syncvid.production.strict import Name, Seconds, Share, Strict

Use = Literal["share", "stream", "broadcast", "natural"]
"""What a mix is for: it decides how loud it becomes."""

Amount = Literal["none", "a touch", "a little", "some", "a lot"]
"""How much of the room is heard."""

# A gain of more is a slip of the pen; so is a shift.
_MOST_GAIN_DB, _MOST_SHIFT_MS = 40.0, 5_000.0

# Silence around the music that is still silence, and not a mistake.
_LEAST_SILENCE_S, _MOST_SILENCE_S = 0.1, 30.0

STEPS_OF_CLEANING = ("clipping", "hum", "high-pass", "automatic gain", "noise", "rests")
"""The steps of cleaning, in the order in which they are done."""

_HIGH_PASS = re.compile(r"high-pass(?:\s+(\d+(?:\.\d+)?)\s*(?:hz)?)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class CleaningWish:
    """A step of cleaning that was asked for.

    Attributes
    ----------
    step : str
        One of `STEPS_OF_CLEANING`.
    hz : float or None
        The high-pass's frequency; None: it is chosen by the music.
    """

    step: str
    hz: float | None = None


def parse_cleaning(written: object) -> CleaningWish:
    """Read a step of cleaning.

    Raises
    ------
    ProductionError
        There is no such step.

    Examples
    --------
    >>> parse_cleaning("high-pass 90 Hz").hz, parse_cleaning("Hum").step
    (90.0, 'hum')
    """
    text = written.strip().lower() if isinstance(written, str) else ""
    if text in STEPS_OF_CLEANING:
        return CleaningWish(text)
    match = _HIGH_PASS.fullmatch(text)
    if match and 10.0 <= float(match[1]) <= 1000.0:
        return CleaningWish("high-pass", float(match[1]))
    known = ", ".join(STEPS_OF_CLEANING)
    raise ProductionError(
        f"{written!r} is no step of cleaning.",
        fix=f'There are {known}; "high-pass 90 Hz" names its frequency, from 10 to 1000.',
    )


Gain = Annotated[Seconds, Field(ge=-_MOST_GAIN_DB, le=_MOST_GAIN_DB)]
Shift = Annotated[Seconds, Field(ge=-_MOST_SHIFT_MS, le=_MOST_SHIFT_MS)]
Pan = Annotated[float, Field(ge=-1.0, le=1.0)]
Silence = Annotated[Seconds, Field(ge=_LEAST_SILENCE_S, le=_MOST_SILENCE_S)]
Cleaning = Annotated[CleaningWish, PlainValidator(parse_cleaning)]
PassageEntry = Annotated[Passage, PlainValidator(parse_passage)]


class SoundPlan(Strict):
    """How the mix sounds: ``[sound]``.

    Attributes
    ----------
    loudness : str
        What it is for: share, stream, broadcast, or as loud as goes without a limiter.
    room : str
        Name of the room that all parts share, or the path of an impulse response.
    room_amount : str
        How much of it is heard, in plain words.
    predelay_ms, room_low_cut_hz : float
        How long the room waits; below which frequency it is silent.
    pan : float
        How far parts are set to the side on which their tile is; 0: all in the middle.
    match : float
        How much the tone of different phones is brought together.
    melody : list of str
        Parts that are to stand out.
    clean : list of CleaningWish
        Steps of cleaning for every part that names none of its own.
    head_s, tail_s : float
        Silence before and after the music.
    """

    loudness: Use = "share"
    room: Name = "small hall"
    room_amount: Amount = "a little"
    predelay_ms: Annotated[Seconds, Field(ge=0.0, le=200.0)] = 20.0
    room_low_cut_hz: Annotated[Seconds, Field(ge=20.0, le=1000.0)] = 150.0
    pan: Share = 0.5
    match: Share = 0.5
    melody: list[Name] = Field(default_factory=list)
    clean: list[Cleaning] = Field(default_factory=list)
    head_s: Silence = 1.0
    tail_s: Silence = 1.5

    @property
    def room_file(self) -> str:
        """The path of the room's impulse response; empty if a room is named."""
        return self.room if PurePath(self.room).suffix else ""


@dataclass(frozen=True, slots=True)
class PartSound:
    """What the plan says of one part's sound.

    Attributes
    ----------
    gain_db : float
        On top of the balance.
    pan : float or None
        -1 left to 1 right; None: by its tile.
    shift_ms : float
        Later is positive; the picture goes with it.
    muted : bool
        Left out of the mix.
    room_db : float
        More or less of the room than the others.
    clean : tuple of CleaningWish or None
        None: as for all parts.
    passages : tuple of Passage
        Which take is heard where; elsewhere the part's usual one.
    shown : bool
        Whether the part has a tile.
    """

    gain_db: float = 0.0
    pan: float | None = None
    shift_ms: float = 0.0
    muted: bool = False
    room_db: float = 0.0
    clean: tuple[CleaningWish, ...] | None = None
    passages: tuple[Passage, ...] = ()
    shown: bool = True


PLAIN_PART = PartSound()
"""A part of which the plan says nothing."""
