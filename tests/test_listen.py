"""Levels, overload, and the ranking of takes."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.listen import FLOOR_DB, Candidate, choose_take, measure_levels, measure_overview
from syncvid.production.results import ClipSync, Finding, Levels
from syncvid.timeline import Span

RATE = 48_000


def sine(pitch_hz: float, amplitude: float, length_s: float = 1.0) -> Audio:
    at_s = np.arange(round(length_s * RATE)) / RATE
    return (amplitude * np.sin(2 * np.pi * pitch_hz * at_s)).astype(np.float32)


def test_a_sine_of_amplitude_a_tenth() -> None:
    # By definition: peak -20.00 dBFS, plain RMS -23.01.
    levels = measure_levels(sine(1000, 0.1), sample_rate=RATE)
    assert levels.peak_dbfs == pytest.approx(-20.0, abs=0.01)
    assert levels.loudness_dbfs == pytest.approx(-23.01, abs=0.01)


def test_the_clipped_share_of_a_clipped_sine() -> None:
    # Arithmetic: amplitude 1.25 clipped at 1 is flat for 41.25 % of the time, 19 800 samples/s.
    clipped = np.clip(sine(100, 1.25), -1, 1)
    levels = measure_levels(clipped, sample_rate=RATE)
    assert levels.clipped_share * RATE == pytest.approx(19_800, abs=200)


@pytest.mark.parametrize("pitch_hz", [1000.0, 100.0])
def test_a_clean_full_scale_sine_is_not_called_clipped(pitch_hz: float) -> None:
    sixteen_bits = (np.rint(sine(pitch_hz, 1.0) * 32767) / 32767).astype(np.float32)
    share = measure_levels(sixteen_bits, sample_rate=RATE).clipped_share
    assert share == 0.0 if pitch_hz == 1000.0 else share < 0.03


@pytest.mark.parametrize("samples", [np.zeros(0, np.float32), np.zeros(RATE, np.float32)])
def test_silence_is_an_input(samples: Audio) -> None:
    levels = measure_levels(samples, sample_rate=RATE)
    assert levels.silent
    assert levels.peak_dbfs == FLOOR_DB


def test_an_overview_keeps_every_peak() -> None:
    samples = np.zeros(RATE, np.float32)
    samples[12_345] = -0.75
    overview = measure_overview(samples, sample_rate=RATE, steps=100)
    assert max(overview.peaks) == 0.75
    at_s = overview.peaks.index(0.75) * overview.step_s
    assert at_s <= 12_345 / RATE < at_s + overview.step_s


def take(verdict: str, heard_s: float, clipped: float = 0.0, use: bool = False) -> Candidate:
    offset = None if verdict == "none" else 0.0
    finding = Finding(verdict, 0.9, "", offset, 0.0, spans=(Span(0.0, heard_s, 0.0),))  # type: ignore[arg-type]
    levels = Levels(-6.0, -20.0, -60.0, clipped, silent=False)
    return Candidate(ClipSync("a", "Flute", 1, finding), levels, use)


@pytest.mark.parametrize(
    ("takes", "chosen"),
    [
        ([take("check", 60), take("sure", 30)], 1),
        ([take("sure", 20), take("sure", 40)], 1),
        ([take("sure", 40, clipped=0.01), take("sure", 40)], 1),
        ([take("sure", 40), take("check", 10, use=True)], 1),
        ([take("sure", 40), take("sure", 40)], 0),
        ([take("none", 0), take("none", 0)], None),
        ([take("none", 0, use=True), take("check", 5)], 1),
        ([], None),
    ],
)
def test_which_take_is_shown(takes: list[Candidate], chosen: int | None) -> None:
    assert choose_take(takes) == chosen
