"""By how much one take is louder than another: known gains come back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.arrays import Audio
from syncvid.mix.levels import level_between

RATE = 16_000


def played(seed: int = 1, length_s: float = 6.0, level: float = 0.1) -> Audio:
    """Return notes of half a second with rests between them, as noise."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(round(length_s * RATE)) / RATE
    return (rng.normal(0, level, at_s.size) * (at_s % 1.0 < 0.5)).astype(np.float32)


def db(level_db: float) -> np.float32:
    return np.float32(10 ** (level_db / 20))


@given(st.floats(-5.9, 5.9))
def test_a_known_gain_comes_back(gain_db: float) -> None:
    sound = played()
    assert level_between(sound, sound * db(-gain_db), sample_rate=RATE) == pytest.approx(
        gain_db, abs=0.01
    )


@given(st.floats(-6.0, 6.0))
def test_there_and_back_is_nothing(gain_db: float) -> None:
    one, other = played(1), played(2) * db(gain_db)
    there = level_between(one, other, sample_rate=RATE)
    assert level_between(other, one, sample_rate=RATE) == pytest.approx(-there, abs=1e-4)


def test_more_than_six_decibels_are_no_difference_of_distance() -> None:
    sound = played()
    assert level_between(sound, sound * db(-20), sample_rate=RATE) == 6.0
    assert level_between(sound, sound * db(20), sample_rate=RATE) == -6.0


def test_the_noise_of_rests_does_not_count(rng: np.random.Generator) -> None:
    """Two phones, of which one hisses 20 dB louder; the playing differs by 2 dB."""
    sound = played()
    old = sound + rng.normal(0, 1e-4, sound.size).astype(np.float32)
    new = sound * db(-2) + rng.normal(0, 1e-3, sound.size).astype(np.float32)
    assert level_between(old, new, sample_rate=RATE) == pytest.approx(2.0, abs=0.05)


def test_one_loud_moment_does_not_count() -> None:
    sound = played()
    cough = sound.copy()
    cough[:4000] *= 3
    assert level_between(sound, cough, sample_rate=RATE) == pytest.approx(0.0, abs=0.05)


def test_nothing_is_changed_where_nothing_can_be_told() -> None:
    sound, silence = played(), np.zeros(6 * RATE, np.float32)
    assert level_between(sound, silence, sample_rate=RATE) == 0.0
    assert level_between(silence, sound, sample_rate=RATE) == 0.0
    assert level_between(silence, silence, sample_rate=RATE) == 0.0
    # Less than a second of joint playing.
    assert level_between(sound[:8000], 2 * sound[:8000], sample_rate=RATE) == 0.0
    for few in (0, 1, 799):
        assert level_between(sound[:few], sound, sample_rate=RATE) == 0.0
        assert level_between(sound, sound[:few], sample_rate=RATE) == 0.0


def test_takes_that_play_in_turn_tell_nothing() -> None:
    sound = played()
    later = np.roll(sound, RATE // 2) * db(-3)
    assert level_between(sound, later, sample_rate=RATE) == 0.0


def test_takes_of_unlike_length_are_compared_as_far_as_both_go() -> None:
    sound = played()
    assert level_between(sound, sound[: 4 * RATE] * db(-3), sample_rate=RATE) == pytest.approx(
        3.0, abs=0.01
    )
