"""Standard MIDI files (1.0, RP-001) as scores: bars, tempo map, marks and notes."""

from __future__ import annotations

import contextlib
import io
import re
import struct
from collections import defaultdict, deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import PurePath
from typing import Any

from syncvid.errors import ProductionError
from syncvid.guide.midi_bars import MidiBars, lay_bars
from syncvid.production.guide_plan import (
    Bar,
    Clicks,
    GuidePlan,
    Note,
    Place,
    PlanSection,
    Score,
    ScorePart,
    Tempo,
    TempoChange,
)
from syncvid.production.note_values import FASTEST, SLOWEST
from syncvid.production.played import beat_at, order_text, played_numbers

# An event takes two bytes at least, so a larger file may hold more than two million of them
# (project choice).
_MOST_BYTES = 4_000_000
# Bytes above 127 in a row: numbers have four at most, names in other scripts some hundreds.
_ENDLESS = re.compile(rb"[\x80-\xff]{1024}")
# Percussion plays on channel 10 (General MIDI), 9 as it is counted in the bytes.
_DRUMS = 9
# Microseconds per quarter where no tempo is given (SMF 1.0).
_DEFAULT_TEMPO = 500_000
_DOTTED = Fraction(3, 8)
# What ends so little after a bar line, or is marked so little before one, means the bar line
# (in whole notes, project choice).
NEAR = Fraction(1, 32)
_FIX = "Export it anew, or write a plan by hand."

UPBEAT_REMARK = (
    "A MIDI file does not say whether it begins with an upbeat: its first bar is number 1. Compare "
    "the numbers with those in the parts."
)
"""The remark of a MIDI file whose first bar is as long as others."""


@dataclass(slots=True)
class _Track:
    """What a track holds, times in ticks; notes are (from, to, pitch, channel)."""

    name: str = ""
    notes: list[tuple[int, int, int, int]] = field(default_factory=list)
    unended: int = 0
    end: int = 0


@dataclass(slots=True)
class _Events:
    """What rules all tracks, times in ticks."""

    tempi: dict[int, int] = field(default_factory=dict)
    metres: dict[int, str] = field(default_factory=dict)
    marks: list[tuple[int, str]] = field(default_factory=list)


def read_midi(data: bytes, *, name: str) -> Score:
    """Read a Standard MIDI file of format 0 or 1.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        Its name, for messages and as a title.

    Returns
    -------
    Score
        Bars from 1, an upbeat before them; a section for each marker; a part for each track with
        notes (in format 0 for each channel), percussion left out.

    Raises
    ------
    ProductionError
        It is broken, too large, of format 2, timed by SMPTE, or has no music in it.
    """
    kind, division, chunks = _chunks(data, name)
    events = _Events()
    tracks = [_walk(track, events) for track in _parsed(chunks, division, name)]
    end = _music_end(tracks, division)
    if end <= 0:
        raise ProductionError("This MIDI file has no notes and no bars.", where=name, fix=_FIX)
    whole = 4 * division
    bars = lay_bars(
        [(Fraction(tick, whole), metre) for tick, metre in sorted(events.metres.items())],
        Fraction(end, whole),
        where=name,
    )
    remarks = [*([] if bars.has_upbeat else [UPBEAT_REMARK]), *bars.remarks]
    parts = _parts(tracks, kind, whole)
    note_remarks = tuple(_note_remarks(tracks))
    remarks += note_remarks
    sections, played = _sections(bars, events, whole)
    tempo, changes = _tempi(bars, events, whole, name, remarks)
    first = tracks[0]
    titled = first.name if kind == 0 or not first.notes else ""
    plan = GuidePlan(
        title=titled or PurePath(name).stem,
        bars=played,
        sections=sections,
        tempo=tempo,
        changes=changes,
    )
    return Score(plan, parts, order_text(played_numbers(played)), tuple(remarks), note_remarks)


def _chunks(data: bytes, name: str) -> tuple[int, int, list[bytes]]:
    """Return format, ticks per quarter and tracks, chunks of other kinds passed over."""
    if data[:4] != b"MThd":
        raise ProductionError("This is no Standard MIDI file.", where=name, fix=_FIX)
    if len(data) > _MOST_BYTES:
        raise ProductionError(
            f"This MIDI file has {len(data):,} bytes and may hold more than two million events; "
            f"up to {_MOST_BYTES:,} bytes are read.",
            where=name,
            fix="Export the notes alone.",
        )
    if len(data) < 14 or int.from_bytes(data[4:8]) < 6:
        raise ProductionError("This MIDI file ends in its head.", where=name, fix=_FIX)
    kind, count, division = struct.unpack(">HHH", data[8:14])
    _check_head(kind, division, name)
    tracks: list[bytes] = []
    at = 8 + int.from_bytes(data[4:8])
    while len(tracks) < count and at + 8 <= len(data):
        stop = at + 8 + int.from_bytes(data[at + 4 : at + 8])
        if stop > len(data):
            raise ProductionError(
                f"This MIDI file is cut off within track {len(tracks) + 1} of {count}.",
                where=name,
                fix="Copy or export it again.",
            )
        if data[at : at + 4] == b"MTrk":
            tracks.append(data[at:stop])
        at = stop
    if len(tracks) < max(1, count):
        raise ProductionError(
            f"This MIDI file has {len(tracks)} of the {count} tracks that its head names.",
            where=name,
            fix="Copy or export it again.",
        )
    return kind, division, tracks


