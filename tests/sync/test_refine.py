"""Lags and lines to a small part of a sample, against the theory of time-delay estimation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from syncvid.signals.whiten import whiten
from syncvid.sync.refine import fit_line, read_lags, refine, weighted_median
from syncvid.sync.windows import correlate_near
from syncvid.timeline import Placement


@pytest.mark.parametrize("whitened", [False, True])
def test_late_noise_is_found_at_its_lag(rng: np.random.Generator, whitened: bool) -> None:
    # Facts TD1: white noise late by 1234 samples, 0 dB, 5 s at 48 kHz (Knapp & Carter 1976);
    # tolerance 0 samples for the plain and for the whitened correlation.
    early = rng.standard_normal(5 * 48_000).astype(np.float32)
    late = rng.standard_normal(5 * 48_000).astype(np.float32)
    late[1234:] += early[:-1234]
    if whitened:
        even = {"sample_rate": 48_000, "low_hz": 80.0, "high_hz": 20_000.0, "out_rate": 48_000}
        early, late = whiten(early, **even), whiten(late, **even)
    rows = correlate_near(
        early, late, Placement(0.0), sample_rate=48_000, window_s=4.0, hop_s=4.0, reach_s=0.05
    )
    assert int(np.argmax(rows.values[0])) - rows.reach == 1234


def bound_s(snr: float, low_hz: float, high_hz: float, length_s: float) -> float:
    """Return the Cramer-Rao bound for flat spectra, both channels noisy (facts section 3)."""
    cubes = high_hz**3 - low_hz**3
    return float(np.sqrt(3 * (1 + 2 * snr) / (8 * np.pi**2 * length_s * cubes * snr**2)))


def test_bound_is_the_published_one() -> None:
    # Facts TD5 and TD6; tolerances 1e-10 s and 1e-8 s.
    assert bound_s(1.0, 0.0, 8000.0, 1.0) == pytest.approx(4.7184e-7, abs=1e-10)
    assert bound_s(1.0, 0.0, 1000.0, 0.1) == pytest.approx(3.3762e-5, abs=1e-8)


def test_lags_are_nearly_as_exact_as_the_bound_allows(rng: np.random.Generator) -> None:
    shared = rng.standard_normal(40 * 16_000)
    clip, reference = (
        (shared + rng.standard_normal(len(shared))).astype(np.float32) for _ in range(2)
    )
    rows = correlate_near(
        clip, reference, Placement(0.0), sample_rate=16_000, window_s=1.0, hop_s=1.0, reach_s=0.02
    )
    spread_s = float(np.std(read_lags(rows, np.zeros(len(rows.clip_s))).positions))
    assert 0.7 < spread_s / bound_s(1.0, 0.0, 8000.0, 1.0) < 2.0


def test_line_through_the_example_lags() -> None:
    # Facts TD7: least squares; 40.000 ppm, 119.900 ms; tolerance 1e-3.
    times = np.array([10.0, 60.0, 110.0, 160.0, 210.0])
    lags = np.array([120.3, 122.3, 124.3, 126.3, 128.3]) / 1000
    fit = fit_line(times, lags, np.ones(5), Placement(0.12))
    assert fit.line.drift_ppm == pytest.approx(40.0, abs=1e-3)
    assert fit.line.offset_s * 1e3 == pytest.approx(119.9, abs=1e-3)


def test_outliers_do_not_bend_the_line(rng: np.random.Generator) -> None:
    times = np.arange(0.0, 200.0, 4.0)
    lags = 1.5 + 30e-6 * times + 2e-5 * rng.standard_normal(50)
    lags[::6] += 0.05
    fit = fit_line(times, lags, np.ones(50), Placement(1.5))
    assert fit.line.drift_ppm == pytest.approx(30.0, abs=0.3)
    assert fit.line.offset_s == pytest.approx(1.5, abs=3e-5)
    assert fit.spread_s == pytest.approx(2e-5, rel=0.5)


@pytest.mark.parametrize("shift_samples", [-3.25, 0.5, 2.75])
def test_refining_finds_parts_of_a_sample_and_drift(
    rng: np.random.Generator, shift_samples: float
) -> None:
    reference = signal.resample_poly(rng.standard_normal(40 * 8000), 2, 1).astype(np.float32)
    fine = signal.resample_poly(reference, 8, 1)
    at = (np.arange(30 * 16_000) * (1 + 20e-6) + shift_samples + 16_000) * 8
    clip = np.interp(at, np.arange(len(fine)), fine).astype(np.float32)
    start = Placement(1.0, 15.0)
    rows = correlate_near(
        clip, reference, start, sample_rate=16_000, window_s=2.0, hop_s=0.5, reach_s=0.05
    )
    fit = refine(rows, start, offset_s=1e-3, drift_ppm=15.0)
    assert fit.line.offset_s == pytest.approx(1.0 + shift_samples / 16_000, abs=2e-6)
    assert fit.line.drift_ppm == pytest.approx(20.0, abs=0.2)


def test_median_by_weight() -> None:
    assert weighted_median(np.array([3.0, 1.0, 2.0]), np.array([1.0, 1.0, 5.0])) == 2.0
    assert weighted_median(np.array([3.0, 1.0, 2.0]), np.array([9.0, 1.0, 1.0])) == 3.0


def test_no_window_meets_a_reference_far_away(rng: np.random.Generator) -> None:
    sound = rng.standard_normal(5 * 16_000).astype(np.float32)
    line = Placement(1000.0)
    rows = correlate_near(
        sound, sound, line, sample_rate=16_000, window_s=1.0, hop_s=1.0, reach_s=0.02
    )
    assert len(rows.clip_s) == 0
    assert refine(rows, line, offset_s=1e-3, drift_ppm=15.0).line == line
