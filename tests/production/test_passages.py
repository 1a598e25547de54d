"""Passages: how they are written, what they mean, and what is said of those that mean nothing."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.production.passages import Passage, parse_passage
from syncvid.timeline import Bars
from tests.steady import steady_beats

# Bars 1 to 20 of four beats at 120, bar 1 at reference second 100: bar n begins at 98 + 2 n.
BARS = Bars(steady_beats(bars=20, beats_in_bar=4, tempo_bpm=120, count_in_bars=2), 96.0)


def heard(passage: Passage) -> tuple[int, float, float]:
    """Return a passage's take and its stretch in reference seconds."""
    return passage.take, passage.begins.at_s(BARS), passage.ends.at_s(BARS)


@pytest.mark.parametrize(
    ("written", "take", "from_s", "to_s"),
    [
        ("take 2, bars 9-16", 2, 116.0, 132.0),
        ("take 2, bars 9 to 16", 2, 116.0, 132.0),
        ("take 2, bars 9 – 16", 2, 116.0, 132.0),
        ("take 2, bars 9–16", 2, 116.0, 132.0),
        ("  Take 12 :  BARS 9 - 16 ", 12, 116.0, 132.0),
        # One bar is whole too.
        ("take 3, bar 9", 3, 116.0, 118.0),
        ("take 3, bars 9-9", 3, 116.0, 118.0),
        ("take 1, bars 1-20", 1, 100.0, 140.0),
        # The count-in.
        ("take 1, bars -1 to 0", 1, 96.0, 100.0),
        ("take 1, bars -1--1", 1, 96.0, 98.0),
        # A bar as a moment is its first beat.
        ("take 2, bar 9 beat 3 to bar 12", 2, 117.0, 122.0),
        ("take 2, from bar 9 to bar 12", 2, 116.0, 122.0),
        ("take 2, bar 9 - end of bar 12", 2, 116.0, 124.0),
        ("take 2, bar 9, beat 2.5 to bar 9 beat 4", 2, 116.75, 117.5),
        # Seconds and clocks.
        ("take 2, 31.5 to 1:05", 2, 31.5, 65.0),
        ("take 2, -2 to 3", 2, -2.0, 3.0),
        ("take 0, 0:31.5 - 65", 0, 31.5, 65.0),
        # Both.
        ("take 1, bar 9 beat 3 to 2:01", 1, 117.0, 121.0),
        ("take 1, 99.5 to bar 2", 1, 99.5, 102.0),
    ],
)
def test_passages_are_read(written: str, take: int, from_s: float, to_s: float) -> None:
    assert heard(parse_passage(written)) == (take, pytest.approx(from_s), pytest.approx(to_s))


@pytest.mark.parametrize(
    "written",
    [
        *["", "take 2", "take 2,", "take two, bars 9-16", "bars 9-16", "9-16", "take -1, bar 3"],
        *["take 2, bars", "take 2, bar 9 beat 3", "take 2, bars 9-16 and 20", "take 2, all"],
        *["take 2, 31.5", "take 2, to 5", "take 2, 5 to", "take 2, soon to later"],
        *["take 2, bars 9-x", "take 1.5, bars 9-16", "take 2, nan to inf"],
        *[None, 2, True, 3.5, ["take 2", "bars 9-16"], {"take": 2}],
    ],
)
def test_what_is_no_passage_is_told_with_how_to_write_one(written: object) -> None:
    with pytest.raises(ProductionError, match="is no passage") as told:
        parse_passage(written)
    assert repr(written) in told.value.what
    assert 'Write "take 2, bars 9-16"' in told.value.fix
    # What is told to write can be read.
    for example in told.value.fix.split('"')[1::2]:
        parse_passage(example)


def test_the_end_that_cannot_be_read_is_named() -> None:
    with pytest.raises(ProductionError, match=r"is no passage: 'noon' is no moment\."):
        parse_passage("take 2, 5 to noon")


@pytest.mark.parametrize(
    "written",
    [
        "take 2, bars 16-9",
        "take 2, bar 9 to bar 9",
        "take 2, bar 9 beat 3 to bar 9 beat 3",
        "take 2, end of bar 9 to bar 9 beat 4",
        "take 2, 5 to 5",
        "take 2, 1:05 to 31.5",
    ],
)
def test_a_passage_ends_after_it_begins(written: str) -> None:
    with pytest.raises(ProductionError, match=r"ends before it begins\. Write"):
        parse_passage(written)


def test_what_only_the_beats_can_tell_is_left_to_them() -> None:
    assert heard(parse_passage("take 1, bar 9 to 1:00")) == (1, 116.0, 60.0)


@given(st.integers(0, 99), st.integers(-3, 300), st.integers(0, 300))
def test_a_passage_of_bars_reads_back_from_what_is_told_of_it(
    take: int, first: int, more: int
) -> None:
    passage = parse_passage(f"take {take}, bars {first}-{first + more}")
    assert parse_passage(str(passage)) == passage
    assert str(passage) == f"take {take}, bar {first} to end of bar {first + more}"


@given(st.floats(-100, 5000).map(lambda s: round(s, 2)), st.floats(0.01, 900))
def test_seconds_are_kept_as_written(from_s: float, length_s: float) -> None:
    to_s = round(from_s + length_s, 2) + 0.01
    passage = parse_passage(f"take 1, {from_s:.2f} to {to_s:.2f}")
    assert (passage.begins.seconds, passage.ends.seconds) == (from_s, float(f"{to_s:.2f}"))


@given(st.text(max_size=30) | st.text("take brs0123456789,:-. o", max_size=30))
def test_any_text_is_a_passage_or_is_told(written: str) -> None:
    try:
        passage = parse_passage(written)
    except ProductionError:
        return
    assert not passage.ends.surely_not_after(passage.begins)