def _check_head(kind: int, division: int, name: str) -> None:
    """Refuse what has no bars in common."""
    if kind == 2:
        raise ProductionError(
            "This MIDI file has format 2: its tracks are pieces of their own, without a common "
            "tempo.",
            where=name,
            fix="Export it as format 1 (or 0).",
        )
    if kind > 2:
        raise ProductionError(f"There is no MIDI format {kind}.", where=name, fix=_FIX)
    if division & 0x8000:
        raise ProductionError(
            "This MIDI file counts SMPTE time (pictures of film), not quarters: it has no bars.",
            where=name,
            fix="Export it with ticks per quarter.",
        )
    if division == 0:
        raise ProductionError(
            "This MIDI file has 0 ticks per quarter: nothing in it has a length.",
            where=name,
            fix=_FIX,
        )


def _parsed(chunks: list[bytes], division: int, name: str) -> list[Any]:
    """Return the tracks as mido reads them."""
    import mido
    from mido.midifiles.meta import KeySignatureError

    tracks = []
    for number, chunk in enumerate(chunks, start=1):
        if _ENDLESS.search(chunk):
            raise _broken(number, "a number in it does not end", name)
        head = b"MThd" + struct.pack(">LHHH", 6, 0, 1, division)
        try:
            tracks += mido.MidiFile(file=io.BytesIO(head + chunk)).tracks
        except EOFError as exc:
            raise _broken(number, "it ends within an event", name) from exc
        except (OSError, ValueError, TypeError, LookupError, struct.error) as exc:
            raise _broken(number, str(exc), name) from exc
        except KeySignatureError as exc:
            raise _broken(number, "it has a key that does not exist", name) from exc
    return tracks


def _broken(number: int, why: str, name: str) -> ProductionError:
    """Return the error for a track that cannot be read."""
    return ProductionError(
        f"Track {number} of this MIDI file is broken: {why}.", where=name, fix=_FIX
    )


def _walk(messages: Any, events: _Events) -> _Track:
    """Return a track; tempi, metres and marks go to `events`."""
    track = _Track()
    sounding: dict[tuple[int, int], deque[int]] = defaultdict(deque)
    tick = 0
    for message in messages:
        tick += message.time
        match message.type:
            case "note_on" if message.velocity > 0:
                sounding[message.channel, message.note].append(tick)
            case "note_on" | "note_off":
                begun = sounding[message.channel, message.note]
                if begun:
                    track.notes.append((begun.popleft(), tick, message.note, message.channel))
            case "set_tempo":
                events.tempi[tick] = message.tempo
            case "time_signature":
                events.metres[tick] = f"{message.numerator}/{message.denominator}"
            case "marker" | "cue_marker":
                if text := _text(message.text):
                    events.marks.append((tick, text))
            case "track_name":
                track.name = track.name or _text(message.name)
    for (channel, pitch), begun in sounding.items():
        track.unended += len(begun)
        track.notes += [(start, tick, pitch, channel) for start in begun]
    track.end = tick
    return track


def _text(written: str) -> str:
    """Return a text as it was meant: UTF-8 where it is, without control characters."""
    with contextlib.suppress(UnicodeError):
        written = written.encode("latin1").decode("utf-8")
    return " ".join("".join(c if c.isprintable() else " " for c in written).split())


def _music_end(tracks: list[_Track], division: int) -> Fraction:
    """Return the tick at which the music ends: that of the last note, else of the last event."""
    notes = [note for track in tracks for note in track.notes]
    if not notes:
        return Fraction(max(track.end for track in tracks))
    # A last note that is let go a little late makes no bar of its own.
    last, end = max(note[0] for note in notes), max(note[1] for note in notes)
    return max(Fraction(last + 1), end - NEAR * 4 * division)


def _parts(tracks: list[_Track], kind: int, whole: int) -> tuple[ScorePart, ...]:
    """Return the parts: tracks, in format 0 channels."""
    parts: list[ScorePart] = []
    names: set[str] = set()
    for number, track in enumerate(tracks, start=1):
        lines: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
        for start, stop, pitch, channel in track.notes:
            if channel != _DRUMS:
                lines[channel if kind == 0 else 0].append((start, stop, pitch))
        for channel, line in sorted(lines.items()):
            plain = track.name or f"Track {number}"
            name = _unused(f"Channel {channel + 1}" if len(lines) > 1 else plain, names)
            if notes := tuple(_notes(line, whole)):
                names.add(name)
                parts.append(ScorePart(name, notes))
    return tuple(parts)


