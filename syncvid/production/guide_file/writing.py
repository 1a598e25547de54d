"""Writing a plan as TOML that people read and edit."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import asdict, fields, replace
from fractions import Fraction

from syncvid.production.guide_file.bar_runs import runs_text
from syncvid.production.guide_file.page import Page
from syncvid.production.guide_file.place_words import place_text
from syncvid.production.guide_file.tables import GUIDE_FORMAT
from syncvid.production.guide_plan import (
    Bar,
    Clicks,
    GuidePlan,
    GuideSound,
    Law,
    Metre,
    Place,
    PlanSection,
    SheetNotes,
    TempoChange,
)
from syncvid.production.metres import metre_text
from syncvid.production.note_values import are_notes, length_text, number_text, speed_text
from syncvid.production.played import PlayedBars
from syncvid.production.toml import quoted

_NO_DRONE = '# drone = "D3 A3"  # notes; or "lowest part" or a part of the score'

# Changes of tempo, with their numbers in the plan, by the position at which they begin.
_Starting = dict[Fraction, list[tuple[int, TempoChange]]]


def write_plan(plan: GuidePlan, *, remarks: Sequence[str] = ()) -> str:
    """Write a plan so that a person can edit it, and `parse_plan` reads it back as it was.

    Parameters
    ----------
    plan : GuidePlan
        Of at least one bar.  Sections come in the order in which they are first played; one that
        has no bars is left out.  Changes are in the order of the music.
    remarks : sequence of str
        Sentences that stand at the top as comments.

    Returns
    -------
    str
        TOML.
    """
    plan = _in_order(plan)
    page = Page([], set(), PlayedBars(plan.bars))
    page.lines.append('# The plan of a guide; all keys: README, "The plan of a guide".')
    page.lines += [f"# {line}" for remark in remarks for line in _printable(remark)]
    upbeat = _upbeat(plan.bars)
    rest = plan.bars[1:] if upbeat else plan.bars
    blocks = [list(run) for _, run in itertools.groupby(rest, key=lambda bar: bar.section)]
    plain = len(blocks) == 1 and plan.sections[0] == PlanSection(clicks=plan.sections[0].clicks)
    _put_top(page, plan, upbeat)
    if plain:
        _put_bars(page, rest, plan.bars[0].metre, 1)
        _put_clicks(page, plan.sections[0].clicks)
    _put_sound(page, plan.sound)
    _put_sheet(page, plan.sheet)
    taken: set[int] = set()
    if not plain:
        _put_sections(page, plan, blocks, len(plan.bars) - len(rest), taken)
    for number, change in enumerate(plan.changes):
        if number not in taken:
            _put_change(page, change)
    _put_holds(page, plan)
    for entry in plan.entries:
        page.head("[[cues]]")
        page.put("part", quoted(entry.part))
        page.put("at", _place(page, entry.at))
    return "\n".join(page.lines) + "\n"


def _in_order(plan: GuidePlan) -> GuidePlan:
    """Return a plan whose sections are numbered as they are first played."""
    order = {number: new for new, number in enumerate(dict.fromkeys(b.section for b in plan.bars))}
    if list(order) == list(range(len(plan.sections))):
        return plan
    return replace(
        plan,
        bars=tuple(replace(bar, section=order[bar.section]) for bar in plan.bars),
        sections=tuple(plan.sections[number] for number in order),
    )


def _upbeat(bars: Sequence[Bar]) -> Fraction:
    """Return the length of what comes before bar 1; 0 where nothing does."""
    first = bars[0]
    is_upbeat = (
        first.number == 0
        and first.begin > 0
        and first.begin + first.length == first.metre.length
        and len(bars) > 1
        and bars[1].section == first.section
    )
    return first.length if is_upbeat else Fraction(0)


def _put_top(page: Page, plan: GuidePlan, upbeat: Fraction) -> None:
    """Write the head of the file."""
    first = plan.bars[0].metre
    page.put("format", quoted(GUIDE_FORMAT))
    page.put("title", quoted(plan.title))
    page.put("metre", quoted(metre_text(first)))
    page.put("tempo", speed_text(plan.tempo, first))
    if upbeat:
        page.put("upbeat", quoted(length_text(upbeat)))
    seconds = plan.count_in.seconds
    counted = str(plan.count_in.bars) if seconds is None else f'"{number_text(seconds)} s"'
    page.put("count_in", counted)
    if plan.score:
        page.put("score", quoted(plan.score))


def _put_sound(page: Page, sound: GuideSound) -> None:
    """Write how the guide sounds; what is as usual and seldom changed is left out."""
    page.head("[sound]")
    page.put("click", quoted(sound.click))
    if sound.drone:
        page.put("drone", _drone(sound.drone))
    else:
        page.lines.append(_NO_DRONE)
    page.put("a4_hz", number_text(sound.a4_hz))
    page.put("tuning", quoted(sound.tuning))
    usual = asdict(GuideSound())
    for key in [field.name for field in fields(sound)]:
        value = getattr(sound, key)
        if key not in ("click", "drone", "a4_hz", "tuning") and value != usual[key]:
            page.put(key, _value(value))


def _put_sheet(page: Page, sheet: SheetNotes) -> None:
    """Write what the players' sheet says besides, if anything."""
    if sheet == SheetNotes():
        return
    page.head("[sheet]")
    for key, value in asdict(sheet).items():
        if value != getattr(SheetNotes(), key):
            page.put(key, _value(value))


