"""Pitches: ISO 16 (from memory: A4 is 440 Hz), equal temperament, and just ratios."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.guide.pitches import JUST, frequencies, frequency, note_number


@pytest.mark.parametrize(
    ("number", "hertz"), [(36, 65.4064), (60, 261.6256), (69, 440.0), (76, 659.2551)]
)
def test_equal_temperament(number: int, hertz: float) -> None:
    # Tables of equal temperament over A4 = 440 Hz.
    assert frequency(number, 440.0) == pytest.approx(hertz, abs=1e-4)


@pytest.mark.parametrize(("a4_hz", "cents"), [(442.0, 7.851), (415.0, -101.271)])
def test_reference_pitches(a4_hz: float, cents: float) -> None:
    # 1200 log2 of the ratio, by definition of the cent.
    moved = 1200 * math.log2(frequency(50, a4_hz) / frequency(50, 440.0))
    assert moved == pytest.approx(cents, abs=1e-3)


@pytest.mark.parametrize(("semitones", "cents"), [(4, -13.686), (7, 1.955)])
def test_just_intervals_against_equal_ones(semitones: int, cents: float) -> None:
    # 5/4 and 3/2 against 400 and 700 cents.
    low, high = frequencies([50, 50 + semitones], a4_hz=440.0, tuning="just")
    assert low == frequency(50, 440.0)
    assert 1200 * math.log2(high / low) - 100 * semitones == pytest.approx(cents, abs=1e-3)


def test_the_just_scale_is_made_of_two_three_and_five_and_near_the_equal_one() -> None:
    for semitones, ratio in enumerate(JUST):
        left = ratio.numerator * ratio.denominator
        for prime in (2, 3, 5):
            while left % prime == 0:
                left //= prime
        assert left == 1
        assert abs(1200 * math.log2(ratio) - 100 * semitones) < 18
    # Inversions of each other make octaves; the major second's is not the minor seventh here.
    assert JUST[4] * JUST[8] == JUST[3] * JUST[9] == JUST[5] * JUST[7] == JUST[1] * JUST[11] == 2
    assert JUST[10] == Fraction(3, 2) * Fraction(6, 5)


@given(st.integers(21, 108))
def test_names_and_numbers(number: int) -> None:
    names = "C C# D Eb E F F# G Ab A Bb B".split()
    assert note_number(f"{names[number % 12]}{number // 12 - 1}") == number


@pytest.mark.parametrize(
    ("name", "number"), [("Cb4", 59), ("B#3", 60), ("F##3", 55), (" a3 ", 57), ("B♭2", 46)]
)
def test_signs(name: str, number: int) -> None:
    assert note_number(name) == number


@pytest.mark.parametrize("name", ["H3", "D", "3", "", "Bassoon", "D33", "Dbb#2", "C0"])
def test_what_is_no_note_is_told(name: str) -> None:
    with pytest.raises(ProductionError, match=r"is no note|beyond a piano"):
        note_number(name)


def test_an_unknown_tuning_is_told() -> None:
    with pytest.raises(ProductionError, match="equal or just"):
        frequencies([50], a4_hz=440.0, tuning="meantone")
