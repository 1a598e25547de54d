"""Placing clips by each other: shared or leaked sound, and one clock for all that it ties."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from syncvid.production.results import Finding
from syncvid.sync import reasons
from syncvid.timeline import PPM, Placement, Span

# Up to this many clips are laid against each other pair by pair; of more, each is laid against this
# many of the longest.
MOST_HUBS = 10

# Two ways around a circle of clips that differ by more than this contradict each other, in seconds.
CONTRADICTION_S = 0.020


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


def pairs(durations_s: Sequence[float]) -> list[tuple[int, int]]:
    """Return the pairs of clips that are worth a comparison.

    Parameters
    ----------
    durations_s : sequence of float
        Lengths of the clips; 0 for those without sound.

    Returns
    -------
    list of tuple of int
        The shorter clip of each pair first.

    Examples
    --------
    >>> pairs([10.0, 0.0, 30.0])
    [(0, 2)]
    """
    order = sorted(range(len(durations_s)), key=lambda index: -durations_s[index])
    order = [index for index in order if durations_s[index] > 0]
    return [
        (shorter, longer)
        for (rank, longer), (_, shorter) in combinations(enumerate(order), 2)
        if rank < MOST_HUBS
    ]


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
        One per clip; verdict ``none`` for clips outside of the largest group.
    """
    nothing = Finding("none", 0.6, reasons.NO_TIES)
    if not ties:
        return [nothing] * len(names)
    anchor = _anchor(ties, len(names))
    findings: dict[int, Finding] = {
        anchor: Finding(
            "sure", 1.0, reasons.ANCHOR, offset_s=0.0, drift_ppm=0.0, against=names[anchor]
        )
    }
    while True:
        open_ties = [tie for tie in ties if (tie.clip in findings) != (tie.other in findings)]
        if not open_ties:
            break
        best = max(open_ties, key=_trust)
        known, new = (best.other, best.clip) if best.other in findings else (best.clip, best.other)
        findings[new] = _joined(best, findings[known], names[known], new, names[anchor])
    for tie in ties:
        if tie.clip in findings and _contradicts(tie, findings):
            for index in (tie.clip, tie.other):
                findings[index] = _doubted(findings[index], index == anchor)
    return [findings.get(index, nothing) for index in range(len(names))]


def _trust(tie: Tie) -> tuple[bool, float]:
    """Return what to sort ties by."""
    return tie.finding.verdict == "sure", tie.finding.confidence


def _anchor(ties: Sequence[Tie], count: int) -> int:
    """Return the clip to which most others lock."""
    trust = [0.0] * count
    for tie in ties:
        for index in (tie.clip, tie.other):
            trust[index] += tie.finding.confidence * (2.0 if tie.finding.verdict == "sure" else 1.0)
    return max(range(count), key=lambda index: trust[index])


def _place(finding: Finding) -> Placement:
    """Return the placement of a finding that has one."""
    assert finding.offset_s is not None
    return Placement(finding.offset_s, finding.drift_ppm or 0.0)


def after(first: Placement, second: Placement) -> Placement:
    """Return the placement that maps through `first` and then through `second`.

    Examples
    --------
    >>> after(Placement(1.0), Placement(2.0, 0.0))
    Placement(offset_s=3.0, drift_ppm=0.0)
    """
    rate = first.rate * second.rate
    return Placement(second.to_reference(first.offset_s), round((rate - 1.0) / PPM, 9))


def inverse(placement: Placement) -> Placement:
    """Return the placement that undoes another."""
    return Placement(placement.to_clip(0.0), (1.0 / placement.rate - 1.0) / PPM)


def _joined(tie: Tie, known: Finding, through: str, new: int, anchor: str) -> Finding:
    """Return the finding of a clip that is tied to one whose place is known."""
    line = _place(tie.finding)
    forward = new == tie.clip
    line = after(line if forward else inverse(line), _place(known))
    sure = tie.finding.verdict == "sure" and known.verdict == "sure"
    spans: tuple[Span, ...] = ()
    if forward:
        shift_s = line.offset_s - _place(tie.finding).offset_s
        spans = tuple(
            Span(span.clip_from_s, span.clip_to_s, span.offset_s + shift_s, None)
            for span in tie.finding.spans
        )
    reason = tie.finding.reason
    if through != anchor:
        reason = f"By way of {through}: {reason}"
    return replace(
        tie.finding,
        verdict="sure" if sure else "check",
        confidence=tie.finding.confidence * known.confidence,
        reason=reason,
        offset_s=line.offset_s,
        drift_ppm=line.drift_ppm,
        against=anchor,
        spans=spans,
        votes=tie.finding.votes if forward and through == anchor else (),
        rivals=tie.finding.rivals if forward and through == anchor else (),
    )


def _contradicts(tie: Tie, findings: dict[int, Finding]) -> bool:
    """Return whether a tie disagrees with the places that were found."""
    if tie.finding.verdict != "sure":
        return False
    direct = after(_place(tie.finding), _place(findings[tie.other]))
    return abs(direct.offset_s - _place(findings[tie.clip]).offset_s) > CONTRADICTION_S


def _doubted(finding: Finding, anchor: bool) -> Finding:
    """Return a finding that is contradicted by another clip."""
    if anchor or finding.verdict != "sure":
        return finding
    return replace(
        finding,
        verdict="check",
        confidence=finding.confidence * 0.5,
        reason=f"{finding.reason} Another clip contradicts this place: please listen.",
    )
