"""Loudness and true peak: values of ITU-R BS.1770 and EBU Tech 3341."""

from __future__ import annotations

import math

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.signals.loudness import LoudnessMeter, k_energy, k_filter, k_gains

RATE = 48_000


def tone(hertz: float, level_db: float, length_s: float, degrees: float = 0.0) -> Audio:
    phase = 2 * np.pi * hertz * np.arange(round(length_s * RATE)) / RATE + np.radians(degrees)
    return (10 ** (level_db / 20) * np.sin(phase)).astype(np.float32)


def loudness(samples: Audio, block: int = 7001) -> float | None:
    meter = LoudnessMeter(RATE)
    for first in range(0, samples.size, block):
        meter(samples[first : first + block])
    return meter.integrated_lufs()


def test_the_filter_is_that_of_the_tables() -> None:
    # ITU-R BS.1770-5, annex 1, tables 1 and 2.
    shelf = [1.53512485958697, -2.69169618940638, 1.19839281085285]
    shelf += [1.0, -1.69065929318241, 0.73248077421585]
    high_pass = [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]
    assert k_filter(RATE) == pytest.approx(np.array([shelf, high_pass]), abs=1e-12)
    # Gain at 997 Hz and 10 kHz by those tables, computed elsewhere.
    gains = 20 * np.log10(k_gains(np.array([997.0, 10_000.0]), RATE))
    assert gains == pytest.approx([0.691, 4.042], abs=1e-3)


def test_a_full_tone_on_one_channel_reads_minus_three() -> None:
    # BS.1770-5: 997 Hz, 0 dBFS, one channel: -3.01 LUFS.
    assert loudness(tone(997.0, 0.0, 20.0)) == pytest.approx(-3.01, abs=0.02)


@pytest.mark.parametrize(
    "steps",
    [
        # EBU Tech 3341, cases 3, 4 and 5: (level, seconds); two channels read 3.01 more than one.
        [(-36, 10), (-23, 60), (-36, 10)],
        [(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)],
        [(-26, 20), (-20, 20.1), (-26, 20)],
    ],
)
def test_gates_leave_out_what_is_soft(steps: list[tuple[float, float]]) -> None:
    sound = np.concatenate([tone(1000.0, level, length) for level, length in steps])
    assert loudness(sound) == pytest.approx(-23.0 - 3.01, abs=0.1)


def test_silence_has_no_loudness() -> None:
    assert loudness(np.zeros(RATE, np.float32)) is None
    assert loudness(tone(1000.0, -20.0, 0.3)) is None


def test_energy_of_a_short_sound_is_what_its_tone_says() -> None:
    # A tone's energy is its mean square times its length; 0.691 dB is the filter's gain at 997 Hz.
    energy = k_energy(tone(997.0, 0.0, 2.0), RATE)
    assert 10 * math.log10(energy / (2 * RATE) / 0.5) == pytest.approx(0.691, abs=0.01)
