"""The summary of a guide in plain text: what its plan says, for a person to read once over."""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Iterator, Sequence
from fractions import Fraction

from syncvid.handoff.markup import clean_text, number
from syncvid.production.beats import GuideMap, Mark
from syncvid.production.guide_file.place_words import place_text
from syncvid.production.guide_plan import Bar, GuidePlan, Hold, Law, Tempo, TempoChange
from syncvid.production.played import PlayedBars
from syncvid.timeline import clock_text

_MOST = 6
"""So many entries of a list are told; of the sections more."""

_MOST_SECTIONS = 12
_WIDTH, _LINE = 12, 84
"""Letters for the names of the rows, and for what they tell."""

_LONGEST_NAME = 30
_LONGEST_ORDER = 300

_NOTES = {
    Fraction(1): "whole note",
    Fraction(3, 4): "dotted half",
    Fraction(1, 2): "half",
    Fraction(3, 8): "dotted quarter",
    Fraction(1, 4): "quarter",
    Fraction(3, 16): "dotted eighth",
    Fraction(1, 8): "eighth",
    Fraction(1, 16): "sixteenth",
}

_LAWS = {Law.BY_BEATS: "even by beats", Law.BY_TIME: "even in time", Law.STEPS: "beat by beat"}


def guide_summary(
    guide: GuideMap,
    plan: GuidePlan,
    *,
    order: str = "",
    remarks: Sequence[str] = (),
    practice: Sequence[str] = (),
) -> str:
    """Sum up a guide.

    Parameters
    ----------
    guide : GuideMap
        When everything happens.
    plan : GuidePlan
        What it was made from.
    order : str
        The order of the bars as unfolded from a score, for a person to confirm.
    remarks : sequence of str
        Sentences about what was guessed, or could not be read.
    practice : sequence of str
        The practice versions that were made, each in a few words.

    Returns
    -------
    str
        Lines of plain text; long lists are cut, and say so.
    """
    rows = (
        ("length", [_length(guide)]),
        ("bars", [_bars(plan)]),
        ("count-in", [_count_in(guide)]),
        ("metre", _cut(list(_metres(plan)))),
        ("tempo", _tempi(guide, plan)),
        ("holds", _holds(plan)),
        ("sections", _cut(_sections(guide), _MOST_SECTIONS)),
        ("cues", _cut(_cues(guide))),
        ("bar order", [_order(order)] if order else []),
        ("practice", _cut([clean_text(version) for version in practice])),
        ("note", _cut([clean_text(remark) for remark in remarks])),
    )
    lines = [
        f"{clean_text(guide.title) or 'Untitled'}, guide version {guide.version}{_slow(guide)}"
    ]
    for name, told in rows:
        wrapped = [part for text in told for part in textwrap.wrap(text, _LINE)]
        names = itertools.chain((name,), itertools.repeat(""))
        lines += [f"  {head:<{_WIDTH}}{text}" for head, text in zip(names, wrapped, strict=False)]
    return "\n".join(lines) + "\n"


def tempo_text(tempo: Tempo) -> str:
    """Write a tempo in its own unit.

    Examples
    --------
    >>> tempo_text(Tempo(60.0, Fraction(3, 8)))
    'dotted quarter = 60'
    """
    return f"{note_text(tempo.unit)} = {number(tempo.per_minute)}"


def note_text(length: Fraction) -> str:
    """Name a note by its length.

    Examples
    --------
    >>> note_text(Fraction(1, 8)), note_text(Fraction(5, 8))
    ('eighth', '5/8 of a whole note')
    """
    return _NOTES.get(length) or f"{length} of a whole note"


def _slow(guide: GuideMap) -> str:
    """Say at which share of its tempo the guide is, if not at all of it."""
    return "" if guide.practice == 1.0 else f", at {number(guide.practice * 100)} % of the tempo"


def _length(guide: GuideMap) -> str:
    """Tell how long the guide is."""
    music = f"{clock_text(guide.music_from_s)} to {clock_text(guide.music_to_s)}"
    return f"{clock_text(guide.duration_s)}, music from {music}"


def _bars(plan: GuidePlan) -> str:
    """Tell how many bars there are, and how they are numbered."""
    numbers = [bar.number for bar in plan.bars]
    if not numbers:
        return "none"
    played = f"{len(numbers)} as played, numbered {min(numbers)} to {max(numbers)}"
    again = len(numbers) - len(set(numbers))
    repeated = f", {again} of them a repeat" if again else ""
    first = plan.bars[0]
    upbeat = f", upbeat of {_a_note(first.length)}" if first.begin else ""
    return played + repeated + upbeat


