"""From the tables of a plan to the plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from syncvid.errors import ProductionError
from syncvid.production.guide_file.bar_runs import MOST_BARS, Run, Runs, play_run
from syncvid.production.guide_file.place_words import PlaceWords
from syncvid.production.guide_file.tables import GuideFile, SectionTable
from syncvid.production.guide_plan import (
    Bar,
    Entry,
    GuidePlan,
    GuideSound,
    Hold,
    Metre,
    Place,
    PlanSection,
    SheetNotes,
    Tempo,
    TempoChange,
)
from syncvid.production.played import PlayedBars
from syncvid.production.toml import Mistake

Location = tuple[int | str, ...]

# Places in bars that are played very often are so many, all together, at most (project choice).
_MOST_POSITIONS = 100_000


@dataclass(frozen=True, slots=True)
class PlacedChange:
    """A change of tempo, where its table stands, and where the music is each time it is played.

    Attributes
    ----------
    change : TempoChange
    location : tuple
    ats, untils : list of Fraction
        Positions in whole notes; `untils` is empty for a step.
    """

    change: TempoChange
    location: Location
    ats: list[Fraction]
    untils: list[Fraction]


@dataclass(slots=True)
class _Block:
    """The bars of one table of sections: `first` to before `stop`."""

    table: SectionTable
    location: Location
    first: int
    stop: int


@dataclass(slots=True)
class _Layout:
    """The bars as they are gathered, and what is wrong with them."""

    mistakes: list[Mistake]
    bars: list[Bar] = field(default_factory=list)
    sections: list[PlanSection] = field(default_factory=list)
    blocks: list[_Block] = field(default_factory=list)


def build_plan(
    file: GuideFile, mistakes: list[Mistake]
) -> tuple[GuidePlan | None, list[PlacedChange]]:
    """Put the tables of a plan together.

    Parameters
    ----------
    file : GuideFile
    mistakes : list of Mistake
        What is found wrong is added.

    Returns
    -------
    (GuidePlan or None, list of PlacedChange)
        None where not even the bars can be told; what could not be placed is left out.
    """
    layout = _lay_bars(file, mistakes)
    tempo = _first_tempo(file, layout)
    if mistakes or tempo is None:
        return None, []
    placer = _Placer(PlayedBars(layout.bars), mistakes)
    changes = _changes(file, layout, placer)
    plan = GuidePlan(
        title=file.title,
        bars=tuple(layout.bars),
        sections=tuple(layout.sections),
        tempo=tempo,
        changes=tuple(placed.change for placed in changes),
        holds=tuple(_holds(file, placer)),
        entries=tuple(_entries(file, placer)),
        count_in=file.count_in,
        sound=GuideSound(**file.sound.given()),
        sheet=SheetNotes(**file.sheet.given()),
        score=file.score,
    )
    return plan, changes


def _lay_bars(file: GuideFile, mistakes: list[Mistake]) -> _Layout:
    """Lay out all bars; mistakes stop it, for all that follows would be told wrongly."""
    layout = _Layout(mistakes)
    tables: Sequence[tuple[SectionTable, Location]] = [
        (table, ("sections", index)) for index, table in enumerate(file.sections)
    ]
    if file.bars is not None:
        if tables:
            words = "stand here and in sections: leave them out in one of the two"
            mistakes.append(Mistake(("bars",), words))
        tables = [(SectionTable.model_construct(bars=file.bars), ())]
    if not tables:
        mistakes.append(
            Mistake(("bars",), "are missing: write bars = 32, or sections that have them")
        )
        return layout
    metre = file.metre or tables[0][0].metre
    if metre is None:
        mistakes.append(Mistake(("metre",), 'is missing: write metre = "4/4"'))
        return layout
    if file.upbeat is not None:
        _add_upbeat(layout, file.upbeat, metre)
    for table, location in tables:
        if mistakes:
            break
        metre = _add_block(layout, table, location, metre, file)
    return layout


def _add_upbeat(layout: _Layout, length: Fraction, metre: Metre) -> None:
    """Put an upbeat before the first bar."""
    begin = metre.length - length
    if begin <= 0:
        words = f"is no shorter than a bar of {metre.name}: write it as a bar"
        layout.mistakes.append(Mistake(("upbeat",), words))
        return
    layout.bars.append(Bar(0, metre, length, begin))


def _add_block(
    layout: _Layout, table: SectionTable, location: Location, metre: Metre, file: GuideFile
) -> Metre:
    """Add the bars of a section, and return the metre after them."""
    section = _section_of(layout, table, location, file)
    metre = table.metre or metre
    # The upbeat belongs to the first section.
    first = len(layout.bars) if layout.blocks else 0
    key = (*location, "bars")
    for run in _as_runs(table.bars, layout.bars):
        metre = run.metre or metre
        if len(layout.bars) + run.last - run.first + 1 > MOST_BARS:
            words = f"make more than {MOST_BARS} in all: a piece has so many at most"
            layout.mistakes.append(Mistake(key, words))
            return metre
        try:
            played = list(play_run(run, metre, section, file.upbeat))
        except ProductionError as exc:
            layout.mistakes.append(Mistake(key, f"are wrong: {_said(exc)}"))
            return metre
        # At the head the upbeat stands already.
        is_head = [bar.number for bar in layout.bars] == [0] and played[0] == layout.bars[0]
        layout.bars += played[1:] if is_head else played
    layout.blocks.append(_Block(table, location, first, len(layout.bars)))
    return metre


def _as_runs(bars: Runs, before: Sequence[Bar]) -> tuple[Run, ...]:
    """Return bars as runs; a count goes on from the bar before."""
    if not isinstance(bars, int):
        return bars
    first = before[-1].number + 1 if before else 1
    return (Run(first, first + bars - 1),)


def _section_of(layout: _Layout, table: SectionTable, location: Location, file: GuideFile) -> int:
    """Return the number of a table's section, from 0: a new one, or one that comes again."""
    known = layout.sections
    if table.again is None:
        known.append(PlanSection(table.name, table.clicks or file.clicks, table.drone))
        return len(known) - 1
    if isinstance(table.again, int) and 1 <= table.again <= len(known):
        return table.again - 1
    named = [number for number, section in enumerate(known) if section.name == table.again]
    if not named:
        words = f"is wrong: no section before it is called {table.again!r}"
        layout.mistakes.append(Mistake((*location, "again"), words))
    return named[-1] if named else 0


