"""The bars of a section as people write them: 8, "1-8, 1-7, 9-16", "16 (2/4) in 3/4"."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import NamedTuple

from syncvid.errors import ProductionError
from syncvid.production.guide_plan import Bar, Metre
from syncvid.production.metres import metre_text, parse_metre
from syncvid.production.note_values import length_text, parse_length
from syncvid.production.toml import quoted

# More are a slip of the pen: three pieces an evening long (project choice).
MOST_BARS = 20_000

# In whole notes; a cadenza in one bar is shorter (project choice).
_LONGEST_BAR = 64

# So many letters of bars stand on a line when they are written.
_LINE = 80

_NUMBER = r"(-?\d{1,6})"
_RUN = re.compile(rf"{_NUMBER}(?: ?(?:-|–|to) ?{_NUMBER})?(?: ?\(([^()+]+)\))?(?: in (.+))?")
_PART = re.compile(r"(?:(last )?(.+?))(?: after (.+))?")

_HOW = (
    'Write how many (8), or their numbers: "1-8", "1-8, 1-7, 9-16", '
    '"16 (2/4)" for a bar that is shorter, "9-12 in 2/4" where the metre changes'
)


class Part(NamedTuple):
    """How much of a bar is played: so much from its beginning, its last bit, or a bit within."""

    length: Fraction
    after: Fraction | None = Fraction(0)

    def begin(self, metre: Metre) -> Fraction:
        """Return where in its metre it begins; its last bit has no `after`."""
        return metre.length - self.length if self.after is None else self.after


class Run(NamedTuple):
    """Bars in a row, whose metre may be a new one and of which only a part may be played."""

    first: int
    last: int
    part: Part | None = None
    metre: Metre | None = None


Runs = int | tuple[Run, ...]


def parse_runs(written: object) -> Runs:
    """Read bars: their count, or what stands in quotes as runs.

    Raises
    ------
    ProductionError
        They are none, or far too many.
    """
    if isinstance(written, int) and not isinstance(written, bool):
        if written < 1:
            raise ProductionError(f"{written} bars are none: a section has one at least.")
        if written > MOST_BARS:
            raise _too_many(written)
        return written
    if not isinstance(written, str) or not written.strip():
        raise ProductionError(f"{written!r} are no bars.", fix=_HOW)
    words = written.split(",")
    if len(words) == 1 and re.fullmatch(r"\d+", written.strip()):
        number = written.strip()
        raise ProductionError(
            f'"{number}" in quotes is one bar, the one of that number.',
            fix=f'Write {number} without quotes for so many bars, or "{number}-{number}" for that '
            "bar alone",
        )
    runs = tuple(_run(" ".join(word.split())) for word in words)
    count = sum(run.last - run.first + 1 for run in runs)
    if count > MOST_BARS:
        raise _too_many(count)
    return runs


def _too_many(count: int) -> ProductionError:
    """Return the error of too many bars."""
    shown = count if count < 10**12 else "So many"
    return ProductionError(f"{shown} bars are too many: a piece has {MOST_BARS} at most.")


def _run(written: str) -> Run:
    """Read one run."""
    found = _RUN.fullmatch(written)
    if found is None:
        raise ProductionError(f"{written!r} are no bars.", fix=_HOW)
    first = int(found[1])
    last = int(found[2]) if found[2] else first
    if last < first:
        raise ProductionError(f"bars {written} would end before they begin.")
    part = _part(found[3]) if found[3] else None
    return Run(first, last, part, parse_metre(found[4]) if found[4] else None)


def _part(written: str) -> Part:
    """Read how much of a bar is played: 2/4, last 1/4, 1/4 after 2/4."""
    found = _PART.fullmatch(written.strip())
    if found is None or (found[1] and found[3]):
        raise ProductionError(
            f"({written}) is no part of a bar.",
            fix='Write "(2/4)", "(last 1/4)" or "(1/4 after 2/4)"',
        )
    length = parse_length(found[2])
    after = None if found[1] else parse_length(found[3]) if found[3] else Fraction(0)
    if length + (after or 0) > _LONGEST_BAR:
        raise ProductionError(f"({written}) is too long for a bar.")
    return Part(length, after)


def play_run(run: Run, metre: Metre, section: int, upbeat: Fraction | None = None) -> Iterator[Bar]:
    """Yield the bars of a run; bar 0, if nothing is said of its length, is the piece's upbeat.

    Raises
    ------
    ProductionError
        A bar's last bit is longer than the bar.
    """
    begin = run.part.begin(metre) if run.part else Fraction(0)
    length = run.part.length if run.part else metre.length
    if begin < 0:
        raise ProductionError(
            f"the last {length_text(length)} of bar {run.first} is longer than its metre "
            f"({metre_text(metre)})."
        )
    for number in range(run.first, run.last + 1):
        if number == 0 and run.part is None and upbeat is not None and upbeat < metre.length:
            yield Bar(0, metre, upbeat, metre.length - upbeat, section)
        else:
            yield Bar(number, metre, length, begin, section)


def runs_text(bars: Sequence[Bar], metre: Metre, *, following: int | None) -> str:
    """Write bars as they stand in TOML.

    Parameters
    ----------
    bars : sequence of Bar
        At least one.
    metre : Metre
        The metre before them.
    following : int or None
        The number that follows on from the bar before; bars that go on from it are counted.
    """
    words = []
    for run in _rows(bars):
        text = f"{run[0].number}-{run[-1].number}" if len(run) > 1 else str(run[0].number)
        text += _part_text(run[0])
        if run[0].metre != metre:
            metre = run[0].metre
            text += f" in {metre_text(metre)}"
        words.append((text, len(run)))
    if len(words) == 1 and " " not in words[0][0]:
        text, count = words[0]
        if bars[0].number == following:
            return str(count)
        return f'"{text}"' if count > 1 or bars[0].number < 0 else f'"{text}-{text}"'
    return _wrapped(", ".join(text for text, _ in words))


def _wrapped(text: str) -> str:
    """Return a text in quotes; a long one over several lines, where spaces do not matter."""
    if len(text) <= _LINE:
        return quoted(text)
    lines = textwrap.wrap(text, _LINE, break_on_hyphens=False, break_long_words=False)
    return '"""\n' + "\n".join(quoted(line)[1:-1] for line in lines) + '"""'


def _rows(bars: Sequence[Bar]) -> Iterator[list[Bar]]:
    """Yield bars that are alike and whose numbers follow each other."""
    row = [bars[0]]
    for bar in bars[1:]:
        before = row[-1]
        alike = (bar.metre, bar.length, bar.begin) == (before.metre, before.length, before.begin)
        # Bar 0 stands alone: said without a length it is an upbeat where the piece has one.
        if alike and bar.number == before.number + 1 and 0 not in (bar.number, before.number):
            row.append(bar)
        else:
            yield row
            row = [bar]
    yield row


def _part_text(bar: Bar) -> str:
    """Write how much of a bar is played; nothing where it is a whole one, but for bar 0."""
    whole = bar.metre.length
    if bar.begin == 0 and bar.length == whole and bar.number != 0:
        return ""
    per = _denominator(bar.metre)
    length = length_text(bar.length, per)
    if bar.begin == 0:
        return f" ({length})"
    if bar.begin + bar.length == whole:
        return f" (last {length})"
    return f" ({length} after {length_text(bar.begin, per)})"


def _denominator(metre: Metre) -> int:
    """Return the note that a metre's name counts."""
    found = re.fullmatch(r"\d+/(\d+)", metre.name)
    return int(found[1]) if found else 1
