"""The list of rehearsal marks in a PDF: names in boxes, bars, times, in columns."""

from __future__ import annotations

import math
from typing import Any

from syncvid.handoff.pdf_letters import Letters, own_face
from syncvid.handoff.players import MarkRow, mark_columns, shortened

INK, RED, ASIDE, RULE = "#1f1c18", "#a3261d", "#6a645b", "#d8d2c4"
"""The page's colours, as those of the HTML page."""

# In the size of the type.
_ROW = 1.5
_GAP = 1.4
_TIME_ROOM = 3.0
_BOX = 1.5
_PADDING = 0.35


def marks_height(rows: tuple[MarkRow, ...], size: float) -> float:
    """Return how high the list is, in points."""
    return math.ceil(len(rows) / mark_columns(rows)) * _ROW * size


def draw_marks(
    canvas: Any,
    letters: Letters,
    rows: tuple[MarkRow, ...],
    place: tuple[float, float, float],
    size: float,
) -> None:
    """Draw the list.

    Parameters
    ----------
    canvas : reportlab.pdfgen.canvas.Canvas
    letters : Letters
    rows : tuple of MarkRow
        Read down the columns.
    place : (float, float, float)
        Left edge, upper edge and width, in points.
    size : float
        Of the type, in points.
    """
    left, top, width = place
    columns = mark_columns(rows)
    high = math.ceil(len(rows) / columns)
    column = (width - (columns - 1) * _GAP * size) / columns
    canvas.setLineWidth(0.5)
    for nth, row in enumerate(rows):
        x = left + nth // high * (column + _GAP * size)
        base = top - (nth % high + 0.75) * _ROW * size
        _draw_row(canvas, letters, row, (x, base, column), size)


def _draw_row(
    canvas: Any, letters: Letters, row: MarkRow, place: tuple[float, float, float], size: float
) -> None:
    """Draw one mark."""
    x, base, width = place
    bar = letters.runs(row.bar, italic=True)
    room = width - _TIME_ROOM * size - _wide(bar, size) - 3 * _PADDING * size
    name, wide = _fitted(letters, row.name, room, size)
    box = max(wide + 2 * _PADDING * size, _BOX * size)
    canvas.setStrokeColor(RULE)
    canvas.line(x, base - 0.4 * size, x + width, base - 0.4 * size)
    canvas.setStrokeColor(INK)
    canvas.rect(x, base - 0.3 * size, box, 1.2 * size)
    _write(canvas, name, x + (box - wide) / 2, base, size, INK)
    _write(canvas, bar, x + width - _TIME_ROOM * size - _wide(bar, size), base, size, ASIDE)
    clock = letters.runs(row.clock)
    _write(canvas, clock, x + width - _wide(clock, size), base, size, INK)


def _fitted(
    letters: Letters, text: str, room: float, size: float
) -> tuple[list[tuple[str, str]], float]:
    """Return a name, shortened to the room that there is, and its width."""
    for length in range(len(text), 0, -1):
        runs = letters.runs(shortened(text, length))
        wide = _wide(runs, size)
        if wide <= room:
            break
    return runs, wide


def _wide(runs: list[tuple[str, str]], size: float) -> float:
    """Return the width of runs on one line, in points."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(sum(stringWidth(text, face, size) for face, text in runs))


def _write(
    canvas: Any, runs: list[tuple[str, str]], x: float, base: float, size: float, colour: str
) -> None:
    """Write runs beside each other."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    canvas.setFillColor(colour)
    for face, text in runs or [(own_face("Regular").name, "")]:
        canvas.setFont(face, size)
        canvas.drawString(x, base, text)
        x += stringWidth(text, face, size)
