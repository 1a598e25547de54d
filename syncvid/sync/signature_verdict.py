"""Judging a clip whose guide has a signature: what it says, joined with all other evidence.

A signature that was read is an error-correcting codeword: that it is there by chance, or says
something else, need not be reckoned with.  What must be is all that may happen after it.  So it is
sure together with clicks, claps or notes that say the same, or if the clip goes on long enough to
hold the whole guide from there; otherwise an ear must decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from syncvid.production.beats import practice_speed
from syncvid.production.results import Finding, HeardGuide, Rival
from syncvid.signals.cue import FoundSignature
from syncvid.sync import reasons
from syncvid.sync.guide_verdict import (
    CLAPS_NOTE_NATS,
    CLICKS_CERTAIN,
    CLICKS_FAINT,
    MARGIN_NATS,
    Reading,
)
from syncvid.sync.signatures import HeardSignatures
from syncvid.timeline import Placement

# Signature and clicks put a clip at the same place up to this, in seconds; claps are less exact.
SAME_BY_CLICKS_S = 0.020
SAME_BY_CLAPS_S = 0.100

# Confidence of a place by a signature that something else confirms, that nothing contradicts, and
# that must be asked about; of a clip that heard another guide; of one that heard another version.
CONFIRMED = 0.995
UNDISTURBED = 0.97
ASKED = 0.75
ANOTHER_GUIDE = 0.95

# A clip from the signature on holds the whole guide if it is as long but for this share.
WHOLE_SHARE = 0.9

# Notes that fit this badly say that the music lies elsewhere: per note, for so many notes at least.
AGAINST_PER_NOTE = -0.15
FEWEST_AGAINST = 12

# A clip whose clock is further from the guide's than this runs at another speed.
USUAL_PPM = 1000.0

RIVAL_STRENGTH = 0.5


@dataclass(frozen=True, slots=True)
class Support:
    """What else is known at the place of a signature.

    Attributes
    ----------
    readings : tuple of Reading
        Places by clicks.
    claps_s : tuple of float
        Offsets at which claps put the clip.
    note_nats, notes : float, int
        What the notes say at the place of the signature, and how many there are.
    guide_s : float
        Length of the guide.
    """

    readings: tuple[Reading, ...] = ()
    claps_s: tuple[float, ...] = ()
    note_nats: float = 0.0
    notes: int = 0
    guide_s: float = 0.0


def judge_signature(heard: HeardSignatures, found: Finding | None, support: Support) -> Finding:
    """Join what a signature says with what was found without it.

    Parameters
    ----------
    heard : HeardSignatures
        The signatures in the clip.
    found : Finding or None
        By everything else; None where nothing else was found.
    support : Support
        What is known at the signature's place.

    Returns
    -------
    Finding
        With the guide that was heard.
    """
    if not heard.own:
        judged = _of_another(heard, found)
    else:
        judged = _confirmed(heard, support) or _alone(heard, found, support)
    return replace(judged, heard_guide=heard_guide(heard))


def heard_guide(heard: HeardSignatures) -> HeardGuide:
    """Return which guide a clip heard."""
    return HeardGuide(heard.last.guide, heard.last.version)


def with_other_guide(finding: Finding, heard: HeardSignatures, *, own_sound: bool) -> Finding:
    """Return a finding against the mix of a clip whose signature is that of another guide.

    Parameters
    ----------
    finding : Finding
        Where the clip lies on the mix.
    heard : HeardSignatures
        What it heard: no signature of this guide and version.
    own_sound : bool
        Whether its own sound is plainly in the mix: then it belongs there whatever it heard.
    """
    doubtful = finding.verdict == "sure" and not own_sound
    return replace(
        finding,
        verdict="check" if doubtful else finding.verdict,
        confidence=min(ASKED, finding.confidence) if doubtful else finding.confidence,
        reason=f"{finding.reason} {_other_guide(heard)}",
    )


def _other_guide(heard: HeardSignatures) -> str:
    """Say which other guide or version was heard."""
    known, last = heard.known, heard.last
    if last.guide == known.guide:
        return reasons.of_other_version(last.version, known.version)
    speed = practice_speed(known.guide, last.guide)
    return reasons.OTHER_GUIDE if speed is None else reasons.of_practice(speed)


def _of_another(heard: HeardSignatures, found: Finding | None) -> Finding:
    """Judge a clip that heard another guide, or another version of this one."""
    reason = _other_guide(heard)
    by_clicks = found is not None and found.verdict == "sure" and found.placement is not None
    if found is None or not by_clicks:
        return Finding("none", ANOTHER_GUIDE, reason, against="guide")
    place = heard.place_of(heard.last)
    fits = reasons.FITS_ALL_THE_SAME
    rivals = found.rivals
    if not _says_the_same(found, place, heard.clip_s):
        fits, rivals = reasons.FITS_ELSEWHERE, (Rival(place.offset_s, RIVAL_STRENGTH), *rivals)
    return replace(
        found,
        verdict="check",
        confidence=min(ASKED, found.confidence),
        reason=f"{reason} {fits}",
        rivals=rivals,
    )


def _confirmed(heard: HeardSignatures, support: Support) -> Finding | None:
    """Return the place of a signature at which clicks are heard as well; the last one first."""
    for one in reversed(heard.own):
        place = heard.place_of(one)
        near = [
            reading
            for reading in support.readings
            if _apart_s(reading.place.line, place, heard.clip_s) < SAME_BY_CLICKS_S
            and reading.place.height >= CLICKS_FAINT
            and reading.place.nats > support.readings[0].place.nats - MARGIN_NATS
        ]
        if near:
            line = max(near, key=lambda reading: reading.nats).place.line
            starts = reasons.of_starts(len(heard.own)) if one is heard.own[-1] else ""
            told = f"{reasons.SIGNATURE} {reasons.CLICKS_FIT} {starts}".strip()
            return _at(line, "sure", CONFIRMED, told)
    return None


def _alone(heard: HeardSignatures, found: Finding | None, support: Support) -> Finding:
    """Judge a place by a signature at which no clicks are heard."""
    last = heard.own[-1]
    place = heard.place_of(last)
    started = reasons.of_starts(len(heard.own))
    rivals = tuple(
        Rival(heard.place_of(one).offset_s, RIVAL_STRENGTH) for one in reversed(heard.own[:-1])
    )
    elsewhere = _elsewhere(found, place, heard.clip_s, support.readings)
    if elsewhere is not None and elsewhere.offset_s is not None:
        return replace(
            elsewhere,
            verdict="check",
            confidence=min(ASKED, elsewhere.confidence),
            reason=reasons.SIGNATURE_ELSEWHERE,
            rivals=(Rival(place.offset_s, RIVAL_STRENGTH), *elsewhere.rivals),
        )
    if abs(last.drift_ppm) > USUAL_PPM:
        return _at(place, "check", ASKED, f"{reasons.SIGNATURE} {reasons.OTHER_SPEED}", rivals)
    if support.notes >= FEWEST_AGAINST and support.note_nats < AGAINST_PER_NOTE * support.notes:
        return _at(place, "check", ASKED, f"{reasons.SIGNATURE} {reasons.NOTES_AGAINST}", rivals)
    supported = (
        support.note_nats >= CLAPS_NOTE_NATS
        or any(abs(at_s - place.offset_s) < SAME_BY_CLAPS_S for at_s in support.claps_s)
        or _says_the_same(found, place, heard.clip_s)
    )
    if supported:
        return _at(place, "sure", CONFIRMED, f"{reasons.SIGNATURE} {started}".strip(), rivals)
    if _is_whole(heard, last, support.guide_s):
        return _at(place, "sure", UNDISTURBED, f"{reasons.SIGNATURE} {started}".strip(), rivals)
    return _at(place, "check", ASKED, f"{reasons.SIGNATURE} {reasons.NOTHING_ELSE}", rivals)


def _says_the_same(found: Finding | None, place: Placement, clip_s: float) -> bool:
    """Return whether a finding puts a clip at a place as well."""
    known = None if found is None else found.placement
    return known is not None and _apart_s(known, place, clip_s) < SAME_BY_CLAPS_S


def _elsewhere(
    found: Finding | None, place: Placement, clip_s: float, readings: Sequence[Reading]
) -> Finding | None:
    """Return a finding that contradicts a signature: clicks that are clearly heard elsewhere."""
    if found is None or found.placement is None:
        return None
    apart = _apart_s(found.placement, place, clip_s) > SAME_BY_CLAPS_S
    clear = not readings or readings[0].place.height >= CLICKS_CERTAIN
    return found if apart and (found.verdict == "sure" and clear) else None


def _is_whole(heard: HeardSignatures, last: FoundSignature, guide_s: float) -> bool:
    """Return whether the clip goes on for about as long as the guide does."""
    return heard.clip_s - last.at_s >= WHOLE_SHARE * (guide_s - heard.known.at_s)


def _apart_s(one: Placement, other: Placement, clip_s: float) -> float:
    """Return how far two places lie apart, where they do so most."""
    return max(abs(one.to_reference(at_s) - other.to_reference(at_s)) for at_s in (0.0, clip_s))


def _at(
    place: Placement, verdict: str, confidence: float, reason: str, rivals: tuple[Rival, ...] = ()
) -> Finding:
    """Return a finding at a place on the guide."""
    return Finding(
        verdict="sure" if verdict == "sure" else "check",
        confidence=confidence,
        reason=reason,
        offset_s=place.offset_s,
        drift_ppm=place.drift_ppm,
        against="guide",
        rivals=() if verdict == "sure" else rivals,
    )
