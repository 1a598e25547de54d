"""Fades at the ends of a sound."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.mix.fades import fade_ends, rise


@pytest.mark.parametrize("samples", [0, 1, 2, 7, 480])
def test_a_rise_is_half_a_cosine(samples: int) -> None:
    # sin^2, another way to write it; and cosine curves add up to 1.
    wanted = np.sin(np.pi / 4 * (2 * np.arange(samples) + 1) / max(samples, 1)) ** 2
    curve = rise(samples)
    assert curve.dtype == np.float32
    assert curve == pytest.approx(wanted, abs=1e-6)
    assert curve + curve[::-1] == pytest.approx(np.ones(samples), abs=1e-6)


@pytest.mark.parametrize("count", [0, 1, 2, 5, 99, 100, 101, 1000])
def test_ends_are_faded_and_the_middle_is_kept(count: int, rng: np.random.Generator) -> None:
    given = rng.standard_normal((2, count)).astype(np.float32)
    faded = given.copy()
    fade_ends(faded, 50)
    length = min(50, count // 2)
    inside = slice(length, count - length)
    assert np.array_equal(faded[:, inside], given[:, inside])
    assert faded[:, :length] == pytest.approx(given[:, :length] * rise(length), abs=1e-6)
    # The end is the beginning of the sound played backwards.
    backwards = given[:, ::-1].copy()
    fade_ends(backwards, 50)
    assert np.array_equal(faded, backwards[:, ::-1])
