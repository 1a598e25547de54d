"""The benchmarks' invented cases: what is planted in them can be found where it was planted."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from syncvid.arrays import Audio
from syncvid.production.results import Finding
from syncvid.timeline import Span
from tests.benchmarks.confidence_curve import wilson
from tests.benchmarks.invented import Case, CaseClip, make_case
from tests.benchmarks.invented.phones import read_at
from tests.benchmarks.invented.scoring import judge, right, sure_wrong

RATE = 16_000
WINDOW_S = 3.0


def lag_ms(clip: Audio, reference: Audio) -> tuple[float, float]:
    """Return the lag of a whitened correlation within 100 ms, and how far its peak stands out."""
    size = 2 * len(clip)
    cross = np.fft.rfft(clip, size).conj() * np.fft.rfft(reference, size)
    cross /= np.abs(cross) + 1e-3 * np.abs(cross).max()
    pitch_hz = np.fft.rfftfreq(size, 1 / RATE)
    cross[(pitch_hz < 150) | (pitch_hz > 5000)] = 0
    around = np.roll(np.fft.irfft(cross, size), RATE // 10)[: RATE // 5]
    best = int(np.abs(around).argmax())
    return 1e3 * (best - RATE // 10) / RATE, float(np.abs(around[best]) / around.std())


def lags_at_truth(case: Case, clip: CaseClip) -> list[float]:
    """Return the lags that are left where every window is laid where the truth says."""
    assert case.mix is not None
    whole = {"clip_from_s": clip.overlap_from_s, "clip_to_s": clip.overlap_to_s}
    lags = []
    for span in clip.spans or ({**whole, "offset_s": clip.offset_s},):
        step = 1 + span.get("drift_ppm", clip.drift_ppm) * 1e-6
        for at_s in np.arange(span["clip_from_s"], span["clip_to_s"] - WINDOW_S, WINDOW_S):
            first = round(at_s * RATE)
            piece = clip.samples[first : first + round(WINDOW_S * RATE)]
            there = (span["offset_s"] + first / RATE * step) * RATE
            lag, clear = lag_ms(piece, read_at(case.mix, there, step, len(piece)))
            lags += [lag] if clear > 8 else []
    return lags


SLOW = pytest.mark.slow


@pytest.mark.parametrize(
    "kind", ["stretch", pytest.param("C", marks=SLOW), pytest.param("step", marks=SLOW)]
)
def test_the_sound_of_a_clip_lies_where_the_truth_says(kind: str) -> None:
    case = make_case(kind, 0)
    lags = np.concatenate([lags_at_truth(case, clip) for clip in case.clips])
    assert len(lags) > 20
    assert np.mean(np.abs(lags) < 0.2) > 0.9


@pytest.mark.slow
def test_the_same_seed_makes_the_same_case() -> None:
    first, second = make_case("E", 3), make_case("E", 3)
    assert first.guide is not None
    for one, other in zip(first.clips, second.clips, strict=True):
        np.testing.assert_array_equal(one.samples, other.samples)


def clip(**more: object) -> CaseClip:
    """Return a clip that starts ten seconds before the reference."""
    values: dict[str, object] = {
        "name": "clip", "samples": np.zeros(RATE, np.float32), "expect": "match",
        "offset_s": -10.0, "drift_ppm": 0.0, "tolerance_ms": 10.0,
        "overlap_from_s": 10.0, "overlap_to_s": 110.0, **more,
    }  # fmt: skip
    return CaseClip(**values)  # type: ignore[arg-type]


def row(told: Finding, truth: CaseClip) -> dict[str, object]:
    """Judge one finding."""
    return judge(Case("A", 0, None, None, (truth,), None, 100.0), truth, told)


def test_drift_counts_at_the_far_end_of_the_overlap() -> None:
    # 100 ppm over 110 s are 11 ms, 10 s nearer the start 10 ms (clip time from 0).
    assert not right(row(Finding("sure", 0.9, "", -10.0, 100.0), clip()))
    assert sure_wrong(row(Finding("sure", 0.9, "", -10.0, 100.0), clip()))
    assert right(row(Finding("sure", 0.9, "", -10.0, 90.0), clip()))


def test_a_stranger_is_right_only_without_a_place() -> None:
    stranger = clip(expect="none", offset_s=None, drift_ppm=None)
    assert right(row(Finding("none", 0.8, ""), stranger))
    assert not right(row(Finding("check", 0.3, "", 1.0, 0.0), stranger))


def test_spans_are_right_by_their_own_offsets_and_edges() -> None:
    planted = (
        {"clip_from_s": 10.0, "clip_to_s": 50.0, "offset_s": -10.0},
        {"clip_from_s": 50.0, "clip_to_s": 110.0, "offset_s": -9.95},
    )
    truth = clip(spans=planted, span_kind="shift", offset_s=-10.0)
    told = (Span(12.0, 50.2, -10.0), Span(50.2, 110.0, -9.95))
    good = row(Finding("sure", 0.9, "", -10.0, 0.0, spans=told), truth)
    assert good["spans_right"]
    assert good["edges_right"]
    late = (Span(12.0, 50.3, -10.0), Span(50.3, 110.0, -9.95))
    assert not row(Finding("sure", 0.9, "", -10.0, 0.0, spans=late), truth)["edges_right"]
    assert not row(Finding("sure", 0.9, "", -10.0, 0.0), truth)["spans_right"]


@pytest.mark.parametrize(("good", "count"), [(9, 10), (0, 7), (40, 40), (120, 133)])
def test_shares_have_the_interval_of_scipy(good: int, count: int) -> None:
    # scipy.stats.binomtest(...).proportion_ci(method="wilson"), within 0.001.
    told = stats.binomtest(good, count).proportion_ci(method="wilson")
    assert wilson(good, count) == pytest.approx((told.low, told.high), abs=1e-3)
