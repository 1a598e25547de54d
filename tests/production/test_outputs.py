"""Kinds of video: sizes and names."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.production.outputs import (
    KINDS,
    find_kind,
    fit_short_side,
    name_files,
    size_of,
)

# The shapes that issue and standards of the web name; the rest follows the production.
SHAPES = {"vertical": Fraction(9, 16), "square": Fraction(1), "upright": Fraction(4, 5)}


@pytest.mark.parametrize("name", SHAPES)
def test_fixed_kinds_have_their_shape_whatever_the_production_asks(name: str) -> None:
    width, height = size_of(find_kind(name), (3840, 2160))
    assert Fraction(width, height) == SHAPES[name]


@pytest.mark.parametrize("name", ["share", "archive"])
def test_other_kinds_are_as_the_production_says(name: str) -> None:
    assert size_of(find_kind(name), (1280, 544)) == (1280, 544)
    assert size_of(find_kind(name)) == (1920, 1080)


def test_a_message_is_720_high_at_most() -> None:
    message = find_kind("message")
    assert size_of(message, (3840, 2160)) == (1280, 720)
    assert size_of(message, (1080, 1920)) == (720, 1280)
    assert message.limit_mb == 16


def test_only_the_archive_keeps_the_sound_as_it_is() -> None:
    assert [kind.name for kind in KINDS if kind.sound == "lossless"] == ["archive"]
    assert find_kind("archive").crf < find_kind("share").crf


@given(
    st.tuples(st.integers(1, 2000), st.integers(1, 2000)),
    st.integers(2, 2000),
)
def test_a_shrunk_size_is_even_and_keeps_its_shape(half: tuple[int, int], most: int) -> None:
    size = (2 * half[0], 2 * half[1])
    width, height = fit_short_side(size, most)
    assert width % 2 == height % 2 == 0
    assert min(width, height) <= max(2, most + 1)
    scale = min(1.0, most / min(size))
    assert abs(width - size[0] * scale) <= 1.001
    assert abs(height - size[1] * scale) <= 1.001


def test_an_unknown_kind_names_those_that_there_are() -> None:
    with pytest.raises(ProductionError, match=r"'huge'.*share, message, vertical"):
        find_kind("huge")


def test_a_single_kind_gets_the_very_name() -> None:
    out = Path("films/Round no. 2.mp4")
    assert name_files(out, [find_kind("vertical")]) == {"vertical": out}


def test_several_kinds_lie_side_by_side_under_names_of_their_own() -> None:
    files = name_files(Path("films/Round no. 2.mp4"), KINDS)
    assert files["share"] == Path("films/Round no. 2.mp4")
    assert files["archive"] == Path("films/Round no. 2 archive.mp4")
    assert len(set(files.values())) == len(KINDS)


def test_a_kind_asked_for_twice_is_refused() -> None:
    with pytest.raises(ProductionError, match="'square' is asked for twice"):
        name_files(Path("a.mp4"), [find_kind("square"), find_kind("square")])
