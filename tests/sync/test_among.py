"""Clips on one clock: composition of placements, contradictions."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from syncvid.production.results import Finding
from syncvid.sync.among import Tie, after, inverse, pairs, tie_together
from syncvid.timeline import Placement

placements = st.builds(Placement, st.floats(-100, 100), st.floats(-300, 300))


def tied(offset_s: float, drift_ppm: float = 0.0) -> Finding:
    return Finding("sure", 0.9, "They agree.", offset_s, drift_ppm)


@given(placements, placements, st.floats(-500, 500))
def test_one_placement_after_another(first: Placement, second: Placement, at_s: float) -> None:
    both = after(first, second).to_reference(at_s)
    assert abs(both - second.to_reference(first.to_reference(at_s))) < 1e-6
    assert abs(inverse(first).to_reference(first.to_reference(at_s)) - at_s) < 1e-6


def test_clips_are_tied_by_way_of_others() -> None:
    ties = [Tie(0, 1, tied(2.0)), Tie(1, 2, tied(3.0)), Tie(3, 1, tied(-1.0))]
    findings = tie_together(ties, ["a", "b", "c", "d", "e"])
    assert [finding.offset_s for finding in findings] == [2.0, 0.0, -3.0, -1.0, None]
    assert {finding.against for finding in findings[:4]} == {"b"}
    assert findings[4].verdict == "none"


def test_contradiction_asks_an_ear() -> None:
    agreeing = [Tie(0, 1, tied(2.0)), Tie(1, 2, tied(3.0)), Tie(0, 2, tied(5.001))]
    names = ["a", "b", "c"]
    assert all(finding.verdict == "sure" for finding in tie_together(agreeing, names))
    at_odds = [*agreeing[:2], Tie(0, 2, tied(5.5))]
    assert any(finding.verdict == "check" for finding in tie_together(at_odds, names))


def test_nothing_in_common() -> None:
    assert [finding.verdict for finding in tie_together([], ["a", "b"])] == ["none", "none"]


def test_many_clips_are_laid_against_the_longest_only() -> None:
    found = pairs([float(length) for length in range(1, 41)])
    assert len(found) == sum(39 - rank for rank in range(10))
    assert all(shorter < longer for shorter, longer in found)
    assert min(longer for _, longer in found) == 30
