"""Peaks between samples, against algebra and the sampling theorem."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.signals.peaks import find_peaks, fit_parabola, upsample


def test_parabola_through_three_samples() -> None:
    # Facts TD3: algebra; tolerance 1e-6.
    top = fit_parabola(np.array([0.8]), np.array([1.0]), np.array([0.9]))
    assert top.positions[0] == pytest.approx(0.166667, abs=1e-6)
    assert top.heights[0] == pytest.approx(1.004167, abs=1e-6)


def test_flat_top_stays_where_it_is() -> None:
    top = fit_parabola(np.ones(1), np.ones(1), np.ones(1))
    assert (top.positions[0], top.heights[0]) == (0.0, 1.0)


def test_delay_between_samples_is_found_after_upsampling(rng: np.random.Generator) -> None:
    # Facts TD4: circular white noise late by 10.25 samples, 16 times finer; tolerance 1/32 sample.
    spectrum = np.fft.rfft(rng.standard_normal(4096))
    late = spectrum * np.exp(-2j * np.pi * np.fft.rfftfreq(4096) * 10.25)
    row = np.fft.irfft(late * np.conj(spectrum), 4096)[:64].astype(np.float32)
    coarse = find_peaks(row[None], np.array([0]), 64)
    fine = find_peaks(upsample(row[None], 16), np.array([0]), 64 * 16)
    assert fine.positions[0] / 16 == pytest.approx(10.25, abs=1 / 32)
    # The caution of facts section 3: without upsampling the parabola is biased.
    assert abs(coarse.positions[0] - 10.25) > 1 / 32


def test_only_the_given_stretch_is_searched() -> None:
    rows = np.array([[0, 5, 0, 0, 2, 1, 0]], np.float32)
    assert 3.5 < find_peaks(rows, np.array([3]), 3).positions[0] < 4.5
    assert 0.5 < find_peaks(rows, np.array([0]), 3).positions[0] < 1.5


def test_upsampled_columns_lie_where_they_lay(rng: np.random.Generator) -> None:
    rows = np.cumsum(rng.standard_normal((3, 200)), axis=1).astype(np.float32)
    fine = upsample(rows, 4)
    assert fine.shape == (3, 797)
    assert np.abs(fine[:, ::4] - rows)[:, 20:-20].max() < 0.05 * np.abs(rows).max()
