"""Lines over windows: chance levels, slopes, sides."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import fft

from syncvid.sync.lines import (
    BLOCK,
    LINE_RATE,
    MARGIN,
    SIZE,
    WINDOW,
    WINDOW_S,
    prepare,
    score_lines,
    strongest,
    sum_lines,
)


def noise(rng: np.random.Generator, length_s: float) -> np.ndarray:
    return rng.standard_normal(round(length_s * LINE_RATE)).astype(np.float32)


def test_unrelated_noise_stands_out_no_more_than_chance(rng: np.random.Generator) -> None:
    # Facts TD2: z of the best of 524 288 lags of unrelated noise lies between 4.5 and 6.5.
    reference = prepare(noise(rng, 524_288 / LINE_RATE))
    scores = score_lines(noise(rng, 3 * WINDOW_S), reference)
    best = scores.window_peaks.max(axis=0)
    assert np.all((best > 4.5) & (best < 6.5))
    assert 4.0 < scores.scores.max() < 7.5


@pytest.mark.parametrize("lag", [-30_000, -1, 0, 7, 99_999])
def test_peak_lies_at_the_lag_that_was_planted(rng: np.random.Generator, lag: int) -> None:
    reference = noise(rng, 60.0)
    first = max(0, lag)
    clip = noise(rng, 30.0)
    shared = min(len(clip) + lag, len(reference)) - first
    clip[first - lag : first - lag + shared] += reference[first : first + shared]
    scores = score_lines(clip, prepare(reference))
    best = strongest(scores, apart=480, count=2)
    assert scores.first_lag + best[0] == lag
    assert scores.scores[best[0]] > 3 * scores.scores[best[1]]
    assert not scores.inverted[best[0]]
    middle = scores.window_lags.shape[1] // 2 + 1
    assert scores.window_lags[0, middle] == lag


@pytest.mark.parametrize("per_row", [-4.5, -2.0, -0.3, 0.0, 1.0, 3.7])
@pytest.mark.parametrize("rows", [2, 8, 32])
def test_a_slanted_line_is_summed_to_within_a_lag_or_so(per_row: float, rows: int) -> None:
    grid = np.zeros((rows, 600), np.float32)
    for row in range(rows):
        grid[row, 300 + round(row * per_row) + np.arange(-1, 2)] = (0.7, 1.0, 0.7)
    sums = sum_lines(grid, 5.0)
    steepest = len(sums) // 2
    shift, lag = np.unravel_index(int(np.argmax(sums)), sums.shape)
    assert sums.max() > 0.85 * rows
    assert abs(shift - steepest - per_row * (rows - 1)) <= 2
    assert abs(lag - 300) <= 1


def test_one_loud_window_cannot_carry_a_place(rng: np.random.Generator) -> None:
    reference = noise(rng, 80.0)
    clip = noise(rng, 40.0)
    clip[WINDOW : 2 * WINDOW] = 50 * reference[5 * WINDOW : 6 * WINDOW]
    scores = score_lines(clip, prepare(reference))
    # Ten windows: at most 10 / sqrt(10) from the one that fits, plus chance.
    assert scores.scores[4 * WINDOW - scores.first_lag] < 7.0


def test_the_length_of_transforms_is_a_fast_one_that_is_long_enough() -> None:
    assert fft.next_fast_len(WINDOW + BLOCK + 2 * MARGIN, real=True) == SIZE


def test_silence_scores_nothing(rng: np.random.Generator) -> None:
    silent = np.zeros(20 * LINE_RATE, np.float32)
    assert score_lines(silent, prepare(noise(rng, 20.0))).scores.max() == 0.0
    assert score_lines(noise(rng, 20.0), prepare(silent)).scores.max() == 0.0
    assert strongest(score_lines(silent, prepare(silent)), apart=10, count=3) == []


def test_upside_down_sound_is_found_too(rng: np.random.Generator) -> None:
    reference = noise(rng, 40.0)
    scores = score_lines(-reference[5000:100_000], prepare(reference))
    best = strongest(scores, apart=480, count=1)[0]
    assert scores.first_lag + best == 5000
    assert scores.inverted[best]
    assert np.all(scores.window_lags[1, :5] == 5000)