def _count_in(guide: GuideMap) -> str:
    """Tell how long is counted before the music."""
    counted = [beat for beat in guide.beats if beat.is_count_in]
    if not counted:
        return "none"
    bars = len({beat.bar for beat in counted})
    seconds = guide.music_from_s - counted[0].guide_s
    return f"{bars} {'bar' if bars == 1 else 'bars'}, {number(seconds)} s, from " + clock_text(
        counted[0].guide_s
    )


def _metres(plan: GuidePlan) -> Iterator[str]:
    """Yield each metre with the bar from which it holds."""
    before: Bar | None = None
    for bar in plan.bars:
        if before is None or bar.metre != before.metre:
            groups = _groups(bar)
            yield bar.metre.name + groups + (f" from bar {bar.number}" if before else "")
        before = bar


def _groups(bar: Bar) -> str:
    """Say how the beats of a metre are grouped, where it is not plain from its name."""
    beats = bar.metre.beats
    if len(set(beats)) < 2:
        return ""
    return f" in beats of {', '.join(str(beat) for beat in beats)}"


def _tempi(guide: GuideMap, plan: GuidePlan) -> list[str]:
    """Return the tempo at the beginning, its changes and its range."""
    played = PlayedBars(plan.bars)
    changes = _cut([_change(change, played) for change in plan.changes])
    sounding = [beat.quarters for beat in guide.beats if beat.quarters > 0]
    sounding += [change.tempo.quarters * guide.practice for change in plan.changes]
    low, high = min(sounding, default=0.0), max(sounding, default=0.0)
    spread = [f"from {number(low, 1)} to {number(high, 1)} quarters per minute in all"]
    return [tempo_text(plan.tempo), *changes, *(spread if high - low >= 0.05 else ())]


def _change(change: TempoChange, played: PlayedBars) -> str:
    """Tell a change of tempo."""
    if change.until is None:
        return f"{tempo_text(change.tempo)} from {place_text(change.at, played)}"
    way = f"{place_text(change.at, played)} to {place_text(change.until, played)}"
    return f"to {tempo_text(change.tempo)} from {way}, {_LAWS[change.law]}"


def _holds(plan: GuidePlan) -> list[str]:
    """Tell the holds."""
    played = PlayedBars(plan.bars)
    return _cut([_hold(hold, played) for hold in plan.holds])


def _hold(hold: Hold, played: PlayedBars) -> str:
    """Tell a hold."""
    lengths = [f"{number(hold.seconds)} s"] if hold.seconds else []
    lengths += [_a_note(hold.length)] if hold.length else []
    told = " and ".join(lengths) or "nothing"
    if hold.before:
        return f"before {place_text(hold.at, played)}: a breath of {told}"
    return f"{place_text(hold.at, played)}: {told} longer"


def _a_note(length: Fraction) -> str:
    """Name a note with its article."""
    name = note_text(length)
    return name if name[0].isdigit() else f"{'an' if name.startswith('e') else 'a'} {name}"


def _sections(guide: GuideMap) -> list[str]:
    """Return the sections that have a name."""
    marks = [mark for mark in guide.marks if mark.kind == "section" and clean_text(mark.name)]
    names = [_name(mark) for mark in marks]
    wide = max(map(len, names), default=0)
    return [
        f"{name:<{wide}}  {clock_text(mark.guide_s):>7}  bar {mark.bar}"
        for name, mark in zip(names, marks, strict=True)
    ]


def _cues(guide: GuideMap) -> list[str]:
    """Return the cues before entries."""
    return [f"{_name(mark)} for bar {mark.bar}" for mark in guide.marks if mark.kind == "cue"]


def _name(mark: Mark) -> str:
    """Return a mark's name, cut if it is very long."""
    name = clean_text(mark.name)
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"


def _order(order: str) -> str:
    """Return the order of bars with a wish to compare it."""
    told = clean_text(order)
    if len(told) > _LONGEST_ORDER:
        kept = told[:_LONGEST_ORDER].rpartition(", ")[0]
        told = f"{kept} and {told.count(', ') - kept.count(', ')} more"
    return f"{told}: please compare with the score"


def _cut(items: list[str], most: int = _MOST) -> list[str]:
    """Return a list, its end cut if it is long: one line more would be no shorter."""
    if len(items) <= most + 1:
        return items
    return [*items[:most], f"and {len(items) - most} more"]
