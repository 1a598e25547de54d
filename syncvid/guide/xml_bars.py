"""The bars of a score as they are printed: metres, lengths, numbers, upbeats and divided bars.

MusicXML 4.0 (w3.org/2021/06/musicxml40/musicxml-reference/elements/measure-partwise): `implicit`
is "yes" "for measures where the measure number should never appear, such as pickup measures and
the last half of mid-measure repeats".
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from fractions import Fraction
from typing import Any

from syncvid.errors import ProductionError
from syncvid.guide.bar_signs import Signs
from syncvid.guide.xml_metres import COMMON, free_metre, read_metre
from syncvid.guide.xml_parts import Measure, WrittenPart, plain
from syncvid.production.guide_plan import Bar, Metre
from syncvid.production.note_values import length_text

# In whole notes.  Less is due to tuplets in divisions that do not hold them (project choice).
_ROUNDING = Fraction(1, 64)

# In whole notes; what a plan can say (project choice).
_LONGEST = 64

# So many bars that do not add up are told one by one.
_MOST_TOLD = 12

_WHOLE_NUMBER = re.compile(r"\d{1,6}")


def read_bars(
    parts: Sequence[WrittenPart], signs: Sequence[Signs], *, name: str
) -> tuple[list[Bar], list[str]]:
    """Work out the bars of a score.

    Parameters
    ----------
    parts : sequence of WrittenPart
    signs : sequence of Signs
        Of each measure; bars may be shorter before repeats.
    name : str
        Of the file, for messages.

    Returns
    -------
    (list of Bar, list of str)
        A bar for each measure, in the order in which they are written, and remarks.

    Raises
    ------
    ProductionError
        A metre or a length cannot be.
    """
    columns = [
        [part.measures[i] for part in parts if i < len(part.measures)] for i in range(len(signs))
    ]
    metres, remarks = _metres(columns, name)
    may_be_short = _may_be_short(columns, signs)
    lengths = [
        _length(column, metre, short)
        for column, metre, short in zip(columns, metres, may_be_short, strict=True)
    ]
    full = [metre or free_metre(length) for metre, length in zip(metres, lengths, strict=True)]
    begins = _begins(columns, full, lengths)
    numbers, renumbered = _numbers(columns, begins)
    bars = [
        Bar(number, metre, length, begin)
        for number, metre, length, begin in zip(numbers, full, lengths, begins, strict=True)
    ]
    for bar in bars:
        if bar.length > _LONGEST:
            raise ProductionError(
                f"Bar {bar.number} is {float(bar.length):g} whole notes long: {_LONGEST} are the "
                "most.",
                where=name,
                fix="Look at its notes.",
            )
    # Both halves of a bar that is divided are short.
    excused = [
        any(pair) or short
        for *pair, short in zip(begins, [*begins[1:], 0], may_be_short, strict=True)
    ]
    return bars, [*renumbered, *remarks, *_sums(parts, bars, excused)]


def _metres(columns: list[list[Measure]], name: str) -> tuple[list[Metre | None], list[str]]:
    """Return the metre of each measure, None where there is none, and remarks."""
    remarks = []
    metre: Metre | None = COMMON
    # What a metre at the end of a measure says of the next one, if there is one.
    coming: list[Metre | None] = []
    metres: list[Metre | None] = []
    if not any(placed.at == 0 for measure in columns[0] for placed in measure.times):
        remarks.append("The score begins without a metre: it is taken as 4/4.")
    for column in columns:
        metre = coming[0] if coming else metre
        coming = []
        now: list[Metre | None] = []
        for placed in [placed for measure in column for placed in measure.times]:
            (coming if placed.at else now).append(_metre(placed.element, column[0], name))
        # The first part decides.
        metre = now[0] if now else metre
        if metre is None:
            remarks.append(f"Bar {column[0].number[:20]} has no metre: its notes are counted.")
        metres.append(metre)
    return metres, remarks


def _metre(time: Any, measure: Measure, name: str) -> Metre | None:
    """Read a metre; an error says where it stands."""
    try:
        return read_metre(time)
    except ProductionError as exc:
        raise ProductionError(
            f"Bar {measure.number[:20]}: {exc.what}", where=name, fix="Look at its metre."
        ) from exc


def _may_be_short(columns: list[list[Measure]], signs: Sequence[Signs]) -> list[bool]:
    """Tell for each measure whether it may be shorter than its metre."""
    last = len(signs) - 1
    return [
        index in (0, last)
        or column[0].implicit
        or bool(sign.passes or sign.ending_stops or sign.back or sign.fine is not None)
        or signs[index + 1].forward
        for index, (column, sign) in enumerate(zip(columns, signs, strict=True))
    ]


def _length(column: list[Measure], metre: Metre | None, short: bool) -> Fraction:
    """Return how long a measure is played: the longest part decides.

    Rests of a whole measure are often written longer than a short one.
    """
    notes = max(measure.length for measure in column)
    rests = max(measure.rests for measure in column)
    if metre is None:
        return plain(max(notes, rests)) or COMMON.length
    rests = Fraction(0) if notes and short else min(rests, metre.length)
    length = max(notes, rests) or metre.length
    return metre.length if abs(length - metre.length) < _ROUNDING else plain(length)


def _begins(
    columns: list[list[Measure]], metres: list[Metre], lengths: list[Fraction]
) -> list[Fraction]:
    """Return where in its metre each measure begins: upbeats, and second halves, within it."""
    begins = [Fraction(0)] * len(columns)
    for index in range(1, len(columns)):
        before, measure = columns[index - 1][0], columns[index][0]
        begin = begins[index - 1] + lengths[index - 1]
        goes_on = measure.implicit or measure.number == before.number
        is_upbeat = index == 1 and _is_upbeat(before)
        fits = begin + lengths[index] <= metres[index].length
        if goes_on and fits and metres[index] == metres[index - 1] and not is_upbeat:
            begins[index] = begin
    if len(columns) > 1 and not begins[1] and lengths[0] < metres[0].length:
        begins[0] = metres[0].length - lengths[0]
    return begins


def _is_upbeat(measure: Measure) -> bool:
    """Tell whether a first measure is said to be an upbeat."""
    return measure.implicit or measure.number == "0"


def _numbers(columns: list[list[Measure]], begins: list[Fraction]) -> tuple[list[int], list[str]]:
    """Return the number of each measure, and a remark where they are not those of the score."""
    has_upbeat = _is_upbeat(columns[0][0]) and begins[0] > 0
    heads = [index for index, begin in enumerate(begins) if index == 0 or not begin]
    printed = [columns[index][0].number for index in heads]
    if has_upbeat:
        printed[0] = "0"
    odd = [text for text in printed if not _WHOLE_NUMBER.fullmatch(text)]
    values = [] if odd else [int(text) for text in printed]
    odd += [str(value) for value, times in Counter(values).items() if times > 1]
    remarks = []
    if odd:
        first = 0 if has_upbeat else 1
        values = list(range(first, first + len(heads)))
        remarks.append(
            "The bars are numbered in order from 1: those of the score are no whole numbers, or "
            f'come twice ("{odd[0][:20]}").'
        )
    numbers: list[int] = []
    following = iter(values)
    for index, begin in enumerate(begins):
        numbers.append(numbers[-1] if index and begin else next(following))
    return numbers, remarks


def _sums(parts: Sequence[WrittenPart], bars: list[Bar], excused: list[bool]) -> list[str]:
    """Tell the bars whose notes do not make their metre."""
    told = []
    for index, (bar, may_be_short) in enumerate(zip(bars, excused, strict=True)):
        whole = bar.metre.length
        for part in parts:
            measure = part.measures[index] if index < len(part.measures) else Measure("", False)
            length = max(measure.length, min(measure.rests, whole))
            is_wrong = abs(length - whole) >= _ROUNDING and length > 0
            if is_wrong and not (may_be_short and length < whole):
                less = "less" if length < whole else "more"
                told.append(
                    f"Bar {bar.number} of {part.name}: its notes make {_shown(length)}, "
                    f"{_shown(abs(length - whole))} {less} than {bar.metre.name}; "
                    f"the bar is played as {_shown(bar.length)}."
                )
    if len(told) > _MOST_TOLD:
        more = len(told) - _MOST_TOLD
        told = [*told[:_MOST_TOLD], f"{more} more bars of parts do not add up."]
    return told


def _shown(length: Fraction) -> str:
    """Write a length in quarters, where they are whole, or as a fraction."""
    return length_text(length, per=4)
