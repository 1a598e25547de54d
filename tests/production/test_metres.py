"""Metres, lengths of notes, tempi and notes as musicians write them."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.production.guide_plan import Metre, Tempo
from syncvid.production.metres import metre_text, parse_metre
from syncvid.production.note_values import (
    number_text,
    parse_length,
    parse_note,
    parse_speed,
    speed_text,
    unit_text,
)


@pytest.mark.parametrize(
    ("written", "name", "beats", "strong"),
    [
        ("3/4", "3/4", "1/4 1/4 1/4", (0,)),
        (" 3 / 4 ", "3/4", "1/4 1/4 1/4", (0,)),
        ("6/8", "6/8", "3/8 3/8", (0,)),
        ("6/8 in 6", "6/8", "1/8 1/8 1/8 1/8 1/8 1/8", (0, 3)),
        ("3/8", "3/8", "1/8 1/8 1/8", (0,)),
        ("3/8 in 1", "3/8", "3/8", (0,)),
        ("6/4", "6/4", "1/4 1/4 1/4 1/4 1/4 1/4", (0,)),
        ("6/4 in 2", "6/4", "3/4 3/4", (0,)),
        ("7/8", "7/8", "1/8 1/8 1/8 1/8 1/8 1/8 1/8", (0,)),
        ("7/8 (2+2+3)", "7/8", "1/4 1/4 3/8", (0,)),
        ("7/8 in 7 (2 + 2 + 3)", "7/8", "1/8 1/8 1/8 1/8 1/8 1/8 1/8", (0, 2, 4)),
        ("4/4 in 4 (2+2)", "4/4", "1/4 1/4 1/4 1/4", (0, 2)),
        ("4/4 in 8", "4/4", " ".join(["1/8"] * 8), (0,)),
        ("cut", "2/2", "1/2 1/2", (0,)),
        ("C", "4/4", "1/4 1/4 1/4 1/4", (0,)),
        ("3+2/8 as 3/8 + >2/8", "3+2/8", "3/8 1/4", (0, 1)),
    ],
)
def test_metres_are_understood(
    written: str, name: str, beats: str, strong: tuple[int, ...]
) -> None:
    lengths = tuple(Fraction(beat) for beat in beats.split())
    assert parse_metre(written) == Metre(name, lengths, strong)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize("over", [6, 9, 12])
def test_eighths_in_threes_have_the_beats_that_a_score_reader_counts(over: int) -> None:
    # partitura's table of musical beats.
    from partitura.utils.globals import MUSICAL_BEATS

    assert len(parse_metre(f"{over}/8").beats) == MUSICAL_BEATS[over]


@given(
    st.sampled_from(["3/4", "7/8", "free time", "3+2/8"]),
    st.lists(st.fractions(Fraction(1, 64), 2, max_denominator=64), min_size=1, max_size=12),
    st.sets(st.integers(0, 11)),
)
def test_every_metre_is_read_back(name: str, beats: list[Fraction], strong: set[int]) -> None:
    if "/" in name and "+" not in name and sum(beats) != Fraction(name):
        name = "free time"
    kept = tuple(sorted({0} | {number for number in strong if number < len(beats)}))
    metre = Metre(name, tuple(beats), kept)
    assert parse_metre(metre_text(metre)) == metre


@pytest.mark.parametrize(
    "text", ["3/4", "6/8", "6/8 in 6", "7/8 (2+2+3)", "7/8", "7/8 in 7 (2+2+3)", "2/2", "6/4 in 2"]
)
def test_ordinary_metres_are_written_short(text: str) -> None:
    assert metre_text(parse_metre(text)) == text


def test_lengths_have_names() -> None:
    # Names of notes and dots (half more; two dots: three quarters more), from memory.
    assert parse_length("crotchet") == parse_length("quarter") == Fraction(1, 4)
    assert parse_length("Dotted quaver") == Fraction(3, 16)
    assert parse_length("double dotted half") == Fraction(7, 8)
    assert unit_text(Fraction(3, 16)) == "dotted eighth"


@given(
    st.floats(10, 500),
    st.sampled_from(["3/4", "6/8", "7/8 (3+2+2)"]),
    st.sampled_from([Fraction(1, 4), Fraction(3, 8), Fraction(1, 2), Fraction(5, 16)]),
)
def test_tempi_are_read_back(per_minute: float, metre: str, unit: Fraction) -> None:
    tempo = Tempo(per_minute, unit)
    text = speed_text(tempo, parse_metre(metre))
    written = text.strip('"') if text.startswith('"') else float(text)
    assert parse_speed(written).tempo(parse_metre(metre)) == tempo


def test_numbers_have_no_needless_noughts() -> None:
    assert [number_text(value) for value in (96.0, 96.5, -12)] == ["96", "96.5", "-12"]


@pytest.mark.parametrize(
    ("written", "note"), [("d3", "D3"), ("F♯4", "F#4"), ("b♭2", "Bb2"), ("A0", "A0"), ("C8", "C8")]
)
def test_notes_have_one_spelling(written: str, note: str) -> None:
    assert parse_note(written) == note
