"""Dither: what the theory says of mean, power and correlation of its error."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile

from syncvid.errors import SignalError
from syncvid.mix.dither import to_24_bit

RATE = 48_000

# A step of 24 bits, and of the integers that hold them.
STEP, LEFT = 2.0**-23, 256


def steps_of(samples: np.ndarray, seed: int = 0) -> np.ndarray:
    """Return the whole steps that a sound becomes."""
    return to_24_bit(samples.astype(np.float32), seed=seed).astype(np.float64) / LEFT


def test_the_error_is_noise_of_a_quarter_step_squared(rng: np.random.Generator) -> None:
    """Lipshitz et al. 1992: mean 0, power 1/4 step squared (3 x 1/12), whatever the sound."""
    for level in (0.9, 1e-3, 10 * STEP, 0.5 * STEP):
        sound = (level * rng.uniform(-1, 1, (2, 200_000))).astype(np.float32)
        error = steps_of(sound) - sound.astype(np.float64) / STEP
        # Of 400,000 values the mean is uncertain by 0.0008, the power by about 0.0005.
        assert error.mean() == pytest.approx(0.0, abs=0.004)
        assert error.var() == pytest.approx(0.25, abs=0.003)
        # No correlation with the sound nor of the channels, within four times the chance of it.
        assert abs(np.corrcoef(error.ravel(), sound.ravel())[0, 1]) < 4 / np.sqrt(sound.size)
        assert abs(np.corrcoef(error)[0, 1]) < 4 / np.sqrt(sound.shape[1])


@pytest.mark.parametrize("level", [0.1, 0.25, 0.5])
def test_a_constant_between_two_steps_is_kept_in_the_mean(level: float) -> None:
    """With the power of the error the same for each of them: no noise that comes and goes."""
    steps = steps_of(np.full((1, 400_000), level * STEP))
    assert steps.mean() == pytest.approx(level, abs=0.004)
    assert steps.var() == pytest.approx(0.25, abs=0.003)


def test_a_tone_below_one_step_survives_without_harmonics() -> None:
    at_s = np.arange(10 * RATE) / RATE
    steps = steps_of(0.4 * STEP * np.sin(2 * np.pi * 1000 * at_s)[np.newaxis])[0]
    amplitude = np.abs(np.fft.rfft(steps)) * 2 / steps.size
    assert amplitude[10_000] == pytest.approx(0.4, abs=0.01)
    # Noise of variance 1/4 in 480,000 values: amplitudes of about 0.002.
    assert amplitude[[30_000, 50_000, 70_000]].max() < 0.01


def test_silence_stays_silence() -> None:
    sound = np.zeros((2, 200_000), np.float32)
    sound[:, 70_000:140_000] = 0.1
    sound[0, 100_000:110_000] = 0.0
    whole = to_24_bit(sound)
    assert not whole[:, :70_000].any()
    assert not whole[:, 140_000:].any()
    assert whole[0, 100_000:110_000].any(), "one channel alone is no silence"
    assert not to_24_bit(np.zeros((2, 100), np.float32)).any()
    assert to_24_bit(np.zeros((2, 0), np.float32)).shape == (2, 0)


def test_full_scale_is_clipped_and_not_turned_over() -> None:
    sound = np.repeat(np.array([[1.0, -1.0, 5.0, -5.0]], np.float32), 1000, axis=1)
    steps = steps_of(sound)[0].reshape(4, 1000)
    assert (steps[0] >= 2**23 - 2).all()
    assert (steps[1] <= -(2**23) + 1).all()
    assert (steps[2] == 2**23 - 1).all()
    assert (steps[3] == -(2**23)).all()


@pytest.mark.parametrize("form", ["WAV", "FLAC"])
def test_a_file_of_24_bits_holds_just_these_numbers(rng: np.random.Generator, form: str) -> None:
    whole = to_24_bit(rng.uniform(-1, 1, (2, 5000)).astype(np.float32))
    file = io.BytesIO()
    soundfile.write(file, whole.T, RATE, format=form, subtype="PCM_24")
    file.seek(0)
    read, _ = soundfile.read(file, dtype="int32")
    assert np.array_equal(read.T, whole)
    assert not (whole % LEFT).any()


def test_a_seed_gives_the_same_numbers_and_another_one_others() -> None:
    sound = np.full((2, 100_000), 0.1, np.float32)
    assert np.array_equal(to_24_bit(sound, seed=3), to_24_bit(sound, seed=3))
    assert not np.array_equal(to_24_bit(sound, seed=3), to_24_bit(sound, seed=4))


def test_what_is_no_sound_is_refused() -> None:
    with pytest.raises(SignalError, match="shape"):
        to_24_bit(np.zeros(10, np.float32))
    with pytest.raises(SignalError, match="finite"):
        to_24_bit(np.full((2, 10), np.nan, np.float32))
