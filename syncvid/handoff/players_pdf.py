"""The players' sheet as a PDF: one page of A4 whose words also lie on a page of Letter.

The type is as large as the page has room for.  Everything is set twice at most: once to measure
its height, once on the page.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from syncvid.errors import ProductionError
from syncvid.handoff.pdf_letters import Letters, own_face
from syncvid.handoff.pdf_marks import ASIDE, INK, RED, draw_marks, marks_height
from syncvid.handoff.players import (
    PlayersSheet,
    Section,
    about,
    mark_rows,
    marks_left_out,
    sections,
    sheet_words,
    shortened,
    title_of,
    version_of,
)
from syncvid.handoff.wording import Line

_MM = 72.0 / 25.4

# ISO 216: A4 is 210 by 297 mm.  Letter is 279 mm high (ANSI Y14.1, from memory): what lies 20 mm
# from A4's edges is still 11 mm from its own, and A4 is the narrower of the two.
_WIDTH, _HEIGHT = 210.0 * _MM, 297.0 * _MM
_SIDE, _TOP = 17.0 * _MM, 20.0 * _MM
_GAP = 8.0 * _MM

# Of the main text, in points: the largest that fits.
_SIZES = tuple(quarter / 4.0 for quarter in range(46, 23, -1))
_TITLES = (28.0, 24.0, 20.0, 17.0, 14.0)
_LONGEST_TITLE = 150
_LEADING = 1.2

_TURNED = (
    "The PDF of the players' sheet sets names from right to left, but not whole lines: print the "
    "HTML page instead."
)


def players_sheet_pdf(facts: PlayersSheet, *, fonts: Sequence[Path] = ()) -> bytes:
    """Write the players' sheet as a PDF of one page.

    Parameters
    ----------
    facts : PlayersSheet
        Everything to tell.
    fonts : sequence of Path
        Font files to ask for letters that EB Garamond lacks, best first; they are opened only
        when a letter asks for it, and only the first 40 of them.

    Returns
    -------
    bytes
        The same facts give the same bytes.

    Raises
    ------
    ProductionError
        There is more to tell than a page has room for.
    """
    from reportlab.pdfgen.canvas import Canvas

    letters = Letters(tuple(fonts))
    file = io.BytesIO()
    canvas = Canvas(
        file,
        (_WIDTH, _HEIGHT),
        invariant=1,
        lang=facts.texts.language,
        initialFontName=own_face("Regular").name,
    )
    canvas.setTitle(f"{title_of(facts)}: {facts.texts.text('page.kind')}")
    page = _Page(canvas, letters, facts)
    page.draw()
    canvas.showPage()
    canvas.save()
    return file.getvalue()


def pdf_remarks(facts: PlayersSheet, *, fonts: Sequence[Path] = ()) -> tuple[str, ...]:
    """Tell what the PDF cannot show.

    Parameters
    ----------
    facts : PlayersSheet
        Everything to tell.
    fonts : sequence of Path
        As for `players_sheet_pdf`.

    Returns
    -------
    tuple of str
        Sentences; none if everything is shown.
    """
    letters = Letters(tuple(fonts))
    for text in sheet_words(facts):
        letters.runs(text)
    return (*letters.remarks(), *([_TURNED] if facts.texts.direction == "rtl" else []))


@dataclass(frozen=True, slots=True)
class _Block:
    """Paragraphs that stay together, and how high they are."""

    paragraphs: tuple[Any, ...]
    height: float


class _Page:
    """Sets the page from the top to the bottom."""

    def __init__(self, canvas: Any, letters: Letters, facts: PlayersSheet) -> None:
        self._canvas, self._letters, self._facts = canvas, letters, facts
        self._told, self._rows = sections(facts), mark_rows(facts)
        self._y = _HEIGHT - _TOP

    def draw(self) -> None:
        """Draw everything."""
        self._header()
        room = self._y - _TOP
        for size in _SIZES:
            columns = self._columns(size)
            marks = self._marks(size)
            if max(map(_height, columns)) + _height(marks) <= room:
                break
        else:
            raise ProductionError(
                "The players' sheet has more text than one page has room for.",
                fix="Shorten its texts, or what is to be said about sending.",
            )
        self._draw_columns(columns)
        self._draw_marks(marks, size)

    def _header(self) -> None:
        """Draw the title block."""
        kind = self._paragraph(self._facts.texts.text("page.kind"), 11.0, italic=True)
        version = self._paragraph(
            version_of(self._facts), 11.0, italic=True, colour=RED, align="right"
        )
        self._put((kind,), _SIDE, self._y, _WIDTH - 2 * _SIDE)
        self._put((version,), _SIDE, self._y, _WIDTH - 2 * _SIDE)
        self._y -= 15.0
        title = shortened(title_of(self._facts), _LONGEST_TITLE)
        for size in _TITLES:
            heading = self._paragraph(title, size, align="center")
            if heading.wrap(_WIDTH - 2 * _SIDE, _HEIGHT)[1] <= 2.5 * size:
                break
        line = self._paragraph(about(self._facts), 11.0, italic=True, colour=ASIDE, align="center")
        self._y = self._put((heading, line), _SIDE, self._y, _WIDTH - 2 * _SIDE) - 6.0
        self._rule(self._y)

    def _columns(self, size: float) -> tuple[tuple[_Block, ...], ...]:
        """Return the sections in two columns as even as can be."""
        blocks = [
            self._section(place, section, size) for place, section in enumerate(self._told, 1)
        ]
        cuts = ((tuple(blocks[:cut]), tuple(blocks[cut:])) for cut in range(1, len(blocks)))
        return min(cuts, key=lambda columns: max(map(_height, columns)))

    def _section(self, place: int, section: Section, size: float) -> _Block:
        """Return a numbered section."""
        numeral = f'<font color="{RED}">{self._letters.markup(str(place))}</font>'
        heading = self._letters.markup(f"  {section.heading}")
        head = self._set(numeral + heading, 1.35 * size, above=0.85 * size, below=0.15 * size)
        lines = (self._set(self._line(line), size, below=0.22 * size) for line in section.lines)
        return _measured((head, *lines), (_WIDTH - 2 * _SIDE - _GAP) / 2)

    def _line(self, line: Line) -> str:
        """Return a line as the writer's markup."""
        return "".join(self._letters.markup(run.text, italic=run.stress) for run in line)

    def _marks(self, size: float) -> tuple[_Block, ...]:
        """Return heading, marks row by row, and how many are left out; nothing without marks."""
        if not self._rows:
            return ()
        texts, width = self._facts.texts, _WIDTH - 2 * _SIDE
        above = self._letters.markup(texts.text("marks.heading") + "  ")
        aside = self._letters.markup(texts.text("marks.about"), italic=True)
        head = self._set(
            f'{above}<font color="{ASIDE}" size="{size}">{aside}</font>',
            1.35 * size, above=0.9 * size, below=0.35 * size,
        )  # fmt: skip
        left_out = marks_left_out(self._facts)
        more = (self._paragraph(left_out, size, italic=True, colour=ASIDE),) if left_out else ()
        return (
            _measured((head,), width),
            _Block((), marks_height(self._rows, size)),
            *(_measured((line,), width) for line in more),
        )

    def _draw_columns(self, columns: tuple[tuple[_Block, ...], ...]) -> None:
        """Draw the sections."""
        width = (_WIDTH - 2 * _SIDE - _GAP) / 2
        ends = []
        for x, column in zip((_SIDE, _SIDE + width + _GAP), columns, strict=True):
            y = self._y
            for block in column:
                y = self._put(block.paragraphs, x, y, width)
            ends.append(y)
        self._y = min(ends)

    def _draw_marks(self, marks: tuple[_Block, ...], size: float) -> None:
        """Draw the rehearsal marks."""
        if not marks:
            return
        head, rows, *more = marks
        width = _WIDTH - 2 * _SIDE
        self._rule(self._y - 0.5 * size)
        self._y = self._put(head.paragraphs, _SIDE, self._y, width)
        draw_marks(self._canvas, self._letters, self._rows, (_SIDE, self._y, width), size)
        self._y -= rows.height
        for block in more:
            self._put(block.paragraphs, _SIDE, self._y, width)

    def _rule(self, y: float) -> None:
        """Draw a line across the page."""
        self._canvas.setStrokeColor(INK)
        self._canvas.setLineWidth(0.5)
        self._canvas.line(_SIDE, y, _WIDTH - _SIDE, y)

    def _put(self, paragraphs: tuple[Any, ...], x: float, y: float, width: float) -> float:
        """Draw paragraphs below each other; return where they end."""
        for paragraph in paragraphs:
            height = paragraph.wrap(width, _HEIGHT)[1]
            y -= paragraph.style.spaceBefore + height
            paragraph.drawOn(self._canvas, x, y)
            y -= paragraph.style.spaceAfter
        return y

    def _paragraph(
        self,
        text: str,
        size: float,
        *,
        italic: bool = False,
        colour: str = INK,
        align: str = "left",
    ) -> Any:
        """Return a plain text as a paragraph."""
        return self._set(
            self._letters.markup(text, italic=italic), size, colour=colour, align=align
        )

    def _set(
        self, markup: str, size: float, *, above: float = 0.0, below: float = 0.0,
        colour: str = INK, align: str = "left",
    ) -> Any:  # fmt: skip
        """Return a paragraph."""
        from reportlab.lib.styles import ParagraphStyle
        from reportlab.platypus import Paragraph

        style = ParagraphStyle(
            "line",
            fontName=own_face("Regular").name,
            fontSize=size,
            leading=_LEADING * size,
            spaceBefore=above,
            spaceAfter=below,
            textColor=colour,
            alignment={"left": 0, "center": 1, "right": 2}[align],
        )
        return Paragraph(markup, style)


def _measured(paragraphs: tuple[Any, ...], width: float) -> _Block:
    """Return paragraphs with their height in a column."""
    return _Block(
        paragraphs,
        sum(
            item.wrap(width, _HEIGHT)[1] + item.style.spaceBefore + item.style.spaceAfter
            for item in paragraphs
        ),
    )


def _height(blocks: tuple[_Block, ...]) -> float:
    """Return how high blocks are together."""
    return sum(block.height for block in blocks)
