"""Clips on one clock: composition of placements, contradictions."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from syncvid.production.results import Finding
from syncvid.sync.among import Tie, tie_together
from syncvid.timeline import Placement


def tied(offset_s: float, drift_ppm: float = 0.0) -> Finding:
    return Finding("sure", 0.9, "They agree.", offset_s, drift_ppm)


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


def test_one_wrong_tie_among_many_moves_nobody() -> None:
    truth = [Placement(0.0), Placement(4.0, 30.0), Placement(-7.0, -20.0), Placement(11.0, 55.0)]
    ties = []
    for clip, other in combinations(range(4), 2):
        relative = truth[clip].then(truth[other].inverse())
        ties.append(Tie(clip, other, tied(relative.offset_s, relative.drift_ppm)))
    wrong = [*ties, Tie(3, 1, tied(8.8)), Tie(1, 2, tied(11.6))]
    findings = tie_together(wrong, ["a", "b", "c", "d"])
    anchor = next(index for index, found in enumerate(findings) if found.offset_s == 0.0)
    for index, finding in enumerate(findings):
        expected = truth[index].then(truth[anchor].inverse())
        assert finding.offset_s == pytest.approx(expected.offset_s, abs=1e-4)
        assert finding.drift_ppm == pytest.approx(expected.drift_ppm, abs=0.5)
        assert finding.verdict == "sure"


def test_noisy_ties_are_averaged(rng: np.random.Generator) -> None:
    # Each difference is measured with 1 ms of error. Least squares over all pairs of n clips has an
    # error of 1 ms * sqrt(2 / n) for a difference (variance of a balanced paired comparison).
    count, errors = 20, []
    for _ in range(20):
        ties = [
            Tie(clip, other, tied(float(clip - other + 1e-3 * rng.standard_normal())))
            for clip, other in combinations(range(count), 2)
        ]
        findings = tie_together(ties, [str(index) for index in range(count)])
        steps = np.diff([finding.offset_s or 0.0 for finding in findings])
        errors.append(np.std(steps - 1.0))
    # Weights of misses beyond half a millisecond fall, which costs some of the gain.
    assert np.mean(errors) < 1.5e-3 * np.sqrt(2 / count)


def test_a_second_piece_is_told_apart() -> None:
    ties = [Tie(0, 1, tied(2.0)), Tie(2, 1, tied(1.0)), Tie(3, 4, tied(6.0))]
    findings = tie_together(ties, ["a", "b", "c", "d", "e", "f"])
    assert [finding.verdict for finding in findings] == ["sure"] * 3 + ["none"] * 3
    assert "except for e:" in findings[3].reason
    assert "another piece" in findings[4].reason
    assert "another piece" not in findings[5].reason


def test_nothing_in_common() -> None:
    assert [finding.verdict for finding in tie_together([], ["a", "b"])] == ["none", "none"]
