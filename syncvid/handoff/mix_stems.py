"""The parts in the statement about a mix: their balance, their takes, what was done to each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from syncvid.handoff.markup import clean_text, number
from syncvid.handoff.mix_rows import (
    INDENT,
    WIDTH,
    change,
    columns_of,
    level,
    listed,
    padded,
    paragraph,
    row,
    wrapped,
)
from syncvid.production.mix_made import Hiding, MadeMix, MadePassage, MadeSplice, MadeStem
from syncvid.timeline import clock_text

# A place closer to the middle than this is not told from it.
_MIDDLE = 0.005

# Changes of level, in dB, and of time, in ms, that are too small to be shown.
_SHOWN_DB, _SHOWN_MS = 0.05, 0.05

# Less than this is not worth a figure for each band of the tone.
_TONE_DB = 0.5

# A splice that lies further from its mark than this is told with the distance.
_NEAR_MARK_S = 0.05

_HIDDEN: dict[Hiding, str] = {
    "rest": "in a rest",
    "attack": "just before an attack",
    "quiet": "at the quietest moment near",
    "held": "within a held note",
}

_GAP = "  "


def balance(made: MadeMix) -> Iterator[str]:
    """Yield a table of the parts: how loud they came, and how loud and where they stand.

    Columns in which nothing stands are left out.
    """
    if not made.stems:
        return
    columns = [column for column in _columns(made) if any(column.cells)]
    names = [clean_text(stem.name) or "?" for stem in made.stems]
    room = WIDTH - len(INDENT) - sum(len(_GAP) + column.width for column in columns)
    # Names that leave no room for the columns have a line of their own.
    left = max((columns_of(name) for name in names if columns_of(name) <= room), default=0)
    yield _line("", [(column.head, column.width) for column in columns], left)
    yield _line("", [(column.unit, column.width) for column in columns], left)
    for nth, name in enumerate(names):
        cells = [(column.cells[nth], column.width) for column in columns]
        head = wrapped(name, first=INDENT, then=INDENT + INDENT) if columns_of(name) > left else []
        yield from head
        yield _line("" if head else name, cells, left)
    if any(abs(stem.wish_db) >= _SHOWN_DB for stem in made.stems):
        yield from paragraph("A part is raised by gain and wish together.")


def stem_rows(stem: MadeStem, made: MadeMix) -> Iterator[str]:
    """Yield what one part is made of, in the order of time, and what was done to it."""
    yield from row("left out", "muted in this mix" if stem.muted else "")
    for piece in _in_order(stem):
        if isinstance(piece, MadePassage):
            begin_s = max(0.0, piece.from_s - made.from_s)
            end_s = max(begin_s, min(piece.to_s, made.to_s) - made.from_s)
            yield from row(f"{clock_text(begin_s)} to {clock_text(end_s)}", _passage(piece))
        else:
            at_s = max(0.0, piece.at_s - made.from_s)
            yield from row(f"at {clock_text(at_s)}", _splice(piece))
    for step, told in stem.cleaning:
        yield from row("cleaned", ": ".join(filter(None, (clean_text(step), clean_text(told)))))
    yield from row("tone", _tone(stem.tone_db))
    yield from row("moved", _shift(stem.shift_ms))
    yield from row("file", clean_text(stem.file))


def pan_text(pan: float) -> str:
    """Say where a part stands between left (-1) and right (1).

    Examples
    --------
    >>> pan_text(-0.2), pan_text(0.0), pan_text(1.0)
    ('20 % left', 'middle', '100 % right')
    """
    if abs(pan) < _MIDDLE:
        return "middle"
    return f"{abs(pan) * 100:.0f} % {'left' if pan < 0 else 'right'}"


@dataclass(frozen=True, slots=True)
class _Column:
    """A column of the table: what stands above it, and a cell for each part."""

    head: str
    unit: str
    cells: list[str]

    @property
    def width(self) -> int:
        """Columns of the page that it takes."""
        return max(map(len, (self.head, self.unit, *self.cells)))


def _columns(made: MadeMix) -> list[_Column]:
    """Return all columns of the table but the names."""
    stems = made.stems
    return [
        _Column("recorded", "LUFS", [level(stem.loudness_lufs, none="silent") for stem in stems]),
        _Column("gain", "dB", ["" if s.muted else change(s.starting_db) for s in stems]),
        _Column("wish", "dB", [_slight(stem.wish_db) for stem in stems]),
        _Column("room", "dB", [_slight(stem.room_db) if made.room else "" for stem in stems]),
        _Column("place", "", [_place(stem) for stem in stems]),
    ]


def _line(name: str, cells: Sequence[tuple[str, int]], left: int) -> str:
    """Return a line of the table: all columns but the last end flush."""
    *flush, (last, _) = cells
    figures = "".join(f"{_GAP}{cell:>{width}}" for cell, width in flush)
    return f"{INDENT}{padded(name, left)}{figures}{_GAP}{last}".rstrip()


def _slight(change_db: float) -> str:
    """Write a change; none leaves the cell empty."""
    return change(change_db) if abs(change_db) >= _SHOWN_DB else ""


def _place(stem: MadeStem) -> str:
    """Say where a part stands, or that it is left out."""
    return "left out" if stem.muted else pan_text(stem.pan)


def _in_order(stem: MadeStem) -> list[MadePassage | MadeSplice]:
    """Return passages and splices as they follow each other.

    A splice comes before the passage whose middle lies behind it: passages that are joined
    overlap.
    """
    pieces: list[tuple[float, MadePassage | MadeSplice]] = [
        ((passage.from_s + passage.to_s) / 2, passage) for passage in stem.passages
    ]
    pieces += [(splice.at_s, splice) for splice in stem.splices]
    return [piece for _, piece in sorted(pieces, key=lambda entry: entry[0])]


def _passage(passage: MadePassage) -> str:
    """Say from where a passage comes."""
    told = f"take {passage.take}, {clean_text(passage.file)}"
    if abs(passage.gain_db) < _SHOWN_DB:
        return told
    return f"{told}, {change(passage.gain_db)} dB"


def _splice(splice: MadeSplice) -> str:
    """Say where a joint is hidden, and how long and of which kind its cross-fade is."""
    place = clean_text(splice.place)
    # Times stand at the head of the row, counted from the beginning of the file.
    place = "" if place[:1].isdigit() or place[:1] == "-" else place
    where = f"{place + ': ' if place else ''}joined {_HIDDEN[splice.hidden_in]}"
    fade = f"cross-fade over {1000 * splice.fade_s:.0f} ms, {splice.law}"
    away_s = splice.at_s - splice.marked_s
    side = "before" if away_s < 0 else "after"
    away = f"{abs(away_s):.2f} s {side} its mark" if abs(away_s) >= _NEAR_MARK_S else ""
    return "; ".join(filter(None, (where, fade, away, _doubt(splice))))


def _doubt(splice: MadeSplice) -> str:
    """Say why somebody should listen to a joint; empty if nobody need."""
    if splice.step_ratio is not None and splice.step_ratio > 1:
        return "it may click: please listen"
    return "please listen" if splice.hidden_in == "held" else ""


def _tone(tone_db: Sequence[tuple[float, float]]) -> str:
    """Say by how much the tone was changed, where it is worth telling."""
    if not tone_db:
        return ""
    told = [
        f"{change(db)} dB at {_pitch(hz)}" for hz, db in tone_db if round(abs(db), 1) >= _TONE_DB
    ]
    return listed(told) if told else f"changed by less than {_TONE_DB} dB"


def _pitch(frequency_hz: float) -> str:
    """Write a frequency."""
    if frequency_hz >= 1000:
        return f"{number(round(frequency_hz / 1000, 2))} kHz"
    return f"{number(round(frequency_hz, 1))} Hz"


def _shift(shift_ms: float) -> str:
    """Say by how much the user moved a part."""
    if abs(shift_ms) < _SHOWN_MS:
        return ""
    return f"{number(round(abs(shift_ms), 1))} ms {'later' if shift_ms > 0 else 'earlier'}"
