"""Joining what different kinds of evidence say about one clip.

A place that is not sure by the clip's own sound may be confirmed, or another one proposed, by the
timing of the notes or by the guide in the background.  Two kinds that agree are sure together;
where they do not, the surer one is proposed and the other stays in view as a rival.
"""

from __future__ import annotations

from dataclasses import replace

from syncvid.production.results import Finding, Rival
from syncvid.sync import reasons

# Places by notes and by sound are the same up to this: players' timing differs from take to take.
SAME_BY_NOTES_S = 0.060

# The guide tells the beat; the player may be ahead of it or behind, and the mix may have moved the
# part.  A beat at 200 per minute is twice as long.
SAME_BY_GUIDE_S = 0.150

# A place that another kind of evidence favours is shown with this strength.
OTHER_STRENGTH = 0.9


def with_timing(found: Finding, timing: Finding | None) -> Finding:
    """Return a finding by sound, joined with one by the timing of the notes.

    Parameters
    ----------
    found : Finding
        By the clip's own sound; not sure.
    timing : Finding or None
        By its notes.

    Returns
    -------
    Finding
    """
    if timing is None:
        return found
    if found.placement is None or timing.placement is None:
        return timing if found.placement is None else found
    if _apart_s(found, timing) <= SAME_BY_NOTES_S:
        return _confirmed(found, timing, reasons.NOTES_AGREE)
    if timing.verdict == "sure":
        return _with_rival(timing, found)
    return _with_rival(found, timing)


def with_guide(found: Finding, guide: Finding) -> Finding:
    """Return a finding joined with one by the guide in the clip's background.

    Parameters
    ----------
    found : Finding
        By the clip's own sound or notes; not sure.
    guide : Finding
        Sure, and on the same reference: where the guide lies on the mix is known.

    Returns
    -------
    Finding
    """
    if found.placement is None:
        return replace(
            guide,
            verdict="check",
            confidence=min(guide.confidence, found.confidence),
            reason=reasons.GUIDE_ONLY,
            against=found.against,
            spans=(),
        )
    if _apart_s(found, guide) <= SAME_BY_GUIDE_S:
        return _confirmed(found, guide, reasons.GUIDE_AGREES)
    for rival in found.rivals:
        chosen = replace(found, offset_s=rival.offset_s, spans=())
        if _apart_s(chosen, guide) <= SAME_BY_GUIDE_S:
            left = tuple(other for other in found.rivals if other is not rival)
            return replace(
                chosen,
                verdict="sure",
                confidence=max(found.confidence, guide.confidence * rival.strength),
                reason=reasons.GUIDE_CHOOSES,
                rivals=(Rival(_offset_s(found), rival.strength), *left),
                votes=(),
            )
    return _with_rival(found, guide, reasons.GUIDE_DISAGREES)


def _offset_s(finding: Finding) -> float:
    """Return the offset of a finding that has one."""
    assert finding.offset_s is not None
    return finding.offset_s


def _apart_s(one: Finding, other: Finding) -> float:
    """Return how far two places lie apart, in seconds."""
    return abs(_offset_s(one) - _offset_s(other))


def _confirmed(found: Finding, other: Finding, reason: str) -> Finding:
    """Return a finding that other evidence agrees with."""
    sure = other.verdict == "sure"
    text = reasons.without_doubt(found.reason) if sure else found.reason
    return replace(
        found,
        verdict="sure" if sure else found.verdict,
        confidence=max(found.confidence, other.confidence),
        reason=f"{text} {reason}".strip(),
    )


def _with_rival(found: Finding, other: Finding, reason: str = "") -> Finding:
    """Return a finding with another place as its first rival, unless it is one already."""
    rivals = found.rivals
    place_s = _offset_s(other)
    if all(abs(rival.offset_s - place_s) > SAME_BY_NOTES_S for rival in rivals):
        rivals = (Rival(place_s, OTHER_STRENGTH), *rivals)
    return replace(found, rivals=rivals, reason=f"{found.reason} {reason}".strip())
