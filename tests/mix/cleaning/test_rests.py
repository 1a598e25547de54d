"""Rests become quiet, and nothing else changes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.mix.cleaning.rests import quiet_rests

RATE = 48_000
DECAY_S, NOISE, TONE = 0.15, 0.003, 0.3


def part(rng: np.random.Generator, seconds: float = 10.0, *, channels: int = 1) -> Audio:
    """Return a tone to second 3 that decays, one from second 7 on, and noise all the time."""
    at_s = np.arange(round(seconds * RATE)) / RATE
    first = np.where(at_s < 3, 1, np.exp(-np.maximum(0, at_s - 3) / DECAY_S))
    tone = TONE * np.where(at_s < 6.9, first, 0) * np.sin(2 * np.pi * 300 * at_s)
    tone += TONE * (at_s >= 7) * np.sin(2 * np.pi * 400 * at_s)
    return (tone + NOISE * rng.standard_normal((channels, at_s.size))).astype(np.float32)


def gains_db(cleaned: Audio, given: Audio) -> np.ndarray:
    return 20 * np.log10(np.maximum(cleaned[0] / given[0], 1e-9))


def test_the_gain_falls_after_the_decay_and_is_back_before_the_next_sound(
    rng: np.random.Generator,
) -> None:
    stem = part(rng)
    cleaned = quiet_rests(stem, sample_rate=RATE, rests=[(3.1, 7.0)])
    lowered = np.flatnonzero(gains_db(cleaned.samples, stem) < -0.01) / RATE
    # Arithmetic: the decaying tone's power is that of the noise when
    # TONE exp(-t / DECAY_S) / sqrt 2 = NOISE.
    gone_s = 3 + DECAY_S * np.log(TONE / np.sqrt(2) / NOISE)
    assert gone_s <= lowered[0] <= gone_s + 0.4
    assert 7.0 - 0.2 <= lowered[-1] <= 7.0 - 0.060
    assert cleaned.told == "The background was lowered by 18 dB in 1 rest, 4 s in all."


def test_in_the_midst_it_is_lowered_by_what_was_asked(rng: np.random.Generator) -> None:
    stem = part(rng)
    for most_db in (18.0, 6.0):
        cleaned = quiet_rests(stem, sample_rate=RATE, rests=[(3.1, 7.0)], most_db=most_db)
        middle = gains_db(cleaned.samples, stem)[round(4.5 * RATE) : round(6.0 * RATE)]
        assert np.abs(middle + most_db).max() < 0.01


def test_the_gain_has_no_corner(rng: np.random.Generator) -> None:
    stem = np.where(np.abs(part(rng)) < 1e-6, 1e-6, part(rng)).astype(np.float32)
    cleaned = quiet_rests(stem, sample_rate=RATE, rests=[(3.1, 7.0)])
    curve = gains_db(cleaned.samples, stem)[::480]
    # A raised cosine of 18 dB over 200 ms: steepest pi / 2 x 18 / 20 = 1.41 dB in 10 ms, and bends
    # by at most pi^2 / 2 x 18 / 20^2 = 0.22 dB (arithmetic).
    assert np.abs(np.diff(curve)).max() < 1.45
    assert np.abs(np.diff(curve, 2)).max() < 0.25


@settings(max_examples=25, deadline=None)
@given(
    rests=st.lists(
        st.tuples(st.floats(-1, 6), st.floats(0, 5)).map(lambda pair: (pair[0], sum(pair))),
        max_size=4,
    ),
    channels=st.sampled_from([1, 2]),
)
def test_outside_of_the_rests_every_sample_is_the_same(
    rests: list[tuple[float, float]], channels: int
) -> None:
    stem = 0.003 * np.random.default_rng(5).standard_normal((channels, 5 * RATE))
    stem = stem.astype(np.float32)
    cleaned = quiet_rests(stem, sample_rate=RATE, rests=rests)
    at_s = np.arange(stem.shape[1]) / RATE
    outside = np.ones(stem.shape[1], np.bool_)
    for from_s, to_s in rests:
        outside &= (at_s < from_s) | (at_s >= to_s)
    assert np.array_equal(cleaned.samples[:, outside], stem[:, outside])
    assert (np.abs(cleaned.samples) <= np.abs(stem)).all()
    if channels == 2:
        ratios = cleaned.samples / stem
        assert np.allclose(ratios[0], ratios[1], atol=1e-5)


def test_short_gaps_are_left_alone(rng: np.random.Generator) -> None:
    stem = part(rng)
    cleaned = quiet_rests(stem, sample_rate=RATE, rests=[(4.0, 4.65), (5.0, 5.69)])
    assert cleaned.samples is stem
    assert not cleaned.changed
    assert cleaned.told == "There is no rest in which the background could be lowered."


def test_a_note_that_dies_away_all_through_a_rest_is_left_alone(rng: np.random.Generator) -> None:
    at_s = np.arange(8 * RATE) / RATE
    stem = 0.3 * np.exp(-at_s / 1.5) * np.sin(2 * np.pi * 200 * at_s)
    stem = (stem + 1e-5 * rng.standard_normal(at_s.size)).astype(np.float32)[np.newaxis]
    assert not quiet_rests(stem, sample_rate=RATE, rests=[(2.0, 7.0)]).changed


def test_before_the_first_and_after_the_last_note_it_is_quiet_to_the_ends(
    rng: np.random.Generator,
) -> None:
    stem = (NOISE * rng.standard_normal((1, 10 * RATE))).astype(np.float32)
    stem[:, 3 * RATE : 7 * RATE] += 0.2
    cleaned = quiet_rests(stem, sample_rate=RATE, rests=[(0.0, 3.0), (7.0, 10.0)])
    curve = gains_db(cleaned.samples, stem)
    assert curve[0] == pytest.approx(-18, abs=0.01)
    assert curve[-1] == pytest.approx(-18, abs=0.01)


def test_a_page_that_is_turned_in_a_rest_is_lowered_too(rng: np.random.Generator) -> None:
    stem = part(rng)
    page = slice(5 * RATE, 5 * RATE + RATE // 4)
    stem[:, page] += (0.05 * rng.standard_normal(RATE // 4)).astype(np.float32)
    cleaned = quiet_rests(stem, sample_rate=RATE, rests=[(3.1, 7.0)])
    assert gains_db(cleaned.samples, stem)[page].max() < -17.9


@pytest.mark.parametrize("size", [0, 1, 300, 2 * RATE])
def test_silence_and_short_sounds_stay_as_they_are(size: int) -> None:
    silence = np.zeros((2, size), np.float32)
    assert quiet_rests(silence, sample_rate=RATE, rests=[(0.0, 9.0)]).samples is silence
    assert quiet_rests(silence, sample_rate=RATE, rests=[]).samples is silence


def test_what_cannot_be_is_refused() -> None:
    stem = np.zeros((1, RATE), np.float32)
    with pytest.raises(SignalError, match="times that are not finite"):
        quiet_rests(stem, sample_rate=RATE, rests=[(0.0, np.nan)])
    with pytest.raises(SignalError, match="0 or more"):
        quiet_rests(stem, sample_rate=RATE, rests=[], most_db=-3.0)
