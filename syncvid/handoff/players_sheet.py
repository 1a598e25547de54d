"""The players' sheet: one page that tells everybody how to record a part at home.

Players read it on their phones, so the HTML page is narrow first; printed, it is one page of A4
or Letter, as is the PDF.  Not a word of it stands in the code: see `wording`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from importlib import resources

from syncvid.handoff.fonts import font_faces
from syncvid.handoff.markup import clean_text, element, escape, isolate
from syncvid.handoff.players import (
    MarkRow,
    PlayersSheet,
    PracticeVersion,
    Section,
    about,
    mark_columns,
    mark_rows,
    marks_left_out,
    sections,
    sheet_facts,
    sheet_words,
    title_of,
    version_of,
)
from syncvid.handoff.players_pdf import pdf_remarks, players_sheet_pdf
from syncvid.handoff.wording import Line, Run, Texts, read_texts

__all__ = [
    "PlayersSheet",
    "PracticeVersion",
    "Texts",
    "pdf_remarks",
    "players_sheet",
    "players_sheet_pdf",
    "read_texts",
    "sheet_facts",
    "sheet_words",
]

_DOCUMENT = """<!DOCTYPE html>
<html lang="{language}" dir="{direction}">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<title>{title}</title>
<style>
{style}</style>
</head>
<body style="--print:{print_pt}pt">
{body}</body>
</html>
"""

# What a phone can open at a touch.
_ADDRESS = re.compile(r"https?://[^\s<>\"]+[^\s<>\".,;:!?)\]]|[\w.+-]+@[\w-]+(?:\.[\w-]+)+")

# Printed type, in points: the largest that the page has room for.
_PRINT_PT = tuple(quarter / 4.0 for quarter in range(44, 25, -1))

# What there is room for on A4 and Letter alike, with the margins of players.css, in points; and
# how wide letters and how high lines of EB Garamond run, in em (measured on English text).
_PAGE_PT = (524.0, 706.0)
_LETTER_EM, _LINE_EM = 0.42, 1.27
# The title is about twice as large, and has half of the page.
_TITLE_EM = 2.1 * 2 * _LETTER_EM


def players_sheet(facts: PlayersSheet) -> str:
    """Write the players' sheet as a page of HTML.

    Parameters
    ----------
    facts : PlayersSheet
        Everything to tell.

    Returns
    -------
    str
        A whole document that needs nothing beside it.  The same facts give the same text.
    """
    told, rows = sections(facts), mark_rows(facts)
    body = (
        _header(facts)
        + element("main", *(_section(place, *item) for place, item in enumerate(told, 1)))
        + _marks(facts, rows)
    )
    style = (resources.files("syncvid.handoff") / "players.css").read_text(encoding="utf-8")
    return _DOCUMENT.format(
        language=facts.texts.language,
        direction=facts.texts.direction,
        title=escape(f"{title_of(facts)}: {facts.texts.text('page.kind')}"),
        style=font_faces(body) + style,
        print_pt=_print_pt(len(title_of(facts)), told, rows),
        body=body,
    )


def _header(facts: PlayersSheet) -> str:
    """Return the title block."""
    return element(
        "header",
        element("p", escape(facts.texts.text("page.kind")), class_="kind"),
        element("h1", isolate(title_of(facts))),
        element("p", escape(version_of(facts)), class_="version"),
        element("p", escape(about(facts)), class_="about"),
    )


def _section(place: int, heading: str, lines: tuple[Line, ...]) -> str:
    """Return a numbered section."""
    numeral = element("span", str(place), class_="numeral", aria_hidden="true")
    items = "".join(element("li", _line(line)) for line in lines)
    title = element("h2", numeral, " ", escape(heading), id=f"part-{place}")
    return element("section", title, element("ul", items), aria_labelledby=f"part-{place}") + "\n"


def _line(line: Line) -> str:
    """Return a line as markup."""
    return "".join(_run(run) for run in line)


def _run(run: Run) -> str:
    """Return a run as markup: facts do not change the direction of what surrounds them."""
    # Not `escape` alone: it would take away the blanks at the ends of a run.
    text = element("bdi", _linked(run.text)) if run.fact else _spaced(run.text)
    return element("em", text) if run.stress else text


def _spaced(text: str) -> str:
    """Return escaped text that keeps a blank at its ends."""
    before = " " if text[:1].isspace() else ""
    after = " " if text.strip() and text[-1:].isspace() else ""
    return before + escape(text) + after


def _linked(text: str) -> str:
    """Return escaped text whose web and mail addresses can be opened."""
    return "".join(_pieces_with_links(clean_text(text)))


def _pieces_with_links(text: str) -> Iterator[str]:
    """Yield a text's pieces as markup, addresses as links."""
    done = 0
    for found in _ADDRESS.finditer(text):
        address = found[0]
        yield _spaced(text[done : found.start()])
        link = address if address.startswith("http") else f"mailto:{address}"
        yield element("a", escape(address), href=link)
        done = found.end()
    yield _spaced(text[done:])


def _marks(facts: PlayersSheet, rows: tuple[MarkRow, ...]) -> str:
    """Return the list of rehearsal marks; empty if there are none."""
    if not rows:
        return ""
    texts = facts.texts
    items = "".join(
        element(
            "li",
            element("b", isolate(row.name)),
            " ",
            element("span", escape(row.bar)),
            " ",
            element("time", row.clock),
        )
        for row in rows
    )
    left_out = marks_left_out(facts)
    return element(
        "aside",
        element("h2", escape(texts.text("marks.heading")), id="marks"),
        element("p", escape(texts.text("marks.about"))),
        element("ul", items),
        element("p", escape(left_out)) if left_out else "",
        class_="long" if mark_columns(rows) == 3 else None,
        aria_labelledby="marks",
    )


def _print_pt(title: int, told: tuple[Section, ...], rows: tuple[MarkRow, ...]) -> float:
    """Return in which size everything fits on one page, by counting letters."""
    width_pt, height_pt = _PAGE_PT
    for size_pt in _PRINT_PT:
        in_line = (width_pt / 2 - 2 * size_pt) / (size_pt * _LETTER_EM)
        lines = sum(
            2.0 + sum(0.25 + math.ceil(_letters(line) / in_line) for line in section.lines)
            for section in told
        )
        head = 3.0 + 2.0 * math.ceil(title * size_pt * _TITLE_EM / width_pt)
        below = 5.0 + 1.15 * math.ceil(len(rows) / mark_columns(rows)) if rows else 0.0
        # Columns are rarely quite even: some lines are lost.
        if (head + lines / 2 + 5.0 + below) * size_pt * _LINE_EM <= height_pt:
            return size_pt
    return _PRINT_PT[-1]


def _letters(line: Line) -> int:
    """Return how many letters a line has."""
    return sum(len(run.text) for run in line)
