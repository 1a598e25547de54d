"""MusicXML to a plan and its notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

from syncvid.errors import ProductionError
from syncvid.guide.order import play_order
from syncvid.guide.xml_bars import read_bars
from syncvid.guide.xml_holds import read_holds
from syncvid.guide.xml_notes import check_amount, played_notes
from syncvid.guide.xml_parts import WrittenPart, read_parts
from syncvid.guide.xml_signs import read_signs
from syncvid.guide.xml_tempi import Told, lay_tempi, read_tempi, told_text
from syncvid.guide.xml_tree import parse_xml
from syncvid.production.guide_plan import Bar, GuidePlan, PlanSection, Score, ScorePart, Tempo
from syncvid.production.played import PlayedBars, order_text, played_numbers

MOST_BARS = 20_000
"""A piece as it is played has so many bars at most, as in a plan."""

# So many places with words that are not read are told one by one.
_MOST_TOLD = 20


def read_musicxml(data: bytes, *, name: str, usual: Tempo, no_tempo: str) -> Score:
    """Read a score in MusicXML.

    Parameters
    ----------
    data : bytes
        XML, not compressed.
    name : str
        Of the file, for messages.
    usual : Tempo
        Of a score that names none.
    no_tempo : str
        The remark that it names none.

    Returns
    -------
    Score

    Raises
    ------
    ProductionError
        It is no MusicXML, is broken, or has no end.
    """
    root = parse_xml(data, name=name)
    _check_root(root, name)
    parts = read_parts(root, name=name)
    signs, remarks = read_signs(parts)
    bars, bar_remarks = read_bars(parts, signs, name=name)
    try:
        order, lost = play_order(signs, most=MOST_BARS)
    except ProductionError as exc:
        raise ProductionError(exc.what, where=name, fix=exc.fix) from exc
    if not order:
        raise ProductionError(
            "No bar is played: all lie in endings for other times.",
            where=name,
            fix="Look at the endings.",
        )
    check_amount(parts, order, name=name)
    marks, told = read_tempi(parts, bars)
    tempo, changes = lay_tempi(marks, bars, order)
    holds, hold_remarks, not_held = read_holds(parts, bars, signs, order)
    bars, sections = _sections(parts, bars, order)
    played = PlayedBars([bars[index] for index in order])
    told += not_held
    told += [Told(i, f"says {jump}, but there is no such sign: it is passed") for i, jump in lost]
    if tempo is None:
        remarks.append(no_tempo)
    elif (marks[0].measure > 0 or marks[0].at > 0) and not _is_upbeat(bars[: marks[0].measure]):
        number = bars[marks[0].measure].number
        remarks.append(f"The first tempo stands in bar {number}; it is taken from the beginning.")
    plan = GuidePlan(
        title=_title(root),
        bars=tuple(played.bars),
        sections=tuple(sections),
        tempo=tempo or usual,
        changes=tuple(changes),
        holds=tuple(sorted(holds, key=lambda hold: played.positions(hold.at)[0])),
    )
    note_remarks = _unequal(parts)
    return Score(
        plan=plan,
        parts=tuple(ScorePart(p.name, played_notes(p, order, played.starts)) for p in parts),
        order=order_text(played_numbers(plan.bars)),
        remarks=(
            *remarks,
            *note_remarks,
            *_never_played(bars, order),
            *bar_remarks,
            *hold_remarks,
            *told_text(told, bars, most=_MOST_TOLD),
        ),
        note_remarks=tuple(note_remarks),
    )


def _check_root(root: Any, name: str) -> None:
    """Refuse what is XML and no score."""
    if root.tag in ("score-partwise", "score-timewise"):
        return
    kinds = {
        "html": "This is a web page, not a score.",
        "opus": "This is a list of scores, not a score.",
    }
    raise ProductionError(
        kinds.get(str(root.tag).lower(), "This is XML, but no MusicXML."),
        where=name,
        fix="Name a file that was exported as MusicXML.",
    )


def _title(root: Any) -> str:
    """Return the title of the work, or of the movement."""
    titles = (root.findtext(path) or "" for path in ("work/work-title", "movement-title"))
    return next((words for title in titles if (words := " ".join(title.split()))), "")


def _sections(
    parts: Sequence[WrittenPart], bars: Sequence[Bar], order: Sequence[int]
) -> tuple[list[Bar], list[PlanSection]]:
    """Return the bars with their sections, which begin at rehearsal marks."""
    marks = _rehearsals(parts, bars)
    if 1 in marks and 0 not in marks and _is_upbeat(bars[:1]):
        # An upbeat belongs to what it leads to.
        marks[0] = marks.pop(1)
    names = [""]
    sections = []
    for index in range(len(bars)):
        if index in marks:
            names.append(marks[index])
        sections.append(len(names) - 1)
    # In the order in which they are first played; those that never are have no place.
    first_played = list(dict.fromkeys(sections[index] for index in order))
    numbers = {section: number for number, section in enumerate(first_played)}
    return (
        [replace(bar, section=numbers.get(s, 0)) for bar, s in zip(bars, sections, strict=True)],
        [PlanSection(names[section]) for section in first_played],
    )


def _rehearsals(parts: Sequence[WrittenPart], bars: Sequence[Bar]) -> dict[int, str]:
    """Return the rehearsal marks by their measures; one for each, whatever part has it."""
    marks: dict[int, str] = {}
    for part in parts:
        for index, measure in enumerate(part.measures):
            for at, element in measure.directions:
                words = (each.text or "" for each in element.iterfind("direction-type/rehearsal"))
                text = " ".join(" ".join(words).split())
                where = index if at < bars[index].length else index + 1
                if text and where < len(bars):
                    marks.setdefault(where, text)
    return marks


def _is_upbeat(bars: Sequence[Bar]) -> bool:
    """Tell whether bars are nothing but an upbeat."""
    return len(bars) == 1 and bars[0].begin > Fraction(0)


def _never_played(bars: Sequence[Bar], order: Sequence[int]) -> list[str]:
    """Tell bars that repeats, endings and jumps leave out."""
    played = set(order)
    lacking = [bar.number for index, bar in enumerate(bars) if index not in played]
    if not lacking:
        return []
    return [f"Never played: {order_text(lacking)}. Look at the endings and jumps of the score."]


def _unequal(parts: Sequence[WrittenPart]) -> list[str]:
    """Tell parts that have fewer bars than others."""
    most = max(len(part.measures) for part in parts)
    return [
        f"{part.name} has {len(part.measures)} of the {most} bars: it is silent in the last ones."
        for part in parts
        if len(part.measures) < most
    ]
