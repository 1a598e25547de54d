"""Credits: who did what, set in columns on as few plates as can be read well."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial

from syncvid.picture.areas import plate_unit, text_area
from syncvid.picture.cards import centred_rule
from syncvid.picture.fonts import choose_type
from syncvid.picture.pieces import LABEL_SEPARATOR, Rect
from syncvid.picture.setting import length_px
from syncvid.picture.typeset import Typeset, line_count, wrapped

# What may stand between what somebody did and who it was.
_SEPARATORS = (LABEL_SEPARATOR, "\t", ": ", " – ", " — ")

# Columns and size of the letters (share of the plate's measure) in the order in which they are
# tried; the last is used for as many plates as it takes.
_WAYS = ((1, 0.054), (1, 0.048), (1, 0.042), (2, 0.046), (2, 0.04), (2, 0.036), (3, 0.036))

# Letters smaller than this cannot be read in any font.
_SMALLEST_EM_PX = 12

# In em: distance of base lines, height of an empty line, gap between what and who, gap between
# two columns, the narrowest column, from the rule to the first base line.
_LINE_EM, _EMPTY_EM, _GAP_EM, _COLUMN_GAP_EM, _NARROWEST_EM, _RULE_EM = 1.5, 0.8, 0.8, 1.6, 15, 1.9

# What somebody did takes at most this share of a column: the one that makes the fewest lines.
_ROLE_SHARES = (0.5, 0.42, 0.34)

# Above this many lines in one column the eye loses its place, however small the letters.
_MOST_ROWS = 18


@dataclass(frozen=True, slots=True)
class Credit:
    """One line of the credits: what, and who; an empty one is a gap."""

    role: Typeset
    name: Typeset


@dataclass(frozen=True, slots=True)
class CreditsPlate:
    """What stands on one plate.

    Attributes
    ----------
    columns : tuple of tuple of Credit
        From left to right.
    em_px : float
        Size of the letters.
    role_px : float
        Room for what somebody did.
    """

    columns: tuple[tuple[Credit, ...], ...]
    em_px: float
    role_px: float


@dataclass(frozen=True, slots=True)
class PlacedWords:
    """Words at their place on a plate: left end and base line in pixels."""

    words: Typeset
    x: float
    y: float
    role: bool


def choose_credits(lines: Sequence[str]) -> tuple[tuple[Credit, ...], tuple[str, ...]]:
    """Choose fonts for the lines of the credits: what was done in italics, who did it upright.

    Parameters
    ----------
    lines : sequence of str
        ``Flute · Ines``, ``Recording: Bram``, a sentence, or nothing for a gap.

    Returns
    -------
    (tuple of Credit, tuple of str)
        And what the user should know, in sentences.
    """
    pairs = [_split(line) for line in lines]
    roles, warnings = choose_type([role for role, _ in pairs], italic=True)
    names, more = choose_type([name for _, name in pairs])
    credits = (Credit(*pair) for pair in zip(roles, names, strict=True))
    return _spaced(credits), tuple(dict.fromkeys((*warnings, *more)))


def _spaced(credits: Iterable[Credit]) -> tuple[Credit, ...]:
    """Put a gap between lines of what and who and sentences, where the user left none."""
    spaced: list[Credit] = []
    for credit in credits:
        before = spaced[-1] if spaced else credit
        if before.name and credit.name and bool(before.role) != bool(credit.role):
            spaced.append(Credit(before.role.cut(0, 0), before.name.cut(0, 0)))
        spaced.append(credit)
    return tuple(spaced)


def _split(line: str) -> tuple[str, str]:
    """Return what and who."""
    for separator in _SEPARATORS:
        role, found, name = line.partition(separator)
        if found and role.strip() and name.strip():
            return role.strip(), name.strip()
    return "", line.strip()


def plan_plates(credits: Sequence[Credit], size: tuple[int, int]) -> tuple[CreditsPlate, ...]:
    """Distribute credits over columns and plates, in the largest letters in which they fit.

    Parameters
    ----------
    credits : sequence of Credit
        All lines.
    size : (int, int)
        Width and height of the picture in pixels.

    Returns
    -------
    tuple of CreditsPlate
        One as a rule; none without credits.
    """
    credits = _trimmed(credits)
    if not credits:
        return ()
    area = text_area(size)
    columns, em, capacity, role_px = 1, 0.0, 0.0, 0.0
    for columns, em in _ways(size):
        capacity = min((area.height - _RULE_EM * em) / em, _MOST_ROWS * _LINE_EM)
        width = _column_width(area.width, columns, em)
        role_px, heights = _divided(credits, em, width)
        parts = _filled(credits, heights, capacity)
        if len(parts) <= columns:
            break
    # As many columns as it takes, all about equally high.
    count = -(-len(parts) // columns) * columns if len(parts) > columns else len(parts)
    even = _balanced(credits, heights, capacity, count)
    return tuple(
        CreditsPlate(tuple(even[first : first + columns]), em, role_px)
        for first in range(0, len(even), columns)
    )


def _ways(size: tuple[int, int]) -> list[tuple[int, float]]:
    """Return which numbers of columns and sizes of letters come into question."""
    width, unit = text_area(size).width, plate_unit(size)
    ways = [(columns, max(_SMALLEST_EM_PX, share * unit)) for columns, share in _WAYS]
    return [
        (columns, em)
        for columns, em in ways
        if columns == 1 or _column_width(width, columns, em) >= _NARROWEST_EM * em
    ]


def _column_width(width: float, columns: int, em: float) -> float:
    """Return how wide a column is."""
    return (width - (columns - 1) * _COLUMN_GAP_EM * em) / columns


def _trimmed(credits: Sequence[Credit]) -> list[Credit]:
    """Return credits without gaps at the ends."""
    filled = [index for index, credit in enumerate(credits) if credit.name]
    return list(credits[filled[0] : filled[-1] + 1]) if filled else []


def _divided(credits: Sequence[Credit], em: float, width: float) -> tuple[float, list[float]]:
    """Divide a column between what and who so that the fewest lines are wrapped.

    Returns the room for what somebody did, and the height of each line in em.
    """
    longest = max(length_px(credit.role, em) for credit in credits)
    ways = []
    for share in _ROLE_SHARES:
        role_px = min(longest, share * width)
        heights = [_height(credit, em, role_px, width) for credit in credits]
        ways.append((sum(heights), role_px, heights))
    _, role_px, heights = min(ways, key=lambda way: way[0])
    return role_px, heights


def _height(credit: Credit, em: float, role_px: float, width: float) -> float:
    """Return the height of a line, which may be wrapped, in em."""
    if not credit.name:
        return _EMPTY_EM
    measure = partial(length_px, em_px=em)
    rows = line_count(credit.name, _name_px(credit, em, role_px, width), measure)
    return max(rows, line_count(credit.role, role_px, measure)) * _LINE_EM


def _wrapped(
    credit: Credit, em: float, role_px: float, width: float
) -> tuple[list[Typeset], list[Typeset]]:
    """Return the lines of what and who."""
    measure = partial(length_px, em_px=em)
    name = wrapped(credit.name, _name_px(credit, em, role_px, width), measure)
    return wrapped(credit.role, role_px, measure), name


def _name_px(credit: Credit, em: float, role_px: float, width: float) -> float:
    """Return the room for who did it; a sentence has the whole column."""
    return width - role_px - _GAP_EM * em if credit.role else width


def _filled(
    credits: Sequence[Credit], heights: Sequence[float], capacity: float
) -> list[list[Credit]]:
    """Fill column after column; gaps at a column's ends are left out."""
    parts: list[list[Credit]] = [[]]
    used = 0.0
    for credit, height in zip(credits, heights, strict=True):
        if not credit.name and not parts[-1]:
            continue
        if used + height > capacity and parts[-1]:
            parts.append([])
            used = 0.0
            if not credit.name:
                continue
        parts[-1].append(credit)
        used += height
    return [part for part in (_trimmed(part) for part in parts) if part]


