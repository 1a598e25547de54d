"""What the players' sheet tells: the facts, and which texts say them in which order."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, NamedTuple

from syncvid.handoff.markup import clean_text
from syncvid.handoff.players_count_in import count_in_lines, counted_in
from syncvid.handoff.players_music import music_lines
from syncvid.handoff.wording import Line, Texts, read_texts
from syncvid.production.beats import GuideBeat, GuideMap, Mark, clapped_beats
from syncvid.production.guide_plan import GuidePlan, Tempo
from syncvid.timeline import clock_text

MOST_MARKS = 48
"""More rehearsal marks than these do not fit on the page beside the rest."""

MOST_PARTS = 24

_MOST_SPEEDS = 3
"""Of more tempi for practice the slowest and the fastest are told."""

_KINDS = ("clicks", "drone", "others", "own", "all")
_LONGEST_NAME = 40

_SHORT_NAME = 7
"""Up to so many letters there is room for a name where marks are listed in four columns."""


class PracticeVersion(NamedTuple):
    """A version of the guide to practise with.

    Attributes
    ----------
    share : float
        Of the guide's tempo; 0.8 is four fifths.
    kind : str
        What is heard: ``clicks`` or ``drone`` alone; ``others``: all parts but one's own, ``own``
        that one alone, ``all`` of them; empty: as in the guide.
    """

    share: float = 1.0
    kind: str = ""


@dataclass(frozen=True, slots=True)
class PlayersSheet:
    """Everything that the players' sheet tells.

    Attributes
    ----------
    title : str
    version : int
        Of the guide.
    length_s : float
        Of the guide, in seconds.
    guide : tuple of str
        Names of the guide's files: the same sound in several formats.
    video : str
        Name of the guide's video; empty: there is none.
    practice : tuple of PracticeVersion
    parts : tuple of str
        Names of the parts, as files are to be called; may be empty.
    marks : tuple of Mark
        Those of the guide; its sections with a name are listed.
    tempo : Tempo or None
        At the beginning.
    beats : tuple of GuideBeat
        Of the guide: they tell what happens in the music.
    count_in_bars, count_in_beats : int
        Its whole bars, and how many beats follow them, which an upbeat completes to a bar.
    count_in_s : float
        How long it is; 0: nothing is counted.
    count_in_by_s : bool
        Whether it is told in seconds alone.
    claps : bool
        Whether players are asked to clap in its last whole bar, if it has one.
    signature : bool
        Whether the guide begins with the sound by which it is known.
    send_to, send_by : str
        Where to and until when, in the leader's words; may be empty.
    pattern : str
        How to name the files; empty: as the texts have it.
    texts : Texts
        In the language of the production.
    """

    title: str
    version: int
    length_s: float
    guide: tuple[str, ...] = ()
    video: str = ""
    practice: tuple[PracticeVersion, ...] = ()
    parts: tuple[str, ...] = ()
    marks: tuple[Mark, ...] = ()
    tempo: Tempo | None = None
    beats: tuple[GuideBeat, ...] = ()
    count_in_bars: int = 0
    count_in_beats: int = 0
    count_in_s: float = 0.0
    count_in_by_s: bool = False
    claps: bool = True
    signature: bool = False
    send_to: str = ""
    send_by: str = ""
    pattern: str = ""
    texts: Texts = field(default_factory=read_texts)


class Section(NamedTuple):
    """A heading and the lines below it."""

    heading: str
    lines: tuple[Line, ...]


class MarkRow(NamedTuple):
    """A rehearsal mark with its bar and its time, in words."""

    name: str
    bar: str
    clock: str


def sheet_facts(guide: GuideMap, plan: GuidePlan, /, **others: Any) -> PlayersSheet:
    """Return the facts that follow from a guide, together with those that do not.

    Parameters
    ----------
    guide : GuideMap
        When everything happens.
    plan : GuidePlan
        What it was made from.
    **others : Any
        Further fields of `PlayersSheet`.
    """
    counted = [beat for beat in guide.beats if beat.is_count_in]
    clapped = clapped_beats(guide)
    # The last whole bar is the one to clap in: what is counted behind it, an upbeat completes.
    whole = counted[: counted.index(clapped[-1]) + 1] if clapped else []
    return PlayersSheet(
        title=guide.title,
        version=guide.version,
        length_s=guide.duration_s,
        marks=guide.marks,
        tempo=plan.tempo,
        beats=guide.beats,
        count_in_bars=len({beat.bar for beat in whole}),
        count_in_beats=len(counted) - len(whole),
        count_in_by_s=plan.count_in.seconds is not None,
        count_in_s=guide.music_from_s - counted[0].guide_s if counted else 0.0,
        signature=guide.signature is not None,
        **others,
    )


def title_of(facts: PlayersSheet) -> str:
    """Return the title, or the word for none."""
    return clean_text(facts.title) or facts.texts.text("page.untitled")


def version_of(facts: PlayersSheet) -> str:
    """Return which version of the guide the sheet is for."""
    return facts.texts.text("page.version", version=str(facts.version))


def about(facts: PlayersSheet) -> str:
    """Return the line below the title: length, tempo, count-in."""
    texts = facts.texts
    told = [texts.text("amounts.length", length=clock_text(facts.length_s, decimals=0))]
    if facts.tempo is not None:
        told.append(
            texts.text(
                "amounts.tempo",
                note=_note(facts.tempo, texts),
                number=texts.number(facts.tempo.per_minute),
            )
        )
    if facts.count_in_s > 0:
        told.append(texts.text("amounts.count_in", amount=counted_in(facts)))
    return texts.words["page.comma"].join(told)


def sections(facts: PlayersSheet) -> tuple[Section, ...]:
    """Return what is to be done, in the order in which one does it."""
    unit = facts.tempo.unit if facts.tempo else Fraction(1, 4)
    told = (
        ("ready", _ready(facts)),
        ("phone", _phone(facts)),
        ("trial", (facts.texts.say(f"trial.{key}") for key in ("record", "watch", "ask"))),
        ("music", music_lines(facts.beats, unit, facts.texts)),
        ("take", _take(facts)),
        ("send", _send(facts)),
        ("care", (facts.texts.say(f"care.{key}") for key in ("consent", "law", "computer"))),
    )
    found = (Section(facts.texts.text(f"{name}.heading"), tuple(lines)) for name, lines in told)
    return tuple(section for section in found if section.lines)


def mark_rows(facts: PlayersSheet) -> tuple[MarkRow, ...]:
    """Return the rehearsal marks that are listed."""
    return tuple(
        MarkRow(
            shortened(clean_text(mark.name), _LONGEST_NAME),
            facts.texts.text("marks.bar", bar=str(mark.bar)),
            clock_text(mark.guide_s, decimals=0),
        )
        for mark in _named(facts)[:MOST_MARKS]
    )


def sheet_words(facts: PlayersSheet) -> tuple[str, ...]:
    """Return all that stands on the sheet, for those who look for fonts that have its letters."""
    told = sections(facts)
    return (
        title_of(facts),
        *(section.heading for section in told),
        *("".join(run.text for run in line) for section in told for line in section.lines),
        *(f"{row.name} {row.bar}" for row in mark_rows(facts)),
        version_of(facts),
        about(facts),
    )


def mark_columns(rows: tuple[MarkRow, ...]) -> int:
    """Return in how many columns the marks are listed on paper."""
    return 4 if all(len(row.name) <= _SHORT_NAME for row in rows) else 3


def marks_left_out(facts: PlayersSheet, listed: int = MOST_MARKS) -> str:
    """Tell how many marks are not listed; empty if all are."""
    rest = len(_named(facts)) - listed
    return facts.texts.counted("marks.more", rest) if rest > 0 else ""


def shortened(text: str, longest: int) -> str:
    """Return a text with an ellipsis for what is beyond a number of letters.

    Examples
    --------
    >>> shortened("Recapitulation", 6)
    'Recap…'
    """
    return text if len(text) <= longest else text[: longest - 1].rstrip() + "…"


def _named(facts: PlayersSheet) -> tuple[Mark, ...]:
    """Return the beginnings of sections that have a name."""
    return tuple(mark for mark in facts.marks if mark.kind == "section" and clean_text(mark.name))


def _ready(facts: PlayersSheet) -> Iterator[Line]:
    """Yield what to have at hand."""
    texts, version = facts.texts, str(facts.version)
    if facts.guide:
        yield texts.say("ready.guide", files=facts.guide, version=version)
    else:
        yield texts.say("ready.version", version=version)
    if facts.video:
        yield texts.say("ready.video", file=facts.video)
    if facts.practice:
        yield texts.say("ready.practice", versions=tuple(_practice(facts)))
    for key in ("devices", "headphones", "volume"):
        yield texts.say(f"ready.{key}")


def _phone(facts: PlayersSheet) -> Iterator[Line]:
    """Yield how to set up the phone."""
    yield facts.texts.say("phone.quiet", length=clock_text(facts.length_s, decimals=0))
    for key in ("level", "landscape", "light", "place", "room"):
        yield facts.texts.say(f"phone.{key}")


def _take(facts: PlayersSheet) -> Iterator[Line]:
    """Yield what happens in a take."""
    texts = facts.texts
    yield texts.say("take.slate")
    yield texts.say("take.signal" if facts.signature else "take.guide")
    if facts.count_in_s > 0:
        yield from count_in_lines(facts)
    for key in ("play", "end", "again"):
        yield texts.say(f"take.{key}")


def _send(facts: PlayersSheet) -> Iterator[Line]:
    """Yield what to do with the files."""
    texts = facts.texts
    yield texts.say("send.original")
    pattern = facts.pattern.strip() or texts.text("send.pattern")
    yield texts.say("send.name", pattern=pattern)
    if facts.parts:
        yield texts.say("send.parts", parts=_parts(facts))
    if facts.send_to.strip():
        yield texts.say("send.to", where=facts.send_to)
    if facts.send_by.strip():
        yield texts.say("send.by", when=facts.send_by)


def _parts(facts: PlayersSheet) -> tuple[str, ...]:
    """Return the names of the parts, the first ones of very many."""
    names = tuple(shortened(clean_text(name), _LONGEST_NAME) for name in facts.parts[:MOST_PARTS])
    rest = len(facts.parts) - len(names)
    more = (facts.texts.counted("send.parts_more", rest),) if rest else ()
    return (*names, *more)


def _practice(facts: PlayersSheet) -> Iterator[str]:
    """Yield which versions for practice there are."""
    texts = facts.texts
    speeds = sorted({version.share for version in facts.practice if version.share != 1.0})
    percents = tuple(texts.number(speed * 100.0) for speed in speeds)
    if len(percents) > _MOST_SPEEDS:
        yield texts.text("ready.practice_range", least=percents[0], most=percents[-1])
    elif percents:
        yield texts.text("ready.practice_speeds", percents=percents)
    kinds = {version.kind for version in facts.practice}
    for kind in _KINDS:
        if kind in kinds:
            yield texts.text(f"ready.practice_{kind}")


def _note(tempo: Tempo, texts: Texts) -> str:
    """Return the name of the note that a tempo counts."""
    fraction = f"{tempo.unit.numerator}/{tempo.unit.denominator}"
    key = f"notes.{fraction}"
    return texts.text(key) if key in texts.words else texts.text("notes.any", fraction=fraction)
