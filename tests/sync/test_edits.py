"""Proposals for missing pieces: shifts beside the line and places far away, on planted windows."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.sync.edits import MOST_FAR, MOST_SHIFTS, far_lines, in_clip, near_shifts
from syncvid.sync.lines import LineScores
from syncvid.sync.spans import Located, Run
from syncvid.sync.windows import Rows, correlate_near
from syncvid.timeline import Placement

RATE = 4000
LENGTH_S = 40.0


def noise(rng: np.random.Generator, length_s: float = LENGTH_S) -> Audio:
    return rng.standard_normal(round(length_s * RATE)).astype(np.float32)


def rows_of(clip: Audio, reference: Audio, line: Placement) -> Rows:
    return correlate_near(
        clip, reference, line, sample_rate=RATE, window_s=2.0, hop_s=0.5, reach_s=0.25
    )


@pytest.mark.parametrize("shift_ms", [-80, -30, 30, 80, 200])
def test_a_moved_phrase_is_proposed_within_a_millisecond(
    rng: np.random.Generator, shift_ms: int
) -> None:
    clip, other = noise(rng), noise(rng)
    mix, by = clip.copy(), round(shift_ms * 1e-3 * RATE)
    first, last = 14 * RATE, 24 * RATE
    mix[first:last] = 0.0
    mix[first + by : last + by] += clip[first:last]
    rows = rows_of(clip, mix + 4 * other, Placement(0.0))
    shifts = near_shifts(rows, [(13.0, 25.0)])
    assert shifts[0] == pytest.approx(shift_ms * 1e-3, abs=1e-3)
    # A gap that is too short for three windows proposes nothing; one elsewhere is on the line.
    assert near_shifts(rows, [(18.0, 18.7)]) == []
    assert all(abs(shift) < 1e-3 for shift in near_shifts(rows, [(30.0, 38.0)]))


def test_a_shift_is_told_from_the_line_also_where_rounding_left_rests(
    rng: np.random.Generator,
) -> None:
    clip = noise(rng)
    line = Placement(1.0 + 0.49 / RATE)
    rows = rows_of(clip, np.concatenate((noise(rng, 1.05), clip)), line)
    (shift,) = near_shifts(rows, [(10.0, 30.0)])
    assert line.offset_s + shift == pytest.approx(1.05, abs=1e-6)


def test_two_moved_phrases_in_one_gap_are_both_proposed(rng: np.random.Generator) -> None:
    clip = noise(rng)
    mix = 2 * noise(rng)
    for first_s, last_s, shift_s in ((10, 20, 0.03), (20, 30, -0.05)):
        by, first, last = round(shift_s * RATE), first_s * RATE, last_s * RATE
        mix[first + by : last + by] += clip[first:last]
    shifts = near_shifts(rows_of(clip, mix, Placement(0.0)), [(9.0, 31.0)])
    assert sorted(shifts) == pytest.approx([-0.05, 0.03], abs=1e-3)


def test_chance_proposes_hardly_any_shift(rng: np.random.Generator) -> None:
    """Of 2000 lags and some ten independent runs one is above 4.5 in 7 % of all gaps."""
    gaps = [(5.0, 20.0), (22.0, 35.0)]
    alarms = sum(
        len(near_shifts(rows_of(noise(rng), noise(rng), Placement(0.0)), [gap]))
        for gap in gaps
        for _ in range(10)
    )
    assert alarms <= 4


def test_one_loud_window_makes_no_proposal_but_a_run_does(rng: np.random.Generator) -> None:
    rows = rows_of(noise(rng), noise(rng), Placement(0.0))
    rows.values[30, 700] = 500.0
    assert near_shifts(rows, [(10.0, 25.0)]) == []
    for count, column in enumerate((100, 300, 500, 700, 900)):
        rows.values[22 + 4 * count : 27 + 4 * count, column] = 50.0
    shifts = near_shifts(rows, [(10.0, 25.0)])
    assert len(shifts) == MOST_SHIFTS
    assert set(np.round(np.multiply(shifts, RATE)).astype(int) + rows.reach) <= {
        100,
        300,
        500,
        700,
        900,
    }


def scores_of(lags_s: list[float], heights: list[float], *, inverted: bool = False) -> LineScores:
    """Return windows of four seconds with the lag that each fits best, upright or upside down."""
    both = np.zeros((2, len(lags_s)), np.int64), np.ones((2, len(lags_s)), np.float32)
    both[0][int(inverted)] = np.round(np.multiply(lags_s, RATE))
    both[1][int(inverted)] = heights
    empty = np.zeros(0, np.float32), np.zeros(0, np.bool_), np.zeros(0, np.int16)
    return LineScores(RATE, 0, *empty, 0.0, *both)


@pytest.mark.parametrize("inverted", [False, True], ids=["upright", "upside down"])
def test_two_windows_that_agree_propose_a_far_line(inverted: bool) -> None:
    lags_s = [0.0, 0.0, 0.0, -6.0, 55.0, -6.001, 0.0]
    scores = scores_of(lags_s, [9, 9, 9, 5.5, 4.9, 5.5, 9], inverted=inverted)
    found = far_lines(scores, Placement(0.0), [(12.0, 24.0)], inverted=inverted)
    assert [place.offset_s for place in found] == pytest.approx([-6.0005], abs=1e-9)
    assert far_lines(scores, Placement(0.0), [(12.0, 24.0)], inverted=not inverted) == []


@pytest.mark.parametrize(("height", "proposed"), [(6.9, 0), (7.1, 1)])
def test_a_single_window_must_insist(height: float, proposed: int) -> None:
    scores = scores_of([0.0, 30.0, 0.0], [9, height, 9])
    found = far_lines(scores, Placement(0.0), [(4.0, 8.0)], inverted=False)
    assert len(found) == proposed


def test_far_lines_have_the_drift_of_the_line_and_are_not_the_line() -> None:
    line = Placement(2.0, 100.0)
    middles_s = 4.0 * np.arange(20) + 2.0
    away_s = np.where((middles_s > 40) & (middles_s < 70), -8.0, 0.0)
    lags_s = (line.offset_s + away_s + 100e-6 * middles_s).tolist()
    scores = scores_of(lags_s, [8.0] * 20)
    (found,) = far_lines(scores, line, [(30.0, 75.0)], inverted=False)
    assert found.drift_ppm == 100.0
    assert found.offset_s == pytest.approx(-6.0, abs=1.0 / RATE)


def test_not_too_many_far_lines_are_proposed() -> None:
    scores = scores_of([10.0 * n for n in range(1, 9)], [9.0] * 8)
    assert len(far_lines(scores, Placement(0.0), [(0.0, 32.0)], inverted=False)) == MOST_FAR


def test_gaps_are_given_a_little_wider_in_clip_seconds() -> None:
    times_s = 5.0 + 0.5 * np.arange(40)
    located = Located((Placement(4.0, 1000.0),), (), times_s, np.zeros((1, 40)), np.zeros(40))
    (first, middle) = in_clip(located, [Run(0, 3, -1), Run(20, 31, -1)], 20.0)
    assert first == pytest.approx((0.0, 3.0 / 1.001))
    assert middle == pytest.approx((10.0 / 1.001, 17.0 / 1.001))
    ((_, last_s),) = in_clip(located, [Run(30, 40, -1)], 20.0)
    assert last_s == 20.0
