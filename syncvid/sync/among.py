"""One clock for clips that are tied to each other, pair by pair.

Ties form a graph.  Its largest connected group is the piece; one of its clips, the **anchor**, is
the zero.  First every clip gets a place by way of the most trusted ties, then all ties of the group
are solved together by weighted least squares, in which a tie that contradicts the others loses its
weight.  Clips of smaller groups belong together too, but not to this piece, and are told so.

References
----------
P. W. Holland and R. E. Welsch, "Robust regression using iteratively reweighted least-squares",
Communications in Statistics A6 (1977): the loss of weight in `_solve`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from syncvid.arrays import Floats
from syncvid.production.results import Finding
from syncvid.sync import reasons
from syncvid.timeline import PPM, Placement, Span

# Two ways around a circle of clips that differ by more than this contradict each other, in seconds.
CONTRADICTION_S = 0.020

# A tie that lies off by this much, in seconds, has half of the weight of one that fits.
HALF_WEIGHT_S = 0.5e-3

# Rounds of least squares; the weights settle in three or four.
ROUNDS = 8

# Weight of a tie that an ear should check, against one that is sure.
UNSURE_WEIGHT = 0.01

# How sure it is that a clip without any tie does not belong.
STRAY_CONFIDENCE = 0.6


@dataclass(frozen=True, slots=True)
class Tie:
    """One clip's place on another's clock.

    Attributes
    ----------
    clip, other : int
        Numbers of the clips: `clip` was laid against `other`.
    finding : Finding
        The place and its evidence.
    """

    clip: int
    other: int
    finding: Finding

    @property
    def sure(self) -> bool:
        """Whether it needs no ear."""
        return self.finding.verdict == "sure"

    @property
    def trust(self) -> tuple[bool, float]:
        """What to sort ties by."""
        return self.sure, self.finding.confidence


def tie_together(ties: Sequence[Tie], names: Sequence[str]) -> list[Finding]:
    """Put clips that are tied to each other on the clock of one of them.

    Parameters
    ----------
    ties : sequence of Tie
        All pairs that lock.
    names : sequence of str
        Names of the clips.

    Returns
    -------
    list of Finding
        One per clip; verdict ``none`` for clips outside of the largest group, with those that they
        fit together with in the reason.
    """
    findings = [Finding("none", STRAY_CONFIDENCE, reasons.NO_TIES)] * len(names)
    for rank, group in enumerate(groups(ties)):
        inside = [tie for tie in ties if tie.clip in group]
        if rank == 0:
            for index, finding in _one_clock(inside, names).items():
                findings[index] = finding
        else:
            for index in group:
                others = [names[other] for other in sorted(group - {index})]
                findings[index] = Finding(
                    "none", _best(inside, index).finding.confidence, reasons.of_other_piece(others)
                )
    return findings


def groups(ties: Sequence[Tie]) -> list[set[int]]:
    """Return the clips that hang together, the largest group first.

    Examples
    --------
    >>> tie = Finding("sure", 0.9, "", 0.0)
    >>> groups([Tie(0, 1, tie), Tie(4, 3, tie), Tie(2, 1, tie)])
    [{0, 1, 2}, {3, 4}]
    """
    found: list[set[int]] = []
    for tie in ties:
        pair = {tie.clip, tie.other}
        touching = [group for group in found if group & pair]
        found = [group for group in found if not group & pair]
        found.append(pair.union(*touching))
    return sorted(found, key=lambda group: (-len(group), min(group)))


def _one_clock(ties: Sequence[Tie], names: Sequence[str]) -> dict[int, Finding]:
    """Return the findings of one group of clips."""
    anchor = _anchor(ties)
    zero = Finding("sure", 1.0, reasons.ANCHOR, 0.0, 0.0, against=names[anchor])
    findings = {anchor: zero}
    while True:
        open_ties = [tie for tie in ties if (tie.clip in findings) != (tie.other in findings)]
        if not open_ties:
            break
        best = max(open_ties, key=lambda tie: tie.trust)
        known, new = (best.other, best.clip) if best.other in findings else (best.clip, best.other)
        findings[new] = _joined(best, findings[known], names[known], new, names[anchor])
    places = _solve(ties, {index: _place(finding) for index, finding in findings.items()}, anchor)
    findings = {index: _moved(finding, places[index]) for index, finding in findings.items()}
    return _with_doubts(ties, findings, places, anchor)


def _anchor(ties: Sequence[Tie]) -> int:
    """Return the clip to which most others lock."""
    trust: dict[int, float] = {}
    for tie in ties:
        for index in (tie.clip, tie.other):
            weight = tie.finding.confidence * (2.0 if tie.sure else 1.0)
            trust[index] = trust.get(index, 0.0) + weight
    return max(sorted(trust), key=lambda index: trust[index])


def _best(ties: Sequence[Tie], index: int) -> Tie:
    """Return the most trusted tie of a clip."""
    return max((tie for tie in ties if index in (tie.clip, tie.other)), key=lambda tie: tie.trust)


def _place(finding: Finding) -> Placement:
    """Return the placement of a finding that has one."""
    assert finding.offset_s is not None
    return Placement(finding.offset_s, finding.drift_ppm or 0.0)


def _joined(tie: Tie, known: Finding, through: str, new: int, anchor: str) -> Finding:
    """Return the finding of a clip that is tied to one whose place is known."""
    line = _place(tie.finding)
    forward = new == tie.clip
    line = (line if forward else line.inverse()).then(_place(known))
    direct = forward and through == anchor
    reason = tie.finding.reason
    return replace(
        tie.finding,
        verdict="sure" if tie.sure and known.verdict == "sure" else "check",
        confidence=tie.finding.confidence * known.confidence,
        reason=reason if through == anchor else f"By way of {through}: {reason}",
        offset_s=line.offset_s,
        drift_ppm=line.drift_ppm,
        against=anchor,
        spans=_moved_spans(tie.finding, line) if forward else (),
        votes=tie.finding.votes if direct else (),
        rivals=tie.finding.rivals if direct else (),
    )


def _moved(finding: Finding, place: Placement) -> Finding:
    """Return a finding at another place."""
    return replace(
        finding,
        offset_s=place.offset_s,
        drift_ppm=place.drift_ppm,
        spans=_moved_spans(finding, place),
    )


def _moved_spans(finding: Finding, place: Placement) -> tuple[Span, ...]:
    """Return a finding's spans, moved along with it."""
    shift_s = place.offset_s - _place(finding).offset_s
    return tuple(replace(span, offset_s=span.offset_s + shift_s) for span in finding.spans)


