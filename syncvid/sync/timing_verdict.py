"""Judging a place by musical timing alone.

The limits rest on 1,260 clips laid against music that is not theirs (400 of them in the same tempo,
metre and key, played to one steady click), on 61 laid against their own piece in another key, and
on 380 other takes of 103 invented pieces, none of which is among the practice cases.
"""

from __future__ import annotations

import math

from syncvid.production.results import Finding, Rival
from syncvid.sync import reasons
from syncvid.sync.by_timing import TimingEvidence

# A proposal: least evidence, share of the passages that agree, and share of the clip's onsets that
# must meet the reference.  Of the 1,260 wrong ones 14 got through, all in the same tempo and key.
POSSIBLE = 9.0
MOST_AGREE = 0.5
LEAST_INSIDE = 0.4

# Besides, it must either beat the next best place by this much,
UNIQUE_SHARE = 1 / 1.2
UNIQUE_LEAD = 0.8

# or be one of a few repeats of the same music: then the sixth best place lies far below, and so
# many of the notes are found.
REPEATS = 5
REPEAT_SHARE = 0.65
REPEAT_MATCHED = 0.4

# A place is sure from here on.  The nearest of the wrong ones reached 0.7 of all three limits that
# scale, and passed the others; extrapolating the tail, one wrong pair in a million passes all.
CERTAIN = 14.0
CERTAIN_SHARE = 1 / 1.6
CERTAIN_LEAD = 2.5
CERTAIN_AGREE = 0.7
CERTAIN_INSIDE = 0.5

# A short phrase may return in any piece: notes, and seconds from the first to the last of them.
CERTAIN_NOTES = 12
CERTAIN_LENGTH_S = 25.0

# How well the common lag must be known: standard error, and difference of two ways to read it.  Of
# 298 other takes none that was off by more than 40 ms passed both.
CERTAIN_ERROR_S = 0.008
CERTAIN_APART_S = 0.015

# Parts that move in parallel make a clip fit a fifth or a fourth away as well, by its neighbour's
# notes: there only this share of the evidence counts.
PARALLEL = 0.6
PARALLEL_KEYS = (-7, -5, 5, 7)

# Another key beats the clip's own by this much, and its own next best place by the second, before
# it is believed, and told.
OTHER_KEY = 1.2
KEY_TOLD_SHARE = 0.7

# A place whose rival is this much weaker, in standard deviations, is e times as likely.
LIKELY_SCALE = 1.5

# Confidence at most, and what doubts leave of it.
MOST_CONFIDENCE = 0.98
HIDDEN_DISCOUNT = 0.85
FEW_DISCOUNT = 0.9

# How sure it is that a clip that fits in another key does not belong.
OTHER_KEY_CONFIDENCE = 0.9

# Rivals that are worth showing, and how many.
RIVAL_LEAST = 0.5
MOST_RIVALS = 5


def judge_timing(evidence: TimingEvidence | None, against: str) -> Finding | None:
    """Judge a place by musical timing alone.

    Parameters
    ----------
    evidence : TimingEvidence or None
        From `find_by_timing`.
    against : str
        What the clip was laid against.

    Returns
    -------
    Finding or None
        None where no place clearly stands out.  A finding without a place where the clip fits in
        another key only.
    """
    if evidence is None:
        return None
    key, share = _other_key(evidence)
    if share > OTHER_KEY:
        return _in_other_key(evidence, key, against)
    if not _is_possible(evidence):
        return None
    doubts = _doubts(evidence)
    return Finding(
        verdict="check" if doubts else "sure",
        confidence=_confidence(evidence, doubts),
        reason=reasons.of_timing(evidence, against, doubts),
        offset_s=evidence.placement.offset_s,
        drift_ppm=evidence.placement.drift_ppm,
        against=against,
        votes=evidence.votes,
        rivals=_worth_showing(evidence),
    )


def _other_key(evidence: TimingEvidence) -> tuple[int, float]:
    """Return the best other key, and its evidence as a share of that in the clip's own key."""
    weighed = {
        key: other.score * (PARALLEL if key in PARALLEL_KEYS else 1.0)
        for key, other in evidence.keys.items()
    }
    best = max(weighed, key=lambda key: weighed[key])
    return best, weighed[best] / max(evidence.score, 1e-9)


def _in_other_key(evidence: TimingEvidence, key: int, against: str) -> Finding | None:
    """Return that a clip fits in another key only, or None if that is not clear."""
    other = evidence.keys[key]
    if other.score < CERTAIN or other.rival > KEY_TOLD_SHARE * other.score:
        return None
    return Finding(
        "none", OTHER_KEY_CONFIDENCE, reasons.of_other_key(against, key), against=against
    )


def _is_possible(evidence: TimingEvidence) -> bool:
    """Return whether a place is worth a proposal."""
    passages, pairs = evidence.passages, evidence.pairs
    if (
        evidence.score < POSSIBLE
        or passages.agreeing.sum() < max(1.0, MOST_AGREE * passages.count)
        or evidence.inside < LEAST_INSIDE
    ):
        return False
    unique = evidence.rival_share <= UNIQUE_SHARE and passages.lead >= UNIQUE_LEAD
    beyond = evidence.rivals[REPEATS].strength if len(evidence.rivals) > REPEATS else 0.0
    repeated = beyond < REPEAT_SHARE and pairs.count >= REPEAT_MATCHED * len(pairs.matched)
    return unique or repeated


def _doubts(evidence: TimingEvidence) -> tuple[str, ...]:
    """Return what speaks against certainty, worst first."""
    passages, pairs = evidence.passages, evidence.pairs
    clear = evidence.rival_share <= CERTAIN_SHARE and passages.lead >= CERTAIN_LEAD
    found = {
        "rival": evidence.rival_share > UNIQUE_SHARE,
        "weak": not clear
        or evidence.score < CERTAIN
        or bool(passages.agreeing.sum() < CERTAIN_AGREE * passages.count)
        or evidence.inside < CERTAIN_INSIDE
        or max(other.score for other in evidence.keys.values()) > evidence.score,
        "few": pairs.count < CERTAIN_NOTES or pairs.length_s < CERTAIN_LENGTH_S,
        "hidden": pairs.error_s > CERTAIN_ERROR_S or evidence.apart_s > CERTAIN_APART_S,
    }
    return tuple(name for name, doubtful in found.items() if doubtful)


def _confidence(evidence: TimingEvidence, doubts: tuple[str, ...]) -> float:
    """Return how likely the place is the right one, to 40 ms."""
    behind = [(1.0 - rival.strength) * evidence.score for rival in evidence.rivals]
    place = 1.0 / (1.0 + sum(math.exp(-gap / LIKELY_SCALE) for gap in behind))
    hidden = HIDDEN_DISCOUNT if "hidden" in doubts else 1.0
    few = FEW_DISCOUNT if {"few", "weak"} & set(doubts) else 1.0
    return MOST_CONFIDENCE * place * hidden * few


def _worth_showing(evidence: TimingEvidence) -> tuple[Rival, ...]:
    """Return the rivals that an ear should compare."""
    strong = [rival for rival in evidence.rivals if rival.strength >= RIVAL_LEAST]
    return tuple(strong[:MOST_RIVALS])
