"""What is no sound is refused before anything is done to it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from syncvid.errors import SignalError
from syncvid.mix.door import check_mix, check_stem, peak_of


@pytest.mark.parametrize("channels", [1, 2])
def test_the_peak_is_the_highest_magnitude(channels: int, rng: np.random.Generator) -> None:
    stem = rng.uniform(-1, 1, (channels, 1000)).astype(np.float32)
    check_stem(stem, sample_rate=48_000)
    assert peak_of(stem) == np.abs(stem).max()


def test_silence_and_nothing_have_no_peak() -> None:
    for length in (0, 1, 100):
        silence = np.zeros((2, length), np.float32)
        check_mix(silence)
        check_stem(silence, sample_rate=8000)
        assert peak_of(silence) == 0.0


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("at", [0, 50, 99])
def test_one_value_that_is_not_finite_is_enough(value: float, at: int) -> None:
    sound = np.ones((2, 100), np.float32)
    sound[1, at] = value
    with pytest.raises(SignalError, match="stem holds values that are not finite"):
        check_stem(sound, sample_rate=48_000)
    with pytest.raises(SignalError, match="mix holds values that are not finite"):
        check_mix(sound)


@pytest.mark.parametrize(
    "sound",
    [np.zeros(9, np.float32), np.zeros((3, 9), np.float32), np.zeros((2, 9)), np.zeros((0, 9))],
)
def test_other_shapes_and_types_are_refused(sound: Any) -> None:
    for check in (peak_of, check_mix):
        with pytest.raises(SignalError, match="shape"):
            check(sound)


def test_a_mix_has_two_channels_and_a_stem_a_rate() -> None:
    mono = np.zeros((1, 9), np.float32)
    with pytest.raises(SignalError, match="shape"):
        check_mix(mono)
    with pytest.raises(SignalError, match="0 Hz"):
        check_stem(mono, sample_rate=0)
