"""Clipped tops come nearer to what was there; what is not clipped stays as it is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.mix.cleaning.peaks import tame_peaks
from tests.mix.cleaning.sounds import coded, plucked

RATE = 48_000


def sine(pitch_hz: float, amplitude: float, sample_rate: int = RATE) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * pitch_hz * np.arange(sample_rate) / sample_rate)


def sixteen_bits(samples: np.ndarray) -> Audio:
    return (np.round(samples * 32767) / 32768).astype(np.float32)[np.newaxis]


def error_db(samples: np.ndarray, truth: np.ndarray) -> float:
    return float(10 * np.log10(np.mean((samples - truth) ** 2) + 1e-20))


def test_the_reference_of_a_clipped_sine() -> None:
    # Arithmetic: a sine of 100 Hz and amplitude 1.25 clipped at 1 has 200 flat tops of 99 samples
    # in a second at 48 kHz; each goes up to 1.25, which is 1.94 dB higher.
    truth = sine(100.0, 1.25)
    clipped = np.clip(truth, -1, 1)[np.newaxis].astype(np.float32)
    cleaned = tame_peaks(clipped, sample_rate=RATE)
    assert cleaned.told.startswith("200 clipped places were rounded out, the first at 0:00.0")
    assert cleaned.samples.max() == pytest.approx(1.25, abs=0.03)
    assert error_db(cleaned.samples[0], truth) < error_db(clipped[0], truth) - 30
    changed = np.flatnonzero(cleaned.samples != clipped)
    assert 200 * 97 <= changed.size <= 200 * 105, "only the tops"


# The longest flat run of these is 1, 3, 2 and 5 samples (arithmetic: about
# 0.011 x rate / (2 pi pitch) + 1), and none of them is clipped.
@pytest.mark.parametrize("pitch_hz", [1000.0, 41.2034, 65.4064, 20.0])
def test_a_clean_tone_at_full_scale_stays_as_it_is(pitch_hz: float) -> None:
    tone = sixteen_bits(sine(pitch_hz, 1.0))
    cleaned = tame_peaks(tone, sample_rate=RATE)
    assert cleaned.samples is tone
    assert not cleaned.changed
    assert cleaned.told == "No clipped places were found."


@pytest.mark.parametrize("lowest_hz", [60.0, 110.0, 400.0])
@pytest.mark.parametrize("over_db", [3.0, 6.0])
def test_clipped_music_comes_nearer_to_what_was_played(
    rng: np.random.Generator, lowest_hz: float, over_db: float
) -> None:
    # Below full scale, as phones clip before they code.
    music = plucked(rng, 4.0, lowest_hz, 6 * lowest_hz) * 0.5 * 10 ** (over_db / 20)
    clipped = np.clip(music, -0.5, 0.5)[np.newaxis].astype(np.float32)
    cleaned = tame_peaks(clipped, sample_rate=RATE)
    # Planted: the error is the difference from the music before it was clipped.
    assert error_db(cleaned.samples[0], music) < error_db(clipped[0], music) - 4
    touched = cleaned.samples != clipped
    assert (np.abs(clipped[touched]) > 0.5 * 0.997).all(), "what was not clipped is not touched"


def test_tops_that_coding_has_rippled_are_found_too(rng: np.random.Generator) -> None:
    music = plucked(rng, 4.0, 60.0, 400.0) * 0.5 * 10 ** (3 / 20)
    clipped = coded(np.clip(music, -0.5, 0.5).astype(np.float32))
    cleaned = tame_peaks(clipped[np.newaxis], sample_rate=RATE)
    assert error_db(cleaned.samples[0], music) < error_db(clipped, music) - 2


@pytest.mark.parametrize("lowest_hz", [60.0, 110.0, 400.0])
def test_music_that_is_not_clipped_stays_as_it_is(
    rng: np.random.Generator, lowest_hz: float
) -> None:
    music = plucked(rng, 6.0, lowest_hz, 6 * lowest_hz).astype(np.float32)
    for sound in (music, coded(music), rng.standard_normal(RATE).astype(np.float32) / 5):
        assert not tame_peaks(sound[np.newaxis], sample_rate=RATE).changed


def test_both_channels_are_mended_and_their_places_counted_once() -> None:
    clipped = np.clip(np.stack([sine(100.0, 1.25)] * 2), -1, 1).astype(np.float32)
    cleaned = tame_peaks(clipped, sample_rate=RATE)
    assert cleaned.told.startswith("200 ")
    assert np.array_equal(cleaned.samples[0], cleaned.samples[1])


def test_one_side_alone_can_be_clipped() -> None:
    truth = sine(100.0, 1.0)
    clipped = np.maximum(truth, -0.7)[np.newaxis].astype(np.float32)
    cleaned = tame_peaks(clipped, sample_rate=RATE)
    assert cleaned.told.startswith("100 ")
    assert np.array_equal(cleaned.samples[0] > 0.1, clipped[0] > 0.1)
    assert cleaned.samples.min() == pytest.approx(-1.0, abs=0.05)


@settings(max_examples=30, deadline=None)
@given(
    pitch_hz=st.floats(30.0, 4000.0),
    amplitude=st.floats(1.0, 40.0),
    sample_rate=st.sampled_from([44_100, 48_000]),
)
def test_a_top_is_raised_by_six_decibels_at_most(
    pitch_hz: float, amplitude: float, sample_rate: int
) -> None:
    truth = sine(pitch_hz, amplitude, sample_rate)
    clipped = np.clip(truth, -1, 1)[np.newaxis].astype(np.float32)
    cleaned = tame_peaks(clipped, sample_rate=sample_rate)
    assert np.abs(cleaned.samples).max() <= 2.0001
    assert (np.abs(cleaned.samples) >= np.abs(clipped) - 0.003).all(), "never lowered"
    assert (cleaned.samples * clipped >= 0).all()


@pytest.mark.parametrize("size", [0, 1, 2, 7, 1000])
def test_silence_and_short_sounds_stay_as_they_are(size: int) -> None:
    for value in (0.0, 1.0):
        sound = np.full((1, size), value, np.float32)
        assert tame_peaks(sound, sample_rate=RATE).samples is sound


def test_what_is_no_stem_is_refused() -> None:
    with pytest.raises(SignalError, match="not finite"):
        tame_peaks(np.array([[0.0, np.inf]], np.float32), sample_rate=RATE)
    with pytest.raises(SignalError, match="shape"):
        tame_peaks(np.zeros(5, np.float32), sample_rate=RATE)
    with pytest.raises(SignalError, match="0 Hz"):
        tame_peaks(np.zeros((1, 5), np.float32), sample_rate=0)
