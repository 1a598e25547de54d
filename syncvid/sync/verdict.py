"""Judging evidence: when is a place sure, when must an ear decide, when is there nothing.

A place is **sure** only if many separate windows agree on it to half a millisecond, their sum
stands far above anything that chance gives, and no other place explains the same windows nearly as
well.
All three are ratios or standard deviations, measured on the clip itself, and hold for any music.
"""

from __future__ import annotations

import math

from syncvid.production.results import Finding, Rival
from syncvid.sync import reasons
from syncvid.sync.leak import LeakPlace
from syncvid.sync.rhythm import Rhythm
from syncvid.sync.waveform import HEARD_LEAST, Evidence

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

# Timing alone: windows of ten seconds that agree, as a number and as a share, and how much better
# the best place is than the next.  Of some 600 clips laid against music that is not theirs, one
# passed all four.
RHYTHM_AGREE = 4
RHYTHM_SHARE = 0.45
RHYTHM_STRENGTH = 6.0
RHYTHM_RATIO = 1.2
RHYTHM_CONFIDENCE = 0.35


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
    discount = 1.0 if not doubts else RIVAL_DISCOUNT if "rival" in doubts else DISCOUNT
    return Finding(
        verdict="check" if doubts else "sure",
        confidence=certainty * discount,
        reason=reasons.of_waveform(evidence, doubts),
        offset_s=evidence.line.offset_s,
        drift_ppm=evidence.line.drift_ppm,
        against=against,
        spans=evidence.spans,
        votes=evidence.count.votes,
        rivals=evidence.rivals,
    )


def _doubts(evidence: Evidence) -> tuple[str, ...]:
    """Return what speaks against certainty, worst first."""
    count = evidence.count
    told_apart = evidence.decided >= max(FEWEST_DECIDED, evidence.contested // 2)
    heard = evidence.presence >= HEARD_CERTAIN and count.agreeing >= HEARD_AGREE
    enough = count.agreeing >= max(FEWEST_AGREE, SHARE_AGREE * count.playing)
    found = {
        "rival": evidence.rival_share > RIVAL_SHARE and not told_apart,
        "divided": evidence.divided > DIVIDED,
        "weak": evidence.score < CERTAIN and not heard,
        "few": not enough and not heard,
        "spread": evidence.spread_s > SPREAD_S and not (heard and math.isinf(evidence.spread_s)),
    }
    return tuple(name for name, doubtful in found.items() if doubtful)


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


def judge_rhythm(rhythm: Rhythm, against: str) -> Finding | None:
    """Judge a place by musical timing alone: never sure.

    Parameters
    ----------
    rhythm : Rhythm
        From `compare_onsets`.
    against : str
        What the clip was laid against.

    Returns
    -------
    Finding or None
        None where no place clearly stands out.
    """
    stands_out = (
        rhythm.strength >= RHYTHM_STRENGTH and rhythm.strength >= RHYTHM_RATIO * rhythm.rival
    )
    enough = max(RHYTHM_AGREE, RHYTHM_SHARE * rhythm.windows)
    if not stands_out or rhythm.agreeing < enough:
        return None
    return Finding(
        verdict="check",
        confidence=RHYTHM_CONFIDENCE * rhythm.agreeing / rhythm.windows,
        reason=reasons.of_rhythm(rhythm, against),
        offset_s=rhythm.offset_s,
        drift_ppm=0.0,
        against=against,
        rivals=(Rival(rhythm.rival_s, min(1.0, max(0.0, rhythm.rival / rhythm.strength))),),
    )
