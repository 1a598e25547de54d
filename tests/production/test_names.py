"""Guessing from file names.  The names are invented after the habits of phones and people."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.production.instruments import score_position
from syncvid.production.names import guess_names


@pytest.mark.parametrize(
    ("file", "part", "player", "take"),
    [
        ("flute 2 take3.mov", "Flute 2", "", 3),
        ("Anna_Viola_T2 (1).mp4", "Viola", "Anna", 2),
        ("IMG_4417.mov", "IMG 4417", "", 1),
        ("flute ines 1.mov", "Flute", "Ines", 1),
        ("clips/flute 2.mov", "Flute", "", 2),
        ("Bram - clarinet (1).mp4", "Clarinet", "Bram", 1),
        ("VID_20260314_101502_violin_Oda.mp4", "Violin", "Oda", 1),
        ("TAKE2_KLARINETTE_MIA.MOV", "Klarinette", "Mia", 2),
        ("Flöte_Jörg_2.mp4", "Flöte", "Jörg", 2),
        ("Prise 3 - alto Zoé.mov", "Alto", "Zoé", 3),
        ("double bass Max.mp4", "Double bass", "Max", 1),
        ("bass clarinet.mov", "Bass clarinet", "", 1),
        ("Violin II Teo.mov", "Violin", "Teo", 2),
        ("長笛2.mov", "長笛 2", "", 1),
        ("2021-05-28 15.32.37.mov", "2021-05-28 15.32.37", "", 1),
        ("part65_final.mp4", "Part 65", "", 1),
    ],
)
def test_one_name_alone(file: str, part: str, player: str, take: int) -> None:
    guess = guess_names([file])[0]
    assert (guess.part, guess.player, guess.take) == (part, player, take)


def test_numbers_behind_a_part_are_desks_when_different_people_hold_them() -> None:
    guesses = guess_names(["violin 1 - anna.mp4", "violin 2 - ben.mp4"])
    assert [(g.part, g.player, g.take) for g in guesses] == [
        ("Violin 1", "Anna", 1),
        ("Violin 2", "Ben", 1),
    ]


def test_numbers_behind_a_part_are_takes_when_nobody_is_named() -> None:
    guesses = guess_names(["flute 1.mov", "flute 2.mov"])
    assert [(g.part, g.take) for g in guesses] == [("Flute", 1), ("Flute", 2)]


def test_two_files_never_get_the_same_take_of_the_same_part() -> None:
    guesses = guess_names(["oboe.mp4", "oboe copy.mp4", "oboe take 1.mov"])
    assert sorted(g.take for g in guesses) == [1, 2, 3]
    assert guesses[2].take == 1, "a stated number is kept"


def test_clips_with_counters_alone_stay_apart() -> None:
    guesses = guess_names(
        ["p0.mp4", "p1.mp4", "Aufnahme (übung) 28.mov", "Aufnahme (übung) 73.mov"]
    )
    assert len({g.part for g in guesses}) == 4


def test_score_order_is_that_of_the_printed_score() -> None:
    # Common practice: woodwind, brass, percussion, voices, strings, each from high to low.
    names = ["Cello", "Sopran", "Flöte", "Timpani", "Violine", "Trumpet", "Clarinetto", "Bratsche"]
    ordered = sorted(names, key=lambda name: score_position((name,)) or 0)
    assert ordered == [
        "Flöte", "Clarinetto", "Trumpet", "Timpani", "Sopran", "Violine", "Bratsche", "Cello",
    ]  # fmt: skip


@given(st.lists(st.text(min_size=1, max_size=40), min_size=1, max_size=6, unique=True))
def test_any_name_gives_a_part_and_a_take(files: list[str]) -> None:
    guesses = guess_names(files)
    keys = [(g.part.casefold(), g.player.casefold(), g.take) for g in guesses]
    assert all(g.part and g.take >= 1 for g in guesses)
    assert len(set(keys)) == len(files)