def _unused(name: str, names: set[str]) -> str:
    """Return a name that no other part has."""
    number, free = 2, name
    while free in names:
        number, free = number + 1, f"{name} ({number})"
    return free


def _notes(line: list[tuple[int, int, int]], whole: int) -> list[Note]:
    """Return a line's notes in order; a pitch that is struck again ends the note before."""
    found = []
    again: dict[int, int] = {}
    # From behind: of those struck together the longest stays.
    for start, stop, pitch in sorted(line, reverse=True):
        next_start = again.get(pitch)
        if next_start == start:
            continue
        if next_start is not None:
            stop = min(stop, next_start)
        if stop > start:
            again[pitch] = start
            found.append(Note(Fraction(start, whole), Fraction(stop - start, whole), pitch))
    return sorted(found)


def _note_remarks(tracks: list[_Track]) -> Iterator[str]:
    """Tell what is odd about notes."""
    unended = sum(track.unended for track in tracks)
    if unended:
        what = (
            "1 note never ends: it is" if unended == 1 else f"{unended} notes never end: they are"
        )
        yield f"{what} held to the end of the track."
    if any(note[3] == _DRUMS for track in tracks for note in track.notes):
        yield "Percussion (channel 10) is left out."


def _sections(
    bars: MidiBars, events: _Events, whole: int
) -> tuple[tuple[PlanSection, ...], tuple[Any, ...]]:
    """Return sections from marks, and the bars with their sections."""
    named: dict[int, list[str]] = {}
    for tick, text in sorted(events.marks, key=lambda mark: mark[0]):
        at = Fraction(tick, whole)
        if at < bars.starts[-1]:
            index = bars.index_at(at + NEAR if at + NEAR < bars.starts[-1] else at)
            texts = named.setdefault(index, [])
            if text not in texts:
                texts.append(text)
    if bars.has_upbeat and 0 not in named and 1 in named:
        # An upbeat belongs to what it leads to.
        named[0] = named.pop(1)
    edges = sorted({0, *named})
    sections = tuple(PlanSection(", ".join(named.get(edge, [])), Clicks.BEATS) for edge in edges)
    return sections, bars.with_sections(edges)


def _tempi(
    bars: MidiBars, events: _Events, whole: int, name: str, remarks: list[str]
) -> tuple[Tempo, tuple[TempoChange, ...]]:
    """Return the tempo at the beginning, and its changes."""
    if not events.tempi:
        remarks.append("The file names no tempo: 120 quarters a minute, as the format has it then.")
    elif min(events.tempi) > 0:
        remarks.append(
            "The file names no tempo at its beginning: 120 quarters a minute, as the format has "
            "it then."
        )
    now = events.tempi.get(0, _DEFAULT_TEMPO)
    first = _tempo(now, bars.bars[0], name)
    changes = []
    for tick, tempo in sorted(events.tempi.items()):
        at = Fraction(tick, whole)
        if tempo == now or at >= bars.starts[-1]:
            continue
        index = bars.index_at(at)
        bar = bars.bars[index]
        place = Place(bar.number, beat_at(bar.metre, bar.begin + at - bars.starts[index]))
        changes.append(TempoChange(place, _tempo(tempo, bar, name)))
        now = tempo
    return first, tuple(changes)


def _tempo(microseconds: int, bar: Bar, name: str) -> Tempo:
    """Return a tempo from microseconds per quarter, in the beats of its bar."""
    quarters = 60e6 / microseconds if microseconds else float("inf")
    if not SLOWEST <= quarters <= FASTEST:
        raise ProductionError(
            f"The tempo in bar {bar.number} is {quarters:.4g} quarters a minute; {SLOWEST:g} to "
            f"{FASTEST:g} can be played to.",
            where=name,
            fix="Correct it in the score.",
        )
    # In 6/8, 9/8 and 12/8 musicians count dotted quarters.
    unit = _DOTTED if set(bar.metre.beats) == {_DOTTED} else Fraction(1, 4)
    return Tempo(_plainest(microseconds, unit), unit)


def _plainest(microseconds: int, unit: Fraction) -> float:
    """Return notes per minute: the plainest number that is written in these microseconds.

    90 quarters a minute are written as 666,667 microseconds: 90 was meant, not 89.999955; so were
    60 dotted quarters.
    """
    exact = 60e6 / microseconds
    in_quarters = 4.0 * float(unit)
    for digits in range(5):
        # What is plain in other notes has thirds and the like in quarters, and the reverse.
        for note in (in_quarters, 1.0):
            plain = round(exact / note, digits)
            if plain > 0 and round(60e6 / (plain * note)) == microseconds:
                return plain * note / in_quarters
    return exact / in_quarters
