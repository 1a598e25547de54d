"""Rows by section: tiles of one height, as wide as their pictures ask for.

Each section takes as many rows as waste the least.  In a row all tiles are cropped, or widened,
by the same factor, so that tall and wide pictures stand side by side without plain edges.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise

from syncvid.picture.cropping import middle_ratio, worth
from syncvid.picture.grid import row_lengths
from syncvid.picture.pieces import Rect
from syncvid.picture.space import SMALLEST_PX, Shape, Space, edges, even, no_room

# A row that is too short for the space widens its tiles, cutting above and below, until a tall
# phone's picture is square and a wide one twice as wide as high; then it is centred.
_WIDEST, _WIDEST_RATIO = 16 / 9, 2.0

# A row that would leave only so little plain at its ends is widened to fill the space.
_SNAPS = 1.15

# Neighbouring sections share a row where that makes the tiles worth so many times as much.
_SHARING_PAYS = 1.15

# Once more rows are worth so much less than the best so far, still more are not tried.
_HOPELESS = 0.7

# More sections than this share rows in any case.
_MOST_SECTIONS = 24

# With more tiles than this every section fills rows of its own, and the search would take long.
_MOST_TO_SHARE = 64


@dataclass(slots=True)
class _Section:
    """The tiles of one section, and the number of rows that they take."""

    indices: list[int]
    ratios: list[float]
    kinds: Counter[Shape | None]
    rows: int = 1
    is_shared: bool = False

    @property
    def columns(self) -> int:
        """Tiles in its longest row."""
        return -(-len(self.indices) // self.rows)

    @property
    def crowding(self) -> float:
        """Sum of the ratios in one row."""
        return sum(self.ratios) / self.rows

    def joined(self, other: _Section) -> _Section:
        """Return this section and another in one row."""
        return _Section(
            self.indices + other.indices,
            self.ratios + other.ratios,
            self.kinds + other.kinds,
            is_shared=True,
        )


def place_rows(
    shapes: Sequence[Shape | None], groups: Sequence[str], space: Space
) -> tuple[Rect, ...]:
    """Place tiles in rows, each section in rows of its own.

    Parameters
    ----------
    shapes : sequence of (int, int) or None
        Upright shape of each clip; None for a card, which fits anything.
    groups : sequence of str
        The section of each clip; the sections stand in the order in which they first appear.
    space : Space
        Where.

    Returns
    -------
    tuple of Rect
        One for each clip, in the order given; all of one height but for 2 pixels.

    Raises
    ------
    ProductionError
        The space is too small for so many tiles.
    """
    sections = _sections(shapes, groups)
    if not sections:
        return ()
    sections = _shared(sections, space)
    tops = iter(edges(_row_count(sections), space.box.y, space.box.height, space.gap_px))
    found: dict[int, Rect] = {}
    for section in sections:
        for indices, ratios in _split(section):
            top, bottom = next(tops)
            factor = _factor(ratios, space, bottom - top)
            found.update(zip(indices, _row(ratios, factor, top, bottom, space), strict=True))
    rects = tuple(found[index] for index in range(len(shapes)))
    if min(min(rect.width, rect.height) for rect in rects) < SMALLEST_PX:
        raise no_room(len(shapes), space.box)
    return rects


def _sections(shapes: Sequence[Shape | None], groups: Sequence[str]) -> list[_Section]:
    """Collect the clips of each section; a card is as wide as most others."""
    usual = middle_ratio(shapes)
    collected: dict[str, list[int]] = {}
    for index, group in enumerate(groups):
        collected.setdefault(group, []).append(index)
    return [
        _Section(
            indices,
            [shape[0] / shape[1] if (shape := shapes[i]) else usual for i in indices],
            Counter(shapes[i] for i in indices),
        )
        for indices in collected.values()
    ]


def _shared(sections: list[_Section], space: Space) -> list[_Section]:
    """Let neighbouring sections share rows where that pays, the smallest first."""
    while len(sections) > _MOST_SECTIONS:
        sections = _with_fewest_joined(sections)
    best, chosen = _choose_rows(sections, space), sections
    if sum(len(section.indices) for section in sections) > _MOST_TO_SHARE:
        return chosen
    while len(sections) > 1:
        sections = [
            section if section.is_shared else replace(section, rows=1)
            for section in _with_fewest_joined(sections)
        ]
        value = _choose_rows(sections, space)
        if value > best * (1.0 if any(s.is_shared for s in chosen) else _SHARING_PAYS):
            best, chosen = value, sections
    return chosen


def _with_fewest_joined(sections: Sequence[_Section]) -> list[_Section]:
    """Join the two neighbours that take the least room."""
    lengths = [sum(section.ratios) for section in sections]
    at = min(range(len(sections) - 1), key=lambda i: lengths[i] + lengths[i + 1])
    return [*sections[:at], sections[at].joined(sections[at + 1]), *sections[at + 2 :]]


def _choose_rows(sections: list[_Section], space: Space) -> float:
    """Give each section its number of rows, and return what the tiles are worth with them.

    The fullest section is divided next, as long as that promises to help.
    """
    best, chosen = -1.0, [section.rows for section in sections]
    value = _value(sections, space)
    while value > _HOPELESS * best:
        if value > best:
            best, chosen = value, [section.rows for section in sections]
        divisible = [s for s in sections if s.rows < len(s.indices) and not s.is_shared]
        if not divisible:
            break
        max(divisible, key=lambda section: section.crowding).rows += 1
        value = _value(sections, space)
    for section, rows in zip(sections, chosen, strict=True):
        section.rows = rows
    return best


def _value(sections: Sequence[_Section], space: Space) -> float:
    """Return what a tile is worth in the geometric mean, as if every row of a section were full.

    That mean does not let one section be squeezed for the sake of the others.
    """
    height = _height(sections, space)
    if height <= 0:
        return 0.0
    total, tiles = 0.0, 0
    for section in sections:
        spread = section.crowding * section.columns * section.rows / len(section.indices)
        room = space.box.width - (section.columns - 1) * space.gap_px
        factor = min(_widest(section.ratios), room / (spread * height))
        for shape, count in section.kinds.items():
            ratio = shape[0] / shape[1] if shape else spread / section.columns
            value = worth(shape, ratio * height * factor, height, space.look)
            if value <= 0:
                return 0.0
            total, tiles = total + count * math.log(value), tiles + count
    return math.exp(total / tiles)


def _split(section: _Section) -> list[tuple[list[int], list[float]]]:
    """Return the indices and ratios of each row of a section."""
    lengths = row_lengths(len(section.indices), section.rows, section.columns)
    ends = list(accumulate(lengths))
    return [
        (section.indices[end - length : end], section.ratios[end - length : end])
        for end, length in zip(ends, lengths, strict=True)
    ]


def _factor(ratios: Sequence[float], space: Space, height: float) -> float:
    """Return by what the widths of a row are multiplied, so that it fits."""
    room = space.box.width - (len(ratios) - 1) * space.gap_px
    wanted = room / (sum(ratios) * height) if height > 0 else 0.0
    widest = _widest(ratios)
    return wanted if wanted <= widest * _SNAPS else widest


def _widest(ratios: Sequence[float]) -> float:
    """Return the largest factor by which a row may be widened."""
    return max(1.0, min(_WIDEST, _WIDEST_RATIO / max(ratios)))


def _row(ratios: Sequence[float], factor: float, top: int, bottom: int, space: Space) -> list[Rect]:
    """Return the tiles of one row, centred."""
    widths = [ratio * factor * (bottom - top) + space.gap_px for ratio in ratios]
    length = sum(widths)
    scale = min(1.0, (space.box.width + space.gap_px) / length)
    marks = [0, *(even(mark * scale) for mark in accumulate(widths))]
    begin = space.box.x + even((space.box.width + space.gap_px - marks[-1]) / 2)
    return [
        Rect(begin + low, top, high - low - space.gap_px, bottom - top)
        for low, high in pairwise(marks)
    ]


def _height(sections: Sequence[_Section], space: Space) -> float:
    """Return the height of one row before rounding; may be negative."""
    count = _row_count(sections)
    return (space.box.height - (count - 1) * space.gap_px) / count


def _row_count(sections: Sequence[_Section]) -> int:
    """Return how many rows there are in all."""
    return sum(section.rows for section in sections)
