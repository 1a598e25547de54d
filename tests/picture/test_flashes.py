"""Flashes: judged by the definitions of WCAG 2.3.1 and of Recommendation ITU-R BT.1702."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from numpy.typing import NDArray

from syncvid.picture.flashes import Flashing, count_flashes

RATE = Fraction(30)
RATES = [Fraction(24000, 1001), Fraction(25), RATE, Fraction(60)]


def square(
    hz: float, *, rate: Fraction = RATE, low: int = 16, high: int = 235, area: float = 1.0
) -> NDArray[np.uint8]:
    """Four seconds of a square wave over a share of the picture; the rest is dark."""
    pictures = np.arange(round(4 * rate))
    lit = np.floor(2 * hz * pictures / float(rate)) % 2 > 0
    maps = np.full((pictures.size, 20, 20), low, np.uint8)
    maps.reshape(pictures.size, -1)[np.ix_(lit, range(round(area * 400)))] = high
    return maps


def rules(found: list[Flashing]) -> set[str]:
    return {stretch.rule for stretch in found}


BOTH = {"WCAG 2.3.1", "ITU-R BT.1702"}


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("hz", "broken"), [(3, set()), (4, BOTH), (10, BOTH)])
def test_more_than_three_flashes_in_a_second_are_found(
    hz: float, broken: set[str], rate: Fraction
) -> None:
    # Check value SF4: four in a second fail, three pass.
    assert rules(count_flashes(square(hz, rate=rate), rate)) == broken


def test_a_small_area_may_flash() -> None:
    assert count_flashes(square(10, area=0.24), RATE) == []
    assert rules(count_flashes(square(10, area=0.26), RATE)) == BOTH


def test_small_changes_may_flash() -> None:
    # Relative luminance of the greys, by the definition in WCAG 2.2: 100: 0.117, 118: 0.181.
    assert count_flashes(square(10, low=100, high=118), RATE) == []
    # 60: 0.033, 95: 0.106, though the codes lie 16 % of their range apart.
    assert count_flashes(square(10, low=60, high=95), RATE) == []
    assert rules(count_flashes(square(10, low=100, high=135), RATE)) == BOTH


def test_bright_changes_may_flash() -> None:
    # Code 218 has a relative luminance of 0.83: the darker state is not below 0.80.
    assert count_flashes(square(10, low=218, high=235), RATE) == []


def test_four_flashes_in_two_seconds_are_not_too_many() -> None:
    maps = np.full((120, 8, 8), 16, np.uint8)
    maps[[10, 25, 40, 55]] = 235
    assert count_flashes(maps, RATE) == []


def test_the_stretch_is_where_it_flashes() -> None:
    maps = np.full((300, 8, 8), 40, np.uint8)
    maps[100:130:6] = 235  # the last one goes out at 125
    assert {(found.first, found.last) for found in count_flashes(maps, RATE)} == {(100, 126)}


def test_ramps_count_by_their_turns() -> None:
    seconds = np.arange(120) / 30
    wave = 126 + 100 * np.sin(2 * np.pi * 2 * seconds)
    slow = np.repeat(wave.astype(np.uint8), 64).reshape(120, 8, 8)
    assert count_flashes(slow, RATE) == []
    wave = 126 + 100 * np.sin(2 * np.pi * 5 * seconds)
    fast = np.repeat(wave.astype(np.uint8), 64).reshape(120, 8, 8)
    assert rules(count_flashes(fast, RATE)) == BOTH


def test_a_fade_and_a_noisy_room_do_not_flash(rng: np.random.Generator) -> None:
    fade = np.repeat(np.linspace(16, 235, 90).astype(np.uint8), 64).reshape(90, 8, 8)
    assert count_flashes(fade, RATE) == []
    noise = rng.normal(100, 4, (90, 20, 20)).astype(np.uint8)
    assert count_flashes(noise, RATE) == []


def test_tiles_that_take_turns_are_counted_where_they_are() -> None:
    # Each half flashes twice in a second, one after the other: nowhere are there four.
    left, right = square(2, area=1.0)[:, :, :10], square(2, area=1.0)[:, :, 10:]
    assert count_flashes(np.concatenate([left, np.roll(right, 7, axis=0)], axis=2), RATE) == []


def test_no_pictures_do_not_flash() -> None:
    assert count_flashes([], RATE) == []
