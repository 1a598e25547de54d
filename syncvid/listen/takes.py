"""Ranking the takes of a part: which one is shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from syncvid.production.results import ClipSync, Levels


@dataclass(frozen=True, slots=True)
class Candidate:
    """A take that could be shown: what sync found, what its sound is like, what the user says."""

    sync: ClipSync
    levels: Levels | None
    use: bool = False


def choose_take(candidates: Sequence[Candidate]) -> int | None:
    """Choose which take of a part is shown.

    The user's choice wins; then a sure place over an unsure one, then the take that is heard
    longest in the reference, then the one with the least overload.

    Parameters
    ----------
    candidates : sequence of Candidate
        The takes of one part.

    Returns
    -------
    int or None
        Index of the chosen take; None where no take has a place.
    """
    placed = [at for at, take in enumerate(candidates) if take.sync.finding.placement]
    return max(placed, key=lambda at: _rank(candidates[at], -at), default=None)


def _rank(candidate: Candidate, earlier: int) -> tuple[bool, bool, float, float, int]:
    """Return what takes are compared by, most important first."""
    finding = candidate.sync.finding
    heard_s = sum(span.length_s for span in finding.spans)
    if finding.pinned and not finding.spans:
        heard_s = candidate.sync.duration_s or 0.0
    clipped = candidate.levels.clipped_share if candidate.levels else 0.0
    sure = finding.verdict == "sure"
    return candidate.use, sure, round(heard_s), -round(clipped, 4), earlier