def _balanced(
    credits: Sequence[Credit], heights: Sequence[float], capacity: float, count: int
) -> list[tuple[Credit, ...]]:
    """Fill a given number of columns as evenly as lines allow."""
    parts: list[list[Credit]] = [[]]
    used, left = 0.0, sum(heights)
    for credit, height in zip(credits, heights, strict=True):
        share = (used + left) / (count - len(parts) + 1)
        full = used + height > capacity or used + height / 2 > share
        if full and parts[-1] and len(parts) < count:
            parts.append([])
            used = 0.0
        parts[-1].append(credit)
        used, left = used + height, left - height
    if used > capacity:  # what was left out above is too much for the last one
        parts = _filled(credits, heights, capacity)
    return [tuple(part) for part in (_trimmed(part) for part in parts) if part]


def set_credits(
    plate: CreditsPlate, size: tuple[int, int]
) -> tuple[list[PlacedWords], Rect | None]:
    """Return where each line of a plate stands, and the rule above them."""
    area, em = text_area(size), plate.em_px
    width = _column_width(area.width, len(plate.columns), em)
    heights = [
        sum(_height(credit, em, plate.role_px, width) for credit in column)
        for column in plate.columns
    ]
    height = (_RULE_EM + max(heights) - _LINE_EM) * em
    top = area.y + max(0.0, (area.height - height) / 2)
    placed: list[PlacedWords] = []
    for index, column in enumerate(plate.columns):
        left = area.x + index * (width + _COLUMN_GAP_EM * em)
        at = (left, top + _RULE_EM * em)
        placed += _set_column(column, em, at, width=width, role_px=plate.role_px)
    return placed, centred_rule(size[0] / 2, round(top) // 2 * 2, plate_unit(size))


def _set_column(
    column: Sequence[Credit], em: float, at: tuple[float, float], *, width: float, role_px: float
) -> list[PlacedWords]:
    """Place a column: what to the left of an axis, who to its right, the whole centred."""
    rows = [(credit, *_wrapped(credit, em, role_px, width)) for credit in column]
    roles = max((length_px(x, em) for _, role, _ in rows for x in role), default=0.0)
    names = max((length_px(x, em) for _, role, name in rows if role for x in name), default=0.0)
    axis = at[0] + (width - roles - _GAP_EM * em - names) / 2 + roles
    y = at[1]
    placed: list[PlacedWords] = []
    for credit, role, name in rows:
        for row, words in enumerate(role):
            x = axis - length_px(words, em)
            placed.append(PlacedWords(words, x, y + row * _LINE_EM * em, True))
        for row, words in enumerate(name):
            middle = at[0] + (width - length_px(words, em)) / 2
            x = axis + _GAP_EM * em if credit.role else middle
            placed.append(PlacedWords(words, x, y + row * _LINE_EM * em, False))
        y += _height(credit, em, role_px, width) * em
    return placed
