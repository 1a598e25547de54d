"""Verdicts: each doubt alone turns sure into check."""

from __future__ import annotations

from dataclasses import replace

import pytest

from syncvid.production.results import Rival
from syncvid.sync.leak import LeakPlace
from syncvid.sync.verdict import judge_leak, judge_waveform
from syncvid.sync.votes import Count
from syncvid.sync.waveform import Evidence
from syncvid.timeline import Placement, Span

GOOD = Evidence(
    line=Placement(-6.4, 12.0),
    score=30.0,
    spread_s=5e-5,
    spans=(Span(6.4, 70.0, -6.4),),
    count=Count((), 28, 30),
    rivals=(Rival(2.0, 0.16),),
    contested=0,
    decided=12,
    presence=900.0,
)


def test_good_evidence_is_sure_and_says_why() -> None:
    finding = judge_waveform(GOOD, "mix")
    assert finding is not None
    assert finding.verdict == "sure"
    assert finding.confidence > 0.95
    assert (
        finding.reason
        == "28 of 30 windows agree to 0.1 ms; the next best place scores six times less."
    )


@pytest.mark.parametrize(
    "fault",
    [
        {"score": 11.0, "presence": 80.0},
        {"count": Count((), 4, 6), "presence": 80.0},
        {"count": Count((), 10, 30), "presence": 80.0},
        {"count": Count((), 2, 30)},
        {"divided": 0.97},
        {"spread_s": 1e-3},
        {"rivals": (Rival(2.0, 0.95),), "contested": 12, "decided": 1},
    ],
)
def test_each_doubt_alone_asks_an_ear(fault: dict[str, object]) -> None:
    finding = judge_waveform(replace(GOOD, **fault), "mix")  # type: ignore[arg-type]
    assert finding is not None
    assert finding.verdict == "check"
    assert finding.confidence < 0.6
    assert "listen" in finding.reason


@pytest.mark.parametrize(
    "fault",
    [
        {"score": 8.0, "presence": 50.0},
        {"score": 8.0, "presence": 100.0, "count": Count((), 4, 22)},
        {"score": 11.0, "presence": 30.0},
        {"count": Count((), 1, 20)},
    ],
)
def test_too_little_evidence_is_none(fault: dict[str, object]) -> None:
    assert judge_waveform(replace(GOOD, **fault), "mix") is None  # type: ignore[arg-type]


def test_quiet_clip_that_is_heard_is_sure() -> None:
    quiet = {"score": 7.5, "count": Count((), 6, 24), "spread_s": float("inf"), "presence": 180.0}
    finding = judge_waveform(replace(GOOD, **quiet), "mix")  # type: ignore[arg-type]
    assert finding is not None
    assert finding.verdict == "sure"


def test_repeat_is_settled_by_the_windows_that_differ() -> None:
    finding = judge_waveform(
        replace(GOOD, rivals=(Rival(2.0, 0.8),), contested=8, decided=6), "mix"
    )
    assert finding is not None
    assert finding.verdict == "sure"


def leak(*scores: float) -> tuple[LeakPlace, ...]:
    return tuple(LeakPlace(Placement(2.0 * k), score) for k, score in enumerate(scores))


@pytest.mark.parametrize(
    ("scores", "verdict"),
    [
        ((26.0, 22.0), "sure"),
        ((26.0, 25.5), "check"),
        ((100.0, 97.0), "check"),
        ((17.0, 8.0), "check"),
    ],
)
def test_leak_needs_evidence_and_a_margin(scores: tuple[float, ...], verdict: str) -> None:
    finding = judge_leak(leak(*scores), "guide")
    assert finding is not None
    assert finding.verdict == verdict
    assert ("listen" in finding.reason) == (verdict == "check")


def test_no_leak_is_no_place() -> None:
    assert judge_leak(leak(12.0, 5.0), "guide") is None
    assert judge_leak((), "guide") is None