def _first_tempo(file: GuideFile, layout: _Layout) -> Tempo | None:
    """Return the tempo at the beginning; say so where there is none, or two."""
    first = file.sections[0].tempo if file.sections else None
    if file.tempo is not None and first is not None:
        words = "stands at the top too: leave it out in one of the two"
        layout.mistakes.append(Mistake(("sections", 0, "tempo"), words))
    speed = file.tempo or first
    if speed is None:
        layout.mistakes.append(Mistake(("tempo",), "is missing: write tempo = 96"))
        return None
    return speed.tempo(layout.bars[0].metre) if layout.bars else None


class _Placer:
    """Finds places, and gathers what is said of those that are not in the music."""

    def __init__(self, played: PlayedBars, mistakes: list[Mistake]) -> None:
        self.played, self.mistakes = played, mistakes
        self._found = 0

    def find(self, words: PlaceWords, location: Location) -> tuple[Place, list[Fraction]] | None:
        """Return a place and its positions; None where there is none."""
        times = 1 if words.time else len(self.played.times(words.bar))
        self._found += times
        if self._found > _MOST_POSITIONS:
            if self._found - times <= _MOST_POSITIONS:
                said = "and the places before it are played too often: write fewer"
                self.mistakes.append(Mistake(location, said))
            return None
        place = words.place(self.played)
        try:
            return place, self.played.positions(place)
        except ProductionError as exc:
            self.mistakes.append(Mistake(location, f"is wrong: {_said(exc)}"))
            return None


def _said(exc: ProductionError) -> str:
    """Return what an error says, to stand within a sentence."""
    text = str(exc).removesuffix(".")
    return text[:1].lower() + text[1:]


def _changes(file: GuideFile, layout: _Layout, placer: _Placer) -> list[PlacedChange]:
    """Return all changes of tempo in the order of the music; a step stands before a ramp."""
    found: list[PlacedChange] = []
    for index, block in enumerate(layout.blocks):
        found += _block_changes(block, placer, is_first=index == 0)
    for index, table in enumerate(file.tempo_changes):
        location = ("tempo_changes", index)
        at = placer.find(table.at, (*location, "at"))
        until = table.until and placer.find(table.until, (*location, "until"))
        if at is None or (table.until is not None and until is None):
            continue
        metre = placer.played.bars[placer.played.index_at(at[1][0])].metre
        change = TempoChange(
            at[0], table.tempo.tempo(metre), until[0] if until else None, table.law
        )
        found.append(PlacedChange(change, location, at[1], until[1] if until else []))
    return sorted(found, key=lambda placed: (placed.ats[0], placed.change.until is not None))


def _block_changes(block: _Block, placer: _Placer, *, is_first: bool) -> list[PlacedChange]:
    """Return what a section's own keys say of the tempo."""
    table, played = block.table, placer.played
    metre = played.bars[block.first].metre
    at, start = played.edge(block.first, end=False), played.starts[block.first]
    found = []
    if table.tempo is not None and not is_first:
        change = TempoChange(at, table.tempo.tempo(metre))
        found.append(PlacedChange(change, (*block.location, "tempo"), [start], []))
    if table.tempo_to is not None:
        until, stop = played.edge(block.stop - 1, end=True), played.starts[block.stop]
        change = TempoChange(at, table.tempo_to.tempo(metre), until, table.law)
        found.append(PlacedChange(change, (*block.location, "tempo_to"), [start], [stop]))
    return found


def _holds(file: GuideFile, placer: _Placer) -> list[Hold]:
    """Return the holds."""
    holds = []
    for index, table in enumerate(file.holds):
        key = "at" if table.at is not None else "before"
        words = table.at or table.before
        found = words and placer.find(words, ("holds", index, key))
        if found:
            length = table.longer or Fraction(0)
            holds.append(Hold(found[0], table.seconds, length, key == "before"))
    return holds


def _entries(file: GuideFile, placer: _Placer) -> list[Entry]:
    """Return the entries for whom a cue sounds."""
    entries = []
    for index, table in enumerate(file.cues):
        if found := placer.find(table.at, ("cues", index, "at")):
            entries.append(Entry(table.part, found[0]))
    return entries