def _solve(ties: Sequence[Tie], places: dict[int, Placement], anchor: int) -> dict[int, Placement]:
    """Return the places that fit all ties best; the anchor stays where it is."""
    order = [index for index in places if index != anchor]
    column = {index: at for at, index in enumerate(order)}
    matrix = np.zeros((len(ties), len(order)))
    for row, tie in enumerate(ties):
        for index, sign in ((tie.clip, 1.0), (tie.other, -1.0)):
            if index != anchor:
                matrix[row, column[index]] = sign
    trust = np.array([1.0 if tie.sure else UNSURE_WEIGHT for tie in ties])
    weights = trust.copy()
    drifts: dict[int, float] = {}
    for _ in range(ROUNDS):
        # Rates multiply, so drifts of a few hundred millionths add up; offsets add once the clock
        # that they are counted on is known.
        ppm = np.array([_place(tie.finding).drift_ppm for tie in ties])
        drifts = {anchor: 0.0, **_least_squares(matrix, ppm, weights, order)}
        gaps_s = np.array(
            [_place(tie.finding).offset_s * (1.0 + drifts[tie.other] * PPM) for tie in ties]
        )
        offsets = {anchor: 0.0, **_least_squares(matrix, gaps_s, weights, order)}
        places = {index: Placement(offsets[index], drifts[index]) for index in places}
        misses_s = np.array([contradiction_s(tie, places) for tie in ties])
        weights = trust / (1.0 + (misses_s / HALF_WEIGHT_S) ** 2)
    return places


def _least_squares(
    matrix: Floats, values: Floats, weights: Floats, order: Sequence[int]
) -> dict[int, float]:
    """Return the weighted least-squares solution, one value per clip."""
    root = np.sqrt(weights)
    solution = np.linalg.lstsq(matrix * root[:, None], values * root, rcond=None)[0]
    return dict(zip(order, solution.tolist(), strict=True))


def contradiction_s(tie: Tie, places: dict[int, Placement]) -> float:
    """Return by how much a tie disagrees with the places that were found, in seconds."""
    direct = _place(tie.finding).then(places[tie.other])
    return abs(direct.offset_s - places[tie.clip].offset_s)


def _with_doubts(
    ties: Sequence[Tie], findings: dict[int, Finding], places: dict[int, Placement], anchor: int
) -> dict[int, Finding]:
    """Return the findings, less sure for clips that others contradict as often as they agree."""
    balance = dict.fromkeys(findings, 0)
    contradicted: set[int] = set()
    for tie in ties:
        if tie.sure:
            agrees = contradiction_s(tie, places) <= CONTRADICTION_S
            for index in (tie.clip, tie.other):
                balance[index] += 1 if agrees else -1
                contradicted |= set() if agrees else {index}
    doubtful = {index for index in contradicted if balance[index] <= 0 and index != anchor}
    return {
        index: _doubted(finding) if index in doubtful else finding
        for index, finding in findings.items()
    }


def _doubted(finding: Finding) -> Finding:
    """Return a finding that is contradicted by another clip."""
    if finding.verdict != "sure":
        return finding
    return replace(
        finding,
        verdict="check",
        confidence=finding.confidence * 0.5,
        reason=f"{finding.reason} {reasons.CONTRADICTED}",
    )
