"""Where a clip's sound is in the reference: borders of planted splices, steps and moved phrases."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.sync.hearing import Heard, hear
from syncvid.sync.presence import HOP_S
from syncvid.sync.spans import (
    Located,
    Run,
    _without_doubtful,
    bridged,
    cheapest_path,
    locate,
    runs_of,
    to_spans,
)
from syncvid.sync.waveform import find_evidence, make_target
from syncvid.timeline import Placement, Span
from tests.sync.ensemble import RATE, band, on_phone, without

LENGTH_S = 40.0
EDGE_S = 0.25


@cache
def parts() -> list[Audio]:
    return band(np.random.default_rng(81), LENGTH_S)


def others() -> Audio:
    return np.sum(parts()[1:], axis=0, dtype=np.float32)


def place(clip: Audio, mix: Audio) -> tuple[Span, ...]:
    target = make_target(hear(mix, name="mix"))
    return find_evidence(hear(clip, name="clip"), target).spans


def heard(samples: Audio) -> Heard:
    return hear(samples, name="clip")


def moved(part: Audio, from_s: float, to_s: float, by_s: float) -> Audio:
    """Return a part with one phrase earlier or later."""
    first, last, by = round(from_s * RATE), round(to_s * RATE), round(by_s * RATE)
    out = without(part, (from_s, to_s))
    out[first + by : last + by] += part[first:last]
    return out


@pytest.mark.parametrize(("from_s", "to_s"), [(12.0, 17.0), (20.7, 32.1), (8.3, 11.3)])
@pytest.mark.parametrize("head_s", [0.0, 2.4])
def test_a_part_taken_out_of_the_mix_leaves_two_spans(
    from_s: float, to_s: float, head_s: float
) -> None:
    mix = without(parts()[0], (from_s, to_s)) + others()
    clip = on_phone(np.random.default_rng(1), parts()[0], head_s=head_s, drift_ppm=60.0)
    before, after = place(clip, mix)
    assert before.clip_to_s == pytest.approx(head_s + from_s, abs=EDGE_S)
    assert after.clip_from_s == pytest.approx(head_s + to_s, abs=EDGE_S)
    # The wait before the first note belongs to the first span.
    assert before.clip_from_s < head_s + EDGE_S
    assert after.clip_to_s == pytest.approx(head_s + LENGTH_S, abs=EDGE_S)
    assert before.offset_s == after.offset_s
    assert before.drift_ppm is None
    assert after.drift_ppm is None


@pytest.mark.parametrize("step_s", [-0.128, 0.128], ids=["lost", "doubled"])
@pytest.mark.parametrize("at_s", [15.0, 24.6])
def test_a_step_in_the_clip_gives_two_spans(at_s: float, step_s: float) -> None:
    """A phone that drops 128 ms is late by them from there on; one that repeats them is early."""
    first = parts()[0]
    at, step = round(at_s * RATE), round(step_s * RATE)
    clip = np.concatenate((first[:at], first[at - step :]))
    before, after = place(clip, first + others())
    assert before.offset_s == pytest.approx(0.0, abs=1e-3)
    assert after.offset_s == pytest.approx(-step_s, abs=1e-3)
    assert before.clip_to_s == pytest.approx(at_s, abs=EDGE_S)
    assert after.clip_from_s == pytest.approx(at_s, abs=EDGE_S)


@pytest.mark.parametrize("by_ms", [-80, -30, 30, 80])
def test_a_moved_phrase_has_its_shift_within_a_millisecond(by_ms: int) -> None:
    mix = moved(parts()[0], 14.0, 24.0, by_ms * 1e-3) + others()
    before, phrase, after = place(parts()[0], mix)
    assert before.offset_s == pytest.approx(0.0, abs=1e-3)
    assert phrase.offset_s == pytest.approx(by_ms * 1e-3, abs=1e-3)
    assert after.offset_s == before.offset_s
    assert before.clip_to_s == pytest.approx(14.0, abs=EDGE_S)
    assert phrase.clip_from_s == pytest.approx(14.0, abs=EDGE_S)
    assert phrase.clip_to_s == pytest.approx(24.0, abs=EDGE_S)
    assert after.clip_from_s == pytest.approx(24.0, abs=EDGE_S)


def test_a_verse_that_was_copied_uses_its_stretch_of_the_clip_twice() -> None:
    """The mix holds 5 to 15 s of the clip, then the same ten seconds again."""
    verse = parts()[0][5 * RATE : 15 * RATE]
    mix = (np.concatenate((verse, verse)) + others()[: 20 * RATE]).astype(np.float32)
    lines = [Placement(-5.0), Placement(5.0)]
    located = locate(heard(parts()[0]), heard(mix), lines, (np.array([0.0, 40.0]), np.ones(2)))
    spans = to_spans(located, LENGTH_S, 0.0)
    assert sorted(span.offset_s for span in spans) == [-5.0, 5.0]
    for span in spans:
        assert (span.clip_from_s, span.clip_to_s) == pytest.approx((5.0, 15.0), abs=EDGE_S)


def test_a_line_that_explains_nothing_is_not_used() -> None:
    mix = without(parts()[0], (16.0, 24.0)) + others()
    lines = [Placement(0.0), Placement(0.03), Placement(-7.0)]
    everywhere = np.array([0.0, LENGTH_S]), np.ones(2)
    located = locate(heard(parts()[0]), heard(mix), lines, everywhere)
    assert {run.state for run in located.runs} == {0}
    (gap,) = located.gaps()
    middles_s = located.times_s[gap.first], located.times_s[gap.last - 1]
    assert middles_s == pytest.approx((16.0, 24.0), abs=1.2)
    assert located.length_on(0) == pytest.approx(32.0, abs=2 * EDGE_S)
    assert located.length_on(1) == 0.0


def test_a_clip_that_lies_beside_the_reference_is_heard_nowhere() -> None:
    everywhere = np.array([0.0, LENGTH_S]), np.ones(2)
    located = locate(heard(parts()[0]), heard(others()), [Placement(60.0)], everywhere)
    assert located.runs == ()
    assert to_spans(located, LENGTH_S, 0.0) == ()
    assert located.evidence == 0.0


def cost(gains: np.ndarray, path: np.ndarray, change: float) -> float:
    states = np.vstack([np.zeros(gains.shape[1]), gains])
    won = states[path + 1, np.arange(len(path))].sum()
    return float(won - change * np.count_nonzero(np.diff(path)))


@pytest.mark.parametrize("change", [0.5, 3.0, 12.0])
def test_no_other_path_is_cheaper(rng: np.random.Generator, change: float) -> None:
    """Against all 3 ** 7 paths."""
    every = np.stack(np.meshgrid(*[[-1, 0, 1]] * 7), -1).reshape(-1, 7)
    for _ in range(5):
        gains = 4.0 * rng.standard_normal((2, 7))
        path = cheapest_path(gains, change)
        best = max(cost(gains, other, change) for other in every)
        assert cost(gains, path, change) == pytest.approx(best)


@pytest.mark.parametrize(
    ("offset_s", "explains", "kept"),
    [(0.08, 36.0, False), (0.08, 44.0, True), (9.0, 110.0, False), (9.0, 130.0, True)],
)
def test_a_line_must_explain_more_the_farther_it_lies(
    offset_s: float, explains: float, kept: bool
) -> None:
    """For thirty frames the clip is not on its line; another line explains so much of them."""
    gains = np.array([np.full(90, 5.0), np.full(90, -5.0)])
    gains[0, 30:60], gains[1, 30:60] = -2.0, explains / 30
    path = _without_doubtful(gains, cheapest_path(gains), [Placement(0.0), Placement(offset_s)])
    assert path[:30].tolist() + path[60:].tolist() == [0] * 60
    assert set(path[30:60]) == ({1} if kept else {-1})


def test_runs_are_stretches_of_one_state() -> None:
    assert runs_of(np.array([-1, 0, 0, 1, 1, -1, 0])) == (Run(1, 3, 0), Run(3, 5, 1), Run(6, 7, 0))
    assert runs_of(np.array([-1, -1])) == ()


def test_rests_and_lost_notes_are_bridged_and_absences_are_not() -> None:
    expected = np.full(100, 10.0)
    apart = (Run(0, 30, 0), Run(60, 100, 0))
    assert bridged(apart, expected) == apart
    resting = expected.copy()
    resting[30:60] = 2.0
    assert bridged(apart, resting) == (Run(0, 100, 0),)
    # 11 frames of 64 ms are shorter than 0.75 s, 12 are longer.
    assert bridged((Run(0, 30, 0), Run(41, 100, 0)), expected) == (Run(0, 100, 0),)
    assert len(bridged((Run(0, 30, 0), Run(42, 100, 0)), expected)) == 2
    # A rest between two lines goes to both by halves.
    assert bridged((Run(0, 30, 0), Run(60, 100, 1)), resting) == (Run(0, 45, 0), Run(45, 100, 1))
    resting[:], resting[30:60] = 0.1, 10.0
    assert bridged((Run(30, 60, 0),), resting) == (Run(0, 100, 0),)
    assert bridged((), resting) == ()


def test_a_span_says_its_drift_only_where_it_is_not_that_of_the_clip() -> None:
    """Twenty frames on each line; frame k lasts from k to k + 1 hops around its middle."""
    lines = Placement(0.0, 50.0), Placement(0.1, 900.0)
    gains = np.where(np.arange(40) < 20, 5.0, -5.0) * np.array([[1.0], [-1.0]])
    times_s = (np.arange(40) + 0.5) * HOP_S
    located = Located(lines, (Run(0, 20, 0), Run(20, 40, 1)), times_s, gains, np.full(40, 5.0))
    first, second = to_spans(located, 10.0, 50.0)
    border_s = 20 * HOP_S
    assert (first.offset_s, first.drift_ppm) == (0.0, None)
    assert (second.offset_s, second.drift_ppm) == (0.1, 900.0)
    assert first.clip_to_s == pytest.approx(lines[0].to_clip(border_s))
    assert second.clip_from_s == pytest.approx(lines[1].to_clip(border_s))
    (only,) = to_spans(located, 10.0, 50.0, range(1, 2))
    assert only == second
