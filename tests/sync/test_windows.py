"""Rows of correlations against `scipy.signal.correlate` of the same windows, in double precision.

Reference: scipy.signal.correlate (mode "valid", method "direct"), the textbook sum.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from syncvid.sync.windows import Rows, correlate_near
from syncvid.timeline import Placement

RATE = 1000
WINDOW, REACH = 400, 30


def noise(rng: np.random.Generator, length: int) -> np.ndarray:
    return rng.standard_normal(length).astype(np.float32)


def stretch(samples: np.ndarray, start: int, length: int) -> np.ndarray:
    """Return a stretch of a sound in double precision, silent outside of it."""
    padded = np.zeros(length)
    for index in range(length):
        if 0 <= start + index < len(samples):
            padded[index] = samples[start + index]
    return padded


def plainly(clip: np.ndarray, reference: np.ndarray, start: int, lag: int) -> np.ndarray:
    """Return the correlation of one window at every lag near one, not scaled."""
    near = stretch(clip, start, WINDOW)
    far = stretch(reference, start + lag - REACH, WINDOW + 2 * REACH)
    return np.asarray(signal.correlate(far, near, mode="valid", method="direct"))


def look(clip: np.ndarray, reference: np.ndarray, line: Placement, hop: int) -> Rows:
    return correlate_near(
        clip,
        reference,
        line,
        sample_rate=RATE,
        window_s=WINDOW / RATE,
        hop_s=hop / RATE,
        reach_s=REACH / RATE,
    )


def assert_rows_are_correlations(
    rows: Rows, clip: np.ndarray, reference: np.ndarray, line: Placement
) -> None:
    """Check each row against the plain sum, and its scale against what chance gives."""
    for clip_s, values, rest_s in zip(rows.clip_s, rows.values, rows.rests, strict=True):
        start = round(clip_s * RATE) - WINDOW // 2
        lag_s = line.to_reference(clip_s) - clip_s
        lag = round((lag_s + rest_s) * RATE)
        # The rest is what rounding leaves over: half a sample at most, and the lag is whole.
        assert abs(rest_s) <= 0.5 / RATE + 1e-12
        assert (lag_s + rest_s) * RATE == pytest.approx(lag, abs=1e-6)
        expected = plainly(clip, reference, start, lag)
        scale = float(values @ expected) / float(expected @ expected)
        worst = np.abs(values - scale * expected).max() / np.abs(scale * expected).max()
        assert worst < 3e-6, f"the row at {clip_s} s is no multiple of the plain correlation"
        # Standard deviations of chance: root of the energies under the window.
        near = stretch(clip, start, WINDOW)
        far = stretch(reference, start + lag - REACH, WINDOW + 2 * REACH)
        length = WINDOW + 2 * REACH
        by_chance = np.sqrt((near @ near) * (far @ far) / length)
        assert 1 / scale == pytest.approx(by_chance, rel=0.25)


@pytest.mark.parametrize("drift_ppm", [0.0, 250.0, -250.0, 20_000.0, -20_000.0])
@pytest.mark.parametrize("hop", [100, 200, 400, 150], ids="hop {}".format)
def test_rows_are_plain_correlations(rng: np.random.Generator, hop: int, drift_ppm: float) -> None:
    """Steps of 100 and 200 share pieces of windows, 400 and 150 do not."""
    reference, clip = noise(rng, 6000), noise(rng, 4000)
    line = Placement(0.7773, drift_ppm)
    rows = look(clip, reference, line, hop)
    assert len(rows.clip_s) == len(range(0, 3800, hop))
    assert_rows_are_correlations(rows, clip, reference, line)


@pytest.mark.parametrize("hop", [100, 400], ids="hop {}".format)
@pytest.mark.parametrize("offset_s", [-1.9, 3.1, -0.01], ids="offset {}".format)
def test_windows_that_hang_over_the_edges_are_filled_with_silence(
    rng: np.random.Generator, offset_s: float, hop: int
) -> None:
    reference, clip = noise(rng, 4500), noise(rng, 4000)
    line = Placement(offset_s, 300.0)
    rows = look(clip, reference, line, hop)
    middles_s = line.to_reference(0.0) + rows.clip_s * line.rate
    assert np.all((middles_s > -1e-3) & (middles_s < 4.5 + 1e-3))
    # All windows whose middle meets the reference are there.
    wanted = [
        start
        for start in range(0, 3800, hop)
        if 0 <= line.to_reference((start + WINDOW / 2) / RATE) * RATE < 4499
    ]
    assert {round(clip_s * RATE) - WINDOW // 2 for clip_s in rows.clip_s} >= set(wanted)
    for clip_s, values, rest_s in zip(rows.clip_s, rows.values, rows.rests, strict=True):
        start = round(clip_s * RATE) - WINDOW // 2
        lag = round((line.to_reference(clip_s) - clip_s + rest_s) * RATE)
        expected = plainly(clip, reference, start, lag)
        scale = float(values @ expected) / float(expected @ expected)
        assert np.abs(values - scale * expected).max() < 3e-6 * np.abs(values).max()


def test_noise_has_a_deviation_of_one_and_a_planted_window_its_height(
    rng: np.random.Generator,
) -> None:
    reference, clip = noise(rng, 60_000), noise(rng, 50_000)
    rows = look(clip, reference, Placement(2.0), 100)
    assert float(rows.values.std()) == pytest.approx(1.0, abs=0.03)
    planted = look(reference[5000:], reference, Placement(5.0), 100)
    # A piece of 100 samples that fits adds 100**2 at one of 160 lags to the mean square of chance,
    # 100; a window is four of them.
    height = 400 / np.sqrt(4 * (100 + 100**2 / 160))
    assert np.median(planted.values[:, REACH]) == pytest.approx(height, rel=0.03)
    assert np.all(np.argmax(planted.values, axis=1) == REACH)


def test_a_crescendo_within_a_window_does_not_change_what_chance_gives(
    rng: np.random.Generator,
) -> None:
    reference, clip = noise(rng, 9000), noise(rng, 8000)
    clip[4000:] *= 30.0
    deviations = look(clip, reference, Placement(0.5), 100).values.std(axis=1)
    assert deviations.min() > 0.6
    assert deviations.max() < 1.6


def test_a_clip_that_meets_nothing_gives_no_rows(rng: np.random.Generator) -> None:
    for offset_s in (-20.0, 20.0):
        rows = look(noise(rng, 4000), noise(rng, 4000), Placement(offset_s), 100)
        assert rows.values.shape == (0, 2 * REACH + 1)
        assert len(rows.clip_s) == len(rows.rests) == len(rows.shares) == 0


def test_silence_gives_zeros_rather_than_noise(rng: np.random.Generator) -> None:
    clip = noise(rng, 4000)
    clip[1000:3000] = 0.0
    rows = look(clip, noise(rng, 4000), Placement(0.0), 100)
    silent = (rows.clip_s > 1.2) & (rows.clip_s < 2.8)
    assert silent.sum() > 10
    assert not rows.values[silent].any()
    assert np.isfinite(rows.values).all()


def test_shares_are_energy_under_the_window_against_the_mean(rng: np.random.Generator) -> None:
    reference = noise(rng, 4000)
    reference[2000:] *= 3.0
    rows = look(noise(rng, 4000), reference, Placement(0.0), 400)
    mean = np.mean(np.square(reference, dtype=np.float64))
    for clip_s, share in zip(rows.clip_s, rows.shares, strict=True):
        start = round(clip_s * RATE) - WINDOW // 2
        under = stretch(reference, start, WINDOW)
        assert share == pytest.approx(np.mean(under**2) / mean, rel=1e-5)


def test_columns_and_deviations_belong_together(rng: np.random.Generator) -> None:
    """A clip that lies 7.3 ms beside the line peaks there, whatever rounding did to a row."""
    reference = noise(rng, 8000)
    rows = look(reference[1000:5000], reference, Placement(0.9927, 0.0), 100)
    columns = np.argmax(rows.values, axis=1).astype(np.float64)
    np.testing.assert_allclose(rows.deviations_s(columns), 0.0073, atol=1e-9)
    np.testing.assert_allclose(rows.columns(np.full(len(columns), 0.0073)), columns, atol=1e-6)
    seen = rows.moved(np.full(len(columns), 0.002))
    np.testing.assert_allclose(seen.deviations_s(columns), 0.0053, atol=1e-9)
    narrow = rows.within(0.009)
    assert narrow.reach < rows.reach
    inner = np.argmax(narrow.values, axis=1).astype(np.float64)
    np.testing.assert_allclose(narrow.deviations_s(inner), 0.0073, atol=1e-9)
    np.testing.assert_array_equal(rows.inverted().values, -rows.values)
