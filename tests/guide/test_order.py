"""The order of bars, against what musicians play and what MusicXML 4.0 says of its elements.

Rules: https://www.w3.org/2021/06/musicxml40/musicxml-reference/elements/ repeat/, ending/, sound/.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.guide.bar_signs import Jump, Signs
from syncvid.guide.order import play_order
from syncvid.production.played import order_text

START = Signs(forward=True)
END = Signs(passes=2)
DA_CAPO = Jump(None)
DAL_SEGNO = Jump("")


def played(bars: int, **signs: Signs) -> str:
    """Return the order of bars numbered from 1; signs are given as b3=Signs(...)."""
    listed = [signs.get(f"b{number}", Signs()) for number in range(1, bars + 1)]
    return order_text([index + 1 for index in play_order(listed, most=1000).indices])


def ending(*numbers: int, back: int = 0, last: bool = True) -> Signs:
    """Return an ending of one bar."""
    return Signs(ending=numbers, ending_stops=last, passes=back)


@pytest.mark.parametrize(
    ("signs", "bars", "expected"),
    [
        # repeat: "times: the number of times the repeated section is played".
        ({"b2": START, "b3": END}, 4, "1-3, 2-4"),
        ({"b3": END}, 4, "1-3, 1-4"),
        ({"b2": START, "b3": Signs(passes=4)}, 4, "1-3, 2-3, 2-3, 2-4"),
        ({"b2": Signs(passes=1)}, 3, "1-3"),
        # Without a sign a repeat begins after the one before.
        ({"b2": END, "b4": END}, 4, "1-2, 1-4, 3-4"),
        # A repeat within a repeat.
        ({"b1": START, "b2": START, "b3": END, "b4": END}, 4, "1-3, 2-4, 1-3, 2-4"),
        ({"b2": Signs(forward=True, passes=2)}, 3, "1-2, 2-3"),
    ],
)
def test_repeats(signs: dict[str, Signs], bars: int, expected: str) -> None:
    assert played(bars, **signs) == expected


@pytest.mark.parametrize(
    ("signs", "bars", "expected"),
    [
        # ending: "number: indicates which times the ending is played".
        ({"b3": ending(1, back=2), "b4": ending(2)}, 5, "1-3, 1-2, 4-5"),
        ({"b3": ending(1, 2, back=2), "b4": ending(3)}, 5, "1-3, 1-3, 1-2, 4-5"),
        ({"b2": ending(1, back=2), "b3": ending(2, back=2), "b4": ending(3)}, 4, "1-2, 1, 3, 1, 4"),
        ({"b2": ending(1, 3, back=2), "b3": ending(2, 4, back=2)}, 4, "1-2, 1, 3, 1-2, 1, 3-4"),
        # The second ending closes with a repeat sign too, as at the end of a piece.
        ({"b2": ending(1, back=2), "b3": ending(2, back=2)}, 3, "1-2, 1, 3"),
        # A first ending alone: the second time goes on behind it.
        ({"b2": ending(1, back=2)}, 3, "1-2, 1, 3"),
        # "The zero or more spaces version is used when software ... cannot determine the type".
        ({"b2": ending(back=2), "b3": ending()}, 4, "1-2, 1, 3-4"),
        # Endings of two bars; and a repeat with endings after another one.
        (
            {
                "b2": Signs(ending=(1,)),
                "b3": Signs(ending_stops=True, passes=2),
                "b4": Signs(ending=(2,)),
                "b5": Signs(ending_stops=True),
                "b6": START,
                "b7": ending(1, back=2),
                "b8": ending(2),
            },
            8,
            "1-3, 1, 4-7, 6, 8",
        ),
    ],
)
def test_endings(signs: dict[str, Signs], bars: int, expected: str) -> None:
    assert played(bars, **signs) == expected


@pytest.mark.parametrize(
    ("signs", "bars", "expected"),
    [
        ({"b2": Signs(fine=()), "b4": Signs(back=(DA_CAPO,))}, 4, "1-4, 1-2"),
        ({"b2": Signs(segno=""), "b3": Signs(fine=()), "b4": Signs(back=(DAL_SEGNO,))}, 4,
         "1-4, 2-3"),
        # sound: "a tocoda attribute indicates the jump should occur the second time through".
        ({"b2": Signs(to_coda=Jump("")), "b4": Signs(back=(DA_CAPO,)), "b5": Signs(coda="")}, 6,
         "1-4, 1-2, 5-6"),
        # The second time of a repeat is not yet the one after the jump.
        ({"b2": Signs(to_coda=Jump(""), passes=2), "b4": Signs(back=(DA_CAPO,)),
          "b5": Signs(coda="")}, 5, "1-2, 1-4, 1-2, 5"),
        # Without any jump back it is the second time of the repeat.
        ({"b2": Signs(to_coda=Jump("")), "b3": END, "b4": Signs(coda="")}, 4, "1-3, 1-2, 4"),
        # No repeats after a jump; with after-jump, repeats.
        ({"b2": END, "b3": Signs(back=(DA_CAPO,), fine=())}, 3, "1-2, 1-3, 1-3"),
        ({"b2": Signs(passes=2, after_jump=True), "b3": Signs(back=(DA_CAPO,), fine=())}, 3,
         "1-2, 1-3, 1-2, 1-3"),
        # After a jump the last ending is played.
        ({"b2": ending(1, back=2), "b3": replace(ending(2), fine=()), "b4": Signs(back=(DA_CAPO,))},
         4, "1-2, 1, 3-4, 1, 3"),
        # An ending for the time after the jump.
        ({"b2": ending(1, back=2), "b3": replace(ending(2), back=(DA_CAPO,)), "b4": ending(3)}, 4,
         "1-2, 1, 3, 1, 4"),
        # A repeat that is first met in the coda is taken.
        ({"b1": Signs(to_coda=Jump("")), "b2": Signs(back=(DA_CAPO,)),
          "b3": Signs(coda="", forward=True), "b4": END}, 4, "1-2, 1, 3-4, 3-4"),
        # Names: "the value of these parameters can be used to name and distinguish them".
        ({"b1": Signs(segno="a"), "b2": Signs(segno="b"), "b3": Signs(back=(Jump("a"),))}, 4,
         "1-3, 1-4"),
        # time-only: "The times that jumps occur can be changed".
        ({"b2": Signs(back=(Jump(None, (1, 2)),))}, 3, "1-2, 1-2, 1-3"),
        ({"b1": Signs(passes=2, back=(Jump(None, (2,)),))}, 2, "1, 1, 1-2"),
        ({"b2": Signs(fine=(2,)), "b3": END}, 3, "1-3, 1-2"),
        # Two dal segno, each with its coda.
        ({"b1": Signs(segno="", to_coda=Jump("x")), "b2": Signs(to_coda=Jump("y")),
          "b3": Signs(back=(DAL_SEGNO,)), "b4": Signs(coda="x", back=(DAL_SEGNO,)),
          "b5": Signs(coda="y")}, 5, "1-3, 1, 4, 1-2, 5"),
    ],
)  # fmt: skip
def test_jumps(signs: dict[str, Signs], bars: int, expected: str) -> None:
    assert played(bars, **signs) == expected


def test_a_jump_to_nowhere_is_told_and_not_taken() -> None:
    signs = [Signs(to_coda=Jump("")), Signs(back=(DAL_SEGNO, DA_CAPO)), Signs()]
    order = play_order(signs, most=100)
    assert order.indices == [0, 1, 0, 1, 2]
    assert order.lost == [(1, "dal segno"), (0, "to coda")]


def test_repeats_without_end_are_refused_at_once() -> None:
    with pytest.raises(ProductionError, match="more than 20000 bars"):
        play_order([Signs(passes=10**9)], most=20_000)


@given(st.integers(1, 60))
def test_without_signs_bars_are_played_as_they_stand(count: int) -> None:
    assert play_order([Signs()] * count, most=100).indices == list(range(count))


@given(st.integers(1, 40), st.data())
def test_one_repeat_doubles_its_bars(count: int, data: st.DataObject) -> None:
    first = data.draw(st.integers(0, count - 1))
    last = data.draw(st.integers(first, count - 1))
    signs = [Signs(forward=i == first, passes=2 * (i == last)) for i in range(count)]
    bars = list(range(count))
    expected = bars[: last + 1] + bars[first:]
    assert play_order(signs, most=200).indices == expected


ANY = st.builds(
    Signs,
    forward=st.booleans(),
    passes=st.sampled_from([0, 0, 0, 2, 3]),
    after_jump=st.booleans(),
    ending=st.sampled_from([None, None, None, (), (1,), (2,), (1, 2)]),
    ending_stops=st.booleans(),
    segno=st.sampled_from([None, None, "", "x"]),
    coda=st.sampled_from([None, None, "", "x"]),
    back=st.sampled_from([(), (), (DA_CAPO,), (Jump("x"),), (Jump(None, (1, 2)),)]),
    to_coda=st.sampled_from([None, None, Jump("x")]),
    fine=st.sampled_from([None, None, (), (2,)]),
)


@given(st.lists(ANY, min_size=1, max_size=12))
def test_any_signs_come_to_an_end(signs: list[Signs]) -> None:
    try:
        order = play_order(signs, most=3000).indices
    except ProductionError:
        return
    assert set(order) <= set(range(len(signs)))
