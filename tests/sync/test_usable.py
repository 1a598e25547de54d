"""What is too quiet or too short to be searched, on both sides of the borders."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.production.results import Finding
from syncvid.sync import ANALYSIS_RATE, reasons
from syncvid.sync.usable import USUAL, SyncSettings, silent_reference, unusable

# -80 dBFS is an amplitude of 10 ** (-80 / 20) = 1e-4; 16 bits have steps of 1 / 32768.
BORDER = 1e-4


def peak(height: float, length: int = 5 * ANALYSIS_RATE) -> np.ndarray:
    """Return digital silence with one sample that is not."""
    samples = np.zeros(length, np.float32)
    samples[length // 2] = height
    return samples


@pytest.mark.parametrize("sign", [1, -1])
def test_a_peak_at_minus_80_dbfs_is_sound_and_below_is_none(sign: int) -> None:
    assert unusable(peak(sign * 1.01 * BORDER), USUAL) is None
    assert unusable(peak(sign * 0.99 * BORDER), USUAL) == Finding("none", 1.0, reasons.SILENT)
    assert silent_reference(peak(sign * 1.01 * BORDER), "mix") is None
    assert silent_reference(peak(sign * 0.99 * BORDER), "mix") is not None


def test_three_steps_of_16_bits_are_silence_and_four_are_not() -> None:
    assert unusable(peak(3 / 32768), USUAL) is not None
    assert unusable(peak(4 / 32768), USUAL) is None


@pytest.mark.parametrize("shortest_s", [0.5, 3.0, 10.0])
def test_the_shortest_length_itself_is_long_enough(shortest_s: float) -> None:
    settings = SyncSettings(shortest_s)
    length = round(shortest_s * ANALYSIS_RATE)
    assert unusable(peak(0.1, length), settings) is None
    assert unusable(peak(0.1, length - 1), settings) == Finding("none", 1.0, reasons.TOO_SHORT)


def test_nothing_at_all_is_silence_rather_than_an_error() -> None:
    nothing = np.zeros(0, np.float32)
    assert unusable(nothing, USUAL) == Finding("none", 1.0, reasons.SILENT)
    assert silent_reference(nothing, "guide") is not None


def test_the_silent_reference_is_named() -> None:
    found = silent_reference(peak(0.0), "guide")
    assert found is not None
    assert found.reason == "There is no sound in the guide."
