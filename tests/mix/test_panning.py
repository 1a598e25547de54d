"""Places between left and right: the constant-power law, and its arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.errors import SignalError
from syncvid.mix.panning import pan_gains, pan_of, place


def test_the_law_is_that_of_constant_power() -> None:
    # Common practice: -3.01 dB on both sides in the middle; 0 dB on one side at the end.
    assert 20 * math.log10(pan_gains(0.0)[0]) == pytest.approx(-3.0103, abs=1e-4)
    assert pan_gains(-1.0) == pytest.approx((1.0, 0.0), abs=1e-12)
    assert pan_gains(1.0) == pytest.approx((0.0, 1.0), abs=1e-12)


@given(st.floats(-1, 1))
def test_powers_add_up_to_one_and_sides_mirror(pan: float) -> None:
    left, right = pan_gains(pan)
    assert left**2 + right**2 == pytest.approx(1.0, abs=1e-12)
    assert pan_gains(-pan) == pytest.approx((right, left), abs=1e-12)
    assert (right > left) == (pan > 1e-9) or abs(pan) <= 1e-9


@given(across=st.floats(0, 1), strength=st.floats(0, 1))
def test_tiles_stand_on_their_side_and_never_far_out(across: float, strength: float) -> None:
    pan = pan_of(across, strength=strength)
    assert abs(pan) <= 0.5 * strength
    assert pan * (across - 0.5) >= 0
    assert pan_of(1 - across, strength=strength) == pytest.approx(-pan, abs=1e-12)


@pytest.mark.parametrize("across", [0.5, 960.5 / 1920, 0.5 + 1e-12])
def test_the_middle_is_exactly_the_middle(across: float) -> None:
    assert pan_of(across, strength=1.0) == 0.0


def test_four_tiles_in_a_row_are_evenly_spread() -> None:
    # Centres at 1/8, 3/8, 5/8, 7/8 of the picture: half of how far they lie from its middle.
    pans = [pan_of(across / 8, strength=1.0) for across in (1, 3, 5, 7)]
    assert pans == pytest.approx([-0.375, -0.125, 0.125, 0.375], abs=1e-12)


@pytest.mark.parametrize("pan", [-0.5, -0.2, 0.0, 0.5, 1.0])
def test_one_channel_keeps_its_power(pan: float, rng: np.random.Generator) -> None:
    mono = rng.standard_normal((1, 4800)).astype(np.float32)
    placed = place(mono, pan)
    assert placed.shape == (2, 4800)
    assert placed.dtype == np.float32
    assert (placed**2).sum() == pytest.approx((mono**2).sum(), rel=1e-5)


@pytest.mark.parametrize("pan", [-0.5, 0.3])
def test_two_equally_strong_channels_keep_their_power(pan: float) -> None:
    at = np.arange(4800) / 48_000
    stereo = np.stack((np.sin(2 * np.pi * 1000 * at), np.cos(2 * np.pi * 1000 * at))).astype("f4")
    assert (place(stereo, pan) ** 2).sum() == pytest.approx((stereo**2).sum(), rel=1e-5)


def test_two_channels_stay_what_they_were_in_the_middle(rng: np.random.Generator) -> None:
    stereo = rng.standard_normal((2, 4800)).astype(np.float32)
    placed = place(stereo, 0.0)
    assert np.array_equal(placed, stereo)
    assert placed is not stereo


@given(st.floats(-1, 1))
def test_two_equal_channels_are_one_of_three_decibels_more(pan: float) -> None:
    mono = np.linspace(-1, 1, 101, dtype=np.float32)[np.newaxis]
    louder = mono * np.float32(math.sqrt(2))
    apart = place(np.concatenate((mono, mono)), pan) - place(louder, pan)
    assert np.abs(apart).max() < 1e-6


@pytest.mark.parametrize("length", [0, 1])
def test_hardly_any_samples_are_placed_too(length: int) -> None:
    assert place(np.zeros((1, length), np.float32), 0.2).shape == (2, length)


@pytest.mark.parametrize("value", [-0.1, 1.1, math.nan, math.inf])
def test_what_lies_outside_is_refused(value: float) -> None:
    with pytest.raises(SignalError, match="0 to 1"):
        pan_of(value, strength=1.0)
    with pytest.raises(SignalError, match="0 to 1"):
        pan_of(0.5, strength=value)
    with pytest.raises(SignalError, match="-1"):
        pan_gains(2 * value - 1 if math.isfinite(value) else value)


def test_other_shapes_are_refused() -> None:
    with pytest.raises(SignalError, match="shape"):
        place(np.zeros(100, np.float32), 0.0)
    with pytest.raises(SignalError, match="shape"):
        place(np.zeros((3, 100), np.float32), 0.0)
