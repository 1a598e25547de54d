"""The tables of a plan: which keys there are, and the words of each read on their own."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from fractions import Fraction
from typing import Annotated, Any, Final, Literal, TypeVar

from pydantic import AfterValidator, Field, PlainValidator, model_validator

from syncvid.errors import ProductionError
from syncvid.production.guide_file.bar_runs import Runs, parse_runs
from syncvid.production.guide_file.place_words import PlaceWords, parse_place
from syncvid.production.guide_plan import Clicks, CountIn, Law, Metre
from syncvid.production.metres import parse_metre
from syncvid.production.note_values import Speed, are_notes, parse_length, parse_note, parse_speed
from syncvid.production.strict import Name, Seconds, Strict

GUIDE_FORMAT: Final = "syncvid.guide/1"

# Project choices: longer is a slip of the pen.
MOST_COUNT_IN_BARS, LONGEST_COUNT_IN_S = 16, 60.0
LONGEST_HOLD_S, LONGEST_HOLD = 60.0, Fraction(4)
_MOST_TABLES = 20_000
_MOST_NOTES = 16

# Hz; ISO 16 has 440.  Baroque and high pitch lie well within (project choice).
LOWEST_A4_HZ, HIGHEST_A4_HZ = 400.0, 480.0

Choice = TypeVar("Choice", bound=StrEnum)


def _text_by(read: Callable[[str], Any]) -> Callable[[object], Any]:
    """Return a reader that refuses what is no text."""

    def reader(written: object) -> Any:
        if not isinstance(written, str):
            raise ProductionError(f"{written} must stand in quotes.")
        return read(written)

    return reader


def _one_of(choices: type[Choice]) -> Callable[[object], Choice]:
    """Return a reader of one of some words."""

    def reader(written: object) -> Choice:
        if isinstance(written, str) and written in list(choices):
            return choices(written)
        raise ProductionError(f"{written!r} is none of {', '.join(choices)}.")

    return reader


def read_count_in(written: object) -> CountIn:
    """Read a count-in: bars as a number, or seconds in quotes."""
    if isinstance(written, str) and written.strip().endswith("s"):
        try:
            seconds = float(written.strip().removesuffix("s"))
        except ValueError:
            seconds = -1.0
        if 0.0 < seconds <= LONGEST_COUNT_IN_S:
            return CountIn(seconds=seconds)
    elif (
        isinstance(written, int)
        and not isinstance(written, bool)
        and 0 <= written <= MOST_COUNT_IN_BARS
    ):
        return CountIn(written)
    raise ProductionError(
        f"{written!r} is no count-in: it is a number of bars, 0 to {MOST_COUNT_IN_BARS} (0: "
        f'nothing is counted), or seconds in quotes like "6 s", {LONGEST_COUNT_IN_S:g} at most.'
    )


def _words(written: object) -> list[str]:
    """Return a text, or a list of texts, as a list."""
    words = written if isinstance(written, list) else [written]
    texts = [word for word in words if isinstance(word, str) and word.strip()]
    if len(texts) != len(words):
        raise ProductionError(f"{written!r} is neither text in quotes nor a list of such texts.")
    return texts


def _again(written: object) -> str | int:
    """Read which section comes again: its name, or its number from 1."""
    if isinstance(written, str | int) and not isinstance(written, bool) and written != "":
        return written
    raise ProductionError(f"{written!r} names no section: write its name, or its number from 1.")


def read_part_names(written: object) -> tuple[str, ...]:
    """Read names of parts."""
    return tuple(_words(written))


def read_line(written: object) -> tuple[str, ...]:
    """Read what a drone plays: notes, or who in the score plays it; "none" is nothing."""
    if written == "none":
        return ()
    found: list[str] = []
    for text in _words(written):
        names = text.split()
        found += [parse_note(name) for name in names] if are_notes(names) else [text]
    return _not_too_many(found)


def _notes(written: object) -> tuple[str, ...]:
    """Read the notes of a section's drone; none as one dash."""
    words = [word for text in _words(written) for word in text.split()]
    return ("-",) if words == ["none"] else _not_too_many([parse_note(word) for word in words])


def _not_too_many(words: list[str]) -> tuple[str, ...]:
    """Refuse a drone of more notes than anybody could tune to."""
    if len(words) > _MOST_NOTES:
        raise ProductionError(f"{len(words)} notes are too many: {_MOST_NOTES} at most.")
    return tuple(words)


def _hold_length(length: Fraction) -> Fraction:
    """Refuse a hold that would never end."""
    if length > LONGEST_HOLD:
        raise ProductionError(f"a hold lasts {LONGEST_HOLD} whole notes at most.")
    return length


def check_pitch(a4_hz: float) -> float:
    """Refuse a reference pitch to which nobody tunes."""
    if not LOWEST_A4_HZ <= a4_hz <= HIGHEST_A4_HZ:
        raise ProductionError(
            f"{a4_hz:g} Hz is no pitch to tune an A to: {LOWEST_A4_HZ:g} to {HIGHEST_A4_HZ:g} are."
        )
    return a4_hz