def _put_sections(
    page: Page,
    plan: GuidePlan,
    blocks: list[list[Bar]],
    index: int,
    taken: set[int],
) -> None:
    """Write the sections, and note the changes of tempo that they say themselves."""
    starting = _starting(page, plan.changes)
    metre = plan.bars[0].metre
    following = 1
    known: dict[str, int] = {}
    told: set[int] = set()
    for count, block in enumerate(blocks):
        page.head("[[sections]]")
        section = block[0].section
        name = plan.sections[section].name
        if section in told:
            by_name = name and known[name] == section
            page.put("again", quoted(name) if by_name else str(section + 1))
        elif name:
            page.put("name", quoted(name))
        is_new = block[0].metre != metre
        metre = block[0].metre
        _put_bars(page, block, metre, following)
        if is_new:
            page.put("metre", quoted(metre_text(metre)))
        start = 0 if count == 0 else index
        _put_own_tempo(page, (start, index + len(block) - 1), starting, taken)
        if section not in told:
            told.add(section)
            known[name] = section
            _put_section_sound(page, plan.sections[section])
        index += len(block)
        metre, following = block[-1].metre, block[-1].number + 1


def _put_section_sound(page: Page, section: PlanSection) -> None:
    """Write what clicks and drones in a section, if it is not as everywhere."""
    _put_clicks(page, section.clicks)
    if section.drone:
        page.put("drone", '"none"' if section.drone == ("-",) else _drone(section.drone))


def _put_bars(page: Page, bars: Sequence[Bar], metre: Metre, following: int) -> None:
    """Write the bars of a section; behind a count which ones they are."""
    text = runs_text(bars, metre, following=following)
    is_told = "bars" in page.told or not text.isdigit()
    numbers = f"{bars[0].number} to {bars[-1].number}" if is_told and text.isdigit() else None
    page.put("bars", text, numbers)


def _put_own_tempo(
    page: Page, edges: tuple[int, int], starting: _Starting, taken: set[int]
) -> None:
    """Write the changes of tempo that a section says itself, and note that they are told."""
    first, last = edges
    begin, end = page.played.edge(first, end=False), page.played.edge(last, end=True)
    metre = page.played.bars[first].metre
    here = starting.get(page.played.starts[first], [])
    steps = [row for row in here if row[1].until is None]
    # The first tempo of all stands at the top; of two at one place it matters which comes later.
    if first > 0 and len(steps) == 1 and steps[0][1] == TempoChange(begin, steps[0][1].tempo):
        taken.add(steps[0][0])
        page.put("tempo", speed_text(steps[0][1].tempo, metre))
    for number, change in here:
        if change.at == begin and change.until == end:
            taken.add(number)
            page.put("tempo_to", speed_text(change.tempo, metre))
            if change.law is not Law.BY_BEATS:
                page.put("law", quoted(change.law))
            break


def _starting(page: Page, changes: Sequence[TempoChange]) -> _Starting:
    """Return the changes, numbered, by the position at which they first begin."""
    found: _Starting = {}
    for number, change in enumerate(changes):
        found.setdefault(page.played.positions(change.at)[0], []).append((number, change))
    return found


def _put_clicks(page: Page, clicks: Clicks) -> None:
    """Write how dense the clicks are, if not on the beats."""
    if clicks is not Clicks.BEATS:
        page.put("clicks", quoted(clicks))


def _put_change(page: Page, change: TempoChange) -> None:
    """Write a change of tempo."""
    played = page.played
    metre = played.bars[played.index_at(played.positions(change.at)[0])].metre
    page.head("[[tempo_changes]]")
    page.put("at", _place(page, change.at))
    page.put("tempo", speed_text(change.tempo, metre))
    if change.until is not None:
        page.put("until", _place(page, change.until))
        if change.law is not Law.BY_BEATS:
            page.put("law", quoted(change.law))


def _put_holds(page: Page, plan: GuidePlan) -> None:
    """Write the holds."""
    for hold in plan.holds:
        page.head("[[holds]]")
        page.put("before" if hold.before else "at", _place(page, hold.at))
        if hold.length:
            page.put("longer", quoted(length_text(hold.length)))
        if hold.seconds or not hold.length:
            page.put("seconds", number_text(hold.seconds))


def _place(page: Page, place: Place) -> str:
    """Write a place in quotes."""
    return quoted(place_text(place, page.played))


def _drone(words: tuple[str, ...]) -> str:
    """Write what a drone plays: notes in one text, one part as it is, several as a list."""
    if are_notes(words) or len(words) == 1:
        return quoted(" ".join(words))
    return _value(words)


def _value(value: object) -> str:
    """Write a value as TOML."""
    if isinstance(value, tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return number_text(value) if isinstance(value, int | float) else quoted(str(value))


def _printable(remark: str) -> Iterator[str]:
    """Yield a remark's lines without what TOML forbids in comments."""
    for line in remark.splitlines():
        yield "".join(char for char in line if char.isprintable())
