"""The order of bars as it is written out."""

from __future__ import annotations

from fractions import Fraction

import pytest

from syncvid.production.guide_plan import Bar
from syncvid.production.metres import parse_metre
from syncvid.production.played import order_text, played_numbers

METRE = parse_metre("3/4")


@pytest.mark.parametrize(
    ("numbers", "text"),
    [
        ([], ""),
        ([5], "5"),
        ([1, 2, 3], "1-3"),
        ([*range(1, 9), *range(1, 8), *range(9, 17)], "1-8, 1-7, 9-16"),
        ([4, 4, 4], "4, 4, 4"),
        ([0, 1, 2, 1], "0-2, 1"),
    ],
)
def test_the_order_of_bars_is_written_in_runs(numbers: list[int], text: str) -> None:
    assert order_text(numbers) == text


def test_a_divided_bar_is_told_once_where_its_halves_follow_each_other() -> None:
    half, rest = Fraction(1, 2), Fraction(1, 4)
    first, second = Bar(2, METRE, half), Bar(2, METRE, rest, begin=half)
    bars = [Bar(1, METRE, METRE.length), first, second, first, second]
    assert played_numbers(bars) == [1, 2, 2]
    # The second half alone is a bar that is played.
    assert played_numbers([first, second, second]) == [2, 2]
