"""One clip explained in plain text, for a terminal: evidence, rivals, and what to do next."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from syncvid.handoff import words
from syncvid.handoff.axis import Axis, axis_of
from syncvid.handoff.page import SheetClip, SheetPage
from syncvid.handoff.votes import agrees, away_ms, caption, limit_ms
from syncvid.production.results import Finding
from syncvid.timeline import PPM, clock_text

# The text plot: columns and rows that fit a terminal of 80 columns; the middle row is the line.
_WIDTH = 80
_COLUMNS = 64
_ROWS = 9
_MARGIN = 9

AGREES, DIFFERS, LINE = "o", "x", "-"
"""Marks of the text plot: a window that agrees, one that does not, a line that was fitted."""


def explain(clip: SheetClip, page: SheetPage, *, to_do: Sequence[str] = ()) -> str:
    """Explain what was found of a clip.

    Parameters
    ----------
    clip : SheetClip
        The clip.
    page : SheetPage
        The page on which it stands: its reference, bars, and the other clips.
    to_do : sequence of str
        What the user can do next, one line each.

    Returns
    -------
    str
        Lines of at most 80 columns wherever names and sentences allow, without a newline at the
        end.
    """
    axis = axis_of(page)
    sections = (
        _heading(clip, page),
        _plot(clip.sync.finding, clip.length_s),
        _spans(clip.sync.finding),
        _rivals(clip, axis),
        _numbers(clip, page),
        to_do,
    )
    told = ["\n".join(section) for lines in sections if (section := list(lines))]
    return "\n\n".join(told).replace("\xa0", " ")


def _heading(clip: SheetClip, page: SheetPage) -> Iterator[str]:
    """Yield who it is, what was found, and why."""
    sync = clip.sync
    yield f"{sync.name}: {sync.file}" if sync.part else sync.file
    yield from _wrapped(words.verdict_text(clip, page))
    for text in (sync.finding.reason, words.splice_text(sync.finding), *clip.notes):
        yield from _wrapped(words.sentence(text))


def _wrapped(text: str) -> list[str]:
    """Return a text in lines that fit a terminal; names and paths stay whole."""
    plain = text.replace("\xa0", " ")
    return textwrap.wrap(plain, _WIDTH, break_long_words=False, break_on_hyphens=False)


def _plot(finding: Finding, length_s: float) -> Iterator[str]:
    """Yield the votes as a drawing of letters: clip time runs right, away from the line is up."""
    if not finding.votes:
        yield "No window of it stands out, so there is nothing to draw."
        return
    placed = finding.placement is not None
    heights = list(away_ms(finding)) if placed else [vote.lag_s for vote in finding.votes]
    middle = 0.0 if placed else (min(heights) + max(heights)) / 2
    reach = limit_ms(finding) if placed else max((max(heights) - min(heights)) / 2, 1e-3)
    times_s = [vote.clip_s for vote in finding.votes]
    end_s = max(length_s, *times_s)
    field = [[" "] * _COLUMNS for _ in range(_ROWS)]
    if placed:
        field[_ROWS // 2] = [LINE] * _COLUMNS
        _draw_spans(field, finding, reach, end_s)
    marked = sorted(zip(agrees(finding).tolist(), times_s, heights, strict=True))
    for agreeing, time_s, height in marked:
        row = _row((height - middle) / reach)
        field[row][_column(time_s, end_s)] = AGREES if agreeing else DIFFERS
    yield "Each window of the clip, over the clip's time; up is later in the reference:"
    unit = "ms" if placed else "s"
    for row, line in enumerate(field):
        height = middle + reach * (1 - 2 * row / (_ROWS - 1))
        label = f"{height:+.1f} {unit}" if row in (0, _ROWS // 2, _ROWS - 1) else ""
        label = label.replace("+0.0 ms", "0 ms")
        yield f"{label:>{_MARGIN}} |{''.join(line).rstrip()}"
    end = clock_text(end_s, decimals=0)
    yield f"{'':{_MARGIN}}  0:00{end:>{_COLUMNS - 4}}"
    yield from _wrapped(caption(finding, marks=(AGREES, DIFFERS, DIFFERS)))


def _draw_spans(field: list[list[str]], finding: Finding, reach: float, end_s: float) -> None:
    """Draw the line of each span that lies elsewhere."""
    offset_s, drift_ppm = words.fitted_lines(finding)[0]
    for span in finding.spans:
        own_ppm = drift_ppm if span.drift_ppm is None else span.drift_ppm
        for column in range(_column(span.clip_from_s, end_s), _column(span.clip_to_s, end_s) + 1):
            time_s = column * end_s / (_COLUMNS - 1)
            away = 1000 * (span.offset_s - offset_s + time_s * (own_ppm - drift_ppm) * PPM)
            if abs(away) <= reach:
                field[_row(away / reach)][column] = LINE


def _row(height: float) -> int:
    """Return the row of a height between -1 and 1; what lies beyond stands at the rim."""
    return round((1 - min(1.0, max(-1.0, height))) / 2 * (_ROWS - 1))


def _column(time_s: float, end_s: float) -> int:
    """Return the column of a clip time."""
    return min(_COLUMNS - 1, max(0, round(time_s / end_s * (_COLUMNS - 1))))


def _spans(finding: Finding) -> Iterator[str]:
    """Yield the table of the stretches that are heard in the reference."""
    if not finding.spans or finding.offset_s is None:
        return
    yield "Stretches of the clip that are heard in the reference:"
    yield f"{'from':>10}{'to':>10}{'starts at':>14}{'moved by':>12}"
    for span in finding.spans:
        moved_ms = (span.offset_s - finding.offset_s) * 1000
        yield (
            f"{clock_text(span.clip_from_s):>10}{clock_text(span.clip_to_s):>10}"
            f"{span.offset_s:>12.4f} s{moved_ms:>+9.1f} ms"
        )


def _rivals(clip: SheetClip, axis: Axis) -> Iterator[str]:
    """Yield the table of other places where the clip would fit."""
    finding = clip.sync.finding
    if not finding.rivals:
        return
    yield "Rivals, other places where it would fit:"
    yield f"{'number':>10}{'starts at':>14}{'strength':>12}"
    for number, rival in enumerate(finding.rivals, 1):
        offset_s = finding.offset_s
        bars = None if offset_s is None else words.rival_bars(offset_s, rival, axis)
        where = f"   bar {bars[0]} would be bar {bars[1]}" if bars else ""
        yield f"{number:>10}{rival.offset_s:>12.4f} s{rival.strength * 100:>10.0f} %{where}"


def _numbers(clip: SheetClip, page: SheetPage) -> Iterator[str]:
    """Yield the numbers of the sheet's small table."""
    for name, value in words.numbers(clip, page):
        yield f"{name:>18}  {value}"
