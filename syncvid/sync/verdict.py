"""Judging evidence: when is a place sure, when must an ear decide, when is there nothing.

A place is **sure** only if many separate windows agree on it to half a millisecond, their sum
stands far above anything that chance gives, and no other place explains the same windows nearly as
well.
All three are ratios or standard deviations, measured on the clip itself, and hold for any music.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from syncvid.production.results import Finding, Rival
from syncvid.sync import reasons
from syncvid.sync.leak import LeakPlace
from syncvid.sync.waveform import HEARD_LEAST, Evidence
from syncvid.timeline import Span

# The best of all lines of unrelated music stays below 8 standard deviations (extreme value of some
# ten million lines: 6; tones in common add a little).  An ear is asked above 9, none from 12 on.
POSSIBLE = 9.0
CERTAIN = 12.0

# Fewer agreeing windows than this are no evidence at all, unless the clip has no more.
FEWEST_HEARD = 2

# Windows of two seconds that must agree, and their share among those in which the clip plays.
FEWEST_AGREE = 5
SHARE_AGREE = 0.4

# A rival up to this share of the evidence is the echo of the same music a note later.
RIVAL_SHARE = 0.6

# A repeated passage is told from its repetition if this many windows of four seconds decide for one
# and almost none against it.
FEWEST_DECIDED = 4

# A clip of which more than this share is in the mix twice, that far apart, was copied there: only
# the leader knows which of the two was recorded.
COPIED_SHARE = 0.5
COPY_S = 0.5

# Where a clip lies in two pieces at different offsets, nearly as long as each other, somebody must
# say which of them the picture is to follow.
DIVIDED = 0.9

# Windows that lie on the line scatter by less than this, in seconds.
SPREAD_S = 0.3e-3

# Presence (a log likelihood ratio) at a wrong place stays below 25; where another take of the same
# notes lies it reaches 100 with up to 4 windows that agree by chance.  What is heard gives 100 to
# 5000.  An ear is asked above the first, or above the second if so many windows agree; none from
# the third on.
HEARD_ALONE = 110.0
HEARD_POSSIBLE = 60.0
HEARD_CERTAIN = 150.0
HEARD_AGREE = 5

# Confidence grows with the evidence on this scale, and is cut where there is a doubt.
CERTAINTY_SCALE = 6.0
DISCOUNT = 0.56
RIVAL_DISCOUNT = 0.28

# A guide's leak: least evidence, and how much more of it than the next beat has, both as a ratio
# and as a difference in log likelihood (half the squared standard deviations).
LEAK_POSSIBLE = 13.0
LEAK_CERTAIN = 20.0
LEAK_RATIO = 1.05
LEAK_MARGIN = 40.0


def judge_waveform(evidence: Evidence, against: str) -> Finding | None:
    """Judge a place by the clip's own sound.

    Parameters
    ----------
    evidence : Evidence
        From `find_evidence`.
    against : str
        What the clip was laid against.

    Returns
    -------
    Finding or None
        None where nothing fits.
    """
    fewest = min(FEWEST_HEARD, max(1, evidence.count.playing))
    likely = evidence.score >= POSSIBLE and evidence.presence >= HEARD_LEAST
    agree = evidence.count.agreeing >= HEARD_AGREE
    possible = likely or evidence.presence >= (HEARD_POSSIBLE if agree else HEARD_ALONE)
    if not possible or evidence.count.agreeing < fewest:
        return None
    doubts = _doubts(evidence)
    certainty = (1 - math.exp(-evidence.score / CERTAINTY_SCALE)) * (
        1 - evidence.rival_share**2 / 2
    )
    repeats = "rival" in doubts or "copy" in doubts
    discount = 1.0 if not doubts else RIVAL_DISCOUNT if repeats else DISCOUNT
    return Finding(
        verdict="check" if doubts else "sure",
        confidence=certainty * discount,
        reason=reasons.of_waveform(evidence, doubts),
        offset_s=evidence.line.offset_s,
        drift_ppm=evidence.line.drift_ppm,
        against=against,
        spans=evidence.spans,
        votes=evidence.count.votes,
        rivals=_copies(evidence) if "copy" in doubts else evidence.rivals,
    )


def _copies(evidence: Evidence) -> tuple[Rival, ...]:
    """Return the other places at which the mix holds the same sound, before all other rivals."""
    offset_s = evidence.line.offset_s
    others = [span.offset_s for span in evidence.spans if abs(span.offset_s - offset_s) > COPY_S]
    return (*(Rival(other_s, 1.0) for other_s in others), *evidence.rivals)


def _doubts(evidence: Evidence) -> tuple[str, ...]:
    """Return what speaks against certainty, worst first."""
    count = evidence.count
    told_apart = evidence.decided >= max(FEWEST_DECIDED, evidence.contested // 2)
    heard = evidence.presence >= HEARD_CERTAIN and count.agreeing >= HEARD_AGREE
    enough = count.agreeing >= max(FEWEST_AGREE, SHARE_AGREE * count.playing)
    found = {
        "copy": _copied_share(evidence.spans) > COPIED_SHARE,
        "rival": evidence.rival_share > RIVAL_SHARE and not told_apart,
        "divided": evidence.divided > DIVIDED,
        "weak": evidence.score < CERTAIN and not heard,
        "few": not enough and not heard,
        "spread": evidence.spread_s > SPREAD_S and not (heard and math.isinf(evidence.spread_s)),
    }
    return tuple(name for name, doubtful in found.items() if doubtful)


def _copied_share(spans: Sequence[Span]) -> float:
    """Return which share of what is heard of a clip is in the mix at two places or more."""
    edges = sorted({edge for span in spans for edge in (span.clip_from_s, span.clip_to_s)})
    heard = copied = 0.0
    for from_s, to_s in pairwise(edges):
        times = sum(span.clip_from_s <= from_s and to_s <= span.clip_to_s for span in spans)
        heard += (to_s - from_s) * (times > 0)
        copied += (to_s - from_s) * (times > 1)
    return copied / heard if heard else 0.0


def judge_leak(places: tuple[LeakPlace, ...], against: str) -> Finding | None:
    """Judge a place by the guide that leaks into the clip.

    Parameters
    ----------
    places : tuple of LeakPlace
        From `find_leak`.
    against : str
        What the clip was laid against.

    Returns
    -------
    Finding or None
        None where the guide is not to be heard.
    """
    if not places or places[0].score < LEAK_POSSIBLE:
        return None
    best = places[0]
    second = places[1].score if len(places) > 1 else 0.0
    margin = (best.score**2 - second**2) / 2
    sure = (
        best.score >= LEAK_CERTAIN and best.score >= LEAK_RATIO * second and margin >= LEAK_MARGIN
    )
    confidence = 1 - 0.5 * math.exp(-margin / LEAK_MARGIN)
    return Finding(
        verdict="sure" if sure else "check",
        confidence=confidence if sure else 0.6 * confidence,
        reason=reasons.of_leak(sure=sure),
        offset_s=best.line.offset_s,
        drift_ppm=best.line.drift_ppm,
        against=against,
        rivals=reasons.leak_rivals(places),
    )