def _hold_seconds(seconds: float) -> float:
    """Refuse a hold of less than no time, or of very much."""
    if not 0.0 <= seconds <= LONGEST_HOLD_S:
        raise ProductionError(f"a hold lasts 0 to {LONGEST_HOLD_S:g} seconds, not {seconds:g}.")
    return seconds


AMetre = Annotated[Metre, PlainValidator(_text_by(parse_metre))]
ALength = Annotated[Fraction, PlainValidator(_text_by(parse_length))]
ASpeed = Annotated[Speed, PlainValidator(parse_speed)]
APlace = Annotated[PlaceWords, PlainValidator(parse_place)]
ALaw = Annotated[Law, PlainValidator(_one_of(Law))]
SomeClicks = Annotated[Clicks, PlainValidator(_one_of(Clicks))]
SomeBars = Annotated[Runs, PlainValidator(parse_runs)]
SomeNotes = Annotated[tuple[str, ...], PlainValidator(_notes)]
ClickColour = Literal["wood", "bell", "tick"]
Level = Annotated[Seconds, Field(ge=-60.0, le=12.0)]


class SoundTable(Strict):
    """The table ``[sound]``."""

    click: ClickColour = "wood"
    drone: Annotated[tuple[str, ...], PlainValidator(read_line)] = ()
    melody: Annotated[tuple[str, ...], PlainValidator(read_part_names)] = ()
    drone_db: Level = -12.0
    melody_db: Level = -9.0
    cue_db: Level = -6.0
    a4_hz: Annotated[Seconds, AfterValidator(check_pitch)] = 440.0
    tuning: Literal["equal", "just"] = "equal"
    spoken: Literal["none", "bars", "sections"] = "none"
    signature: bool = True


class SheetTable(Strict):
    """The table ``[sheet]``."""

    language: Name = "en"
    send_to: str = ""
    by_when: str = ""
    claps: bool = True


class SectionTable(Strict):
    """One entry of ``[[sections]]``."""

    name: str = ""
    again: Annotated[str | int | None, PlainValidator(_again)] = None
    bars: SomeBars
    metre: AMetre | None = None
    tempo: ASpeed | None = None
    tempo_to: ASpeed | None = None
    law: ALaw = Law.BY_BEATS
    clicks: SomeClicks | None = None
    drone: SomeNotes = ()

    @model_validator(mode="after")
    def _fits_together(self) -> SectionTable:
        """Refuse a section that comes again as another one, and a law without a ramp."""
        if self.again is not None and {"name", "clicks", "drone"} & self.model_fields_set:
            raise ValueError("again: name, clicks and drone are those of the section it names")
        if "law" in self.model_fields_set and self.tempo_to is None:
            raise ValueError("law says how a tempo_to is reached, and there is none")
        return self


class ChangeTable(Strict):
    """One entry of ``[[tempo_changes]]``."""

    at: APlace
    tempo: ASpeed
    until: APlace | None = None
    law: ALaw = Law.BY_BEATS

    @model_validator(mode="after")
    def _fits_together(self) -> ChangeTable:
        """Refuse a law without a ramp."""
        if "law" in self.model_fields_set and self.until is None:
            raise ValueError("law says how a tempo is reached: say until where, or leave it out")
        return self


class HoldTable(Strict):
    """One entry of ``[[holds]]``."""

    at: APlace | None = None
    before: APlace | None = None
    seconds: Annotated[Seconds, AfterValidator(_hold_seconds)] = 0.0
    longer: Annotated[ALength, AfterValidator(_hold_length)] | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> HoldTable:
        """Refuse a hold nowhere, at two places, or of no time."""
        if (self.at is None) == (self.before is None):
            raise ValueError('a hold needs one place: at = "bar 16 beat 3", or before = "bar 17"')
        if self.seconds == 0.0 and self.longer is None:
            raise ValueError('a hold needs its time: seconds = 2, or longer = "1/16"')
        return self


class CueTable(Strict):
    """One entry of ``[[cues]]``."""

    part: Name
    at: APlace


class GuideFile(Strict):
    """A whole plan."""

    format: Literal["syncvid.guide/1"] = GUIDE_FORMAT
    title: str = ""
    metre: AMetre | None = None
    tempo: ASpeed | None = None
    upbeat: ALength | None = None
    count_in: Annotated[CountIn, PlainValidator(read_count_in)] = CountIn()
    score: str = ""
    bars: SomeBars | None = None
    clicks: SomeClicks = Clicks.BEATS
    sound: SoundTable = SoundTable()
    sheet: SheetTable = SheetTable()
    sections: Annotated[list[SectionTable], Field(max_length=_MOST_TABLES)] = Field(
        default_factory=list
    )
    tempo_changes: Annotated[list[ChangeTable], Field(max_length=_MOST_TABLES)] = Field(
        default_factory=list
    )
    holds: Annotated[list[HoldTable], Field(max_length=_MOST_TABLES)] = Field(default_factory=list)
    cues: Annotated[list[CueTable], Field(max_length=_MOST_TABLES)] = Field(default_factory=list)
