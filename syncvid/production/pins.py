"""Pins: what the user has settled about a take in ``production.toml``.

A pin wins over what sync finds.  It changes no search: it is laid over the finding whenever the
finding is read.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from syncvid.production.plan import PLAN_FILE, Take
from syncvid.production.results import Finding, Vote
from syncvid.timeline import Placement

# A pin this close to a place that sync found means that place, whose drift it then takes over.
SAME_PLACE_S = 0.050

# Stretches that sync found hold for a pin that is no further from them than a tenth of the
# shortest note; a vote that is no further from the pinned line speaks for it.
_AGREES_S = 0.005


@dataclass(frozen=True, slots=True)
class Pin:
    """A take's place as the user has settled it.

    Attributes
    ----------
    offset_s : float or None
        Reference time of clip time 0; None: the take is not in the piece.
    drift_ppm : float or None
        Its drift; None: as sync found it, if sync found this place.
    """

    offset_s: float | None = None
    drift_ppm: float | None = None


def pin_of(take: Take) -> Pin | None:
    """Return the pin of a take of the plan, or None where the user leaves it to sync."""
    if take.offset_s is None and not take.not_in_piece:
        return None
    return Pin(take.offset_s, take.drift_ppm)


def pinned(finding: Finding, pin: Pin | None) -> Finding:
    """Lay a pin over what sync found.

    Parameters
    ----------
    finding : Finding
        As sync found it.
    pin : Pin or None
        What the user has settled; None changes nothing.

    Returns
    -------
    Finding
        Marked as pinned.  Its votes are those that were found, judged by the pinned line.
    """
    if pin is None:
        return finding
    if pin.offset_s is None:
        return replace(
            finding,
            verdict="none",
            confidence=1.0,
            reason=f"You have settled in {PLAN_FILE} that it is not in this piece.",
            offset_s=None,
            drift_ppm=None,
            spans=(),
            rivals=(),
            pinned=True,
        )
    place = Placement(pin.offset_s, _drift_ppm(finding, pin, pin.offset_s))
    found = finding.placement
    same = found is not None and abs(found.offset_s - place.offset_s) < _AGREES_S
    return replace(
        finding,
        verdict="sure",
        confidence=1.0,
        reason=_reason(place, found, same=same),
        offset_s=place.offset_s,
        drift_ppm=place.drift_ppm,
        spans=finding.spans if same else (),
        votes=tuple(_judged(vote, place) for vote in finding.votes),
        rivals=(),
        pinned=True,
    )


def _drift_ppm(finding: Finding, pin: Pin, offset_s: float) -> float:
    """Return the drift at a pinned place: as stated, or as sync found it there."""
    if pin.drift_ppm is not None:
        return pin.drift_ppm
    places = [rival.offset_s for rival in finding.rivals]
    if finding.offset_s is not None:
        places.append(finding.offset_s)
    known = any(abs(place_s - offset_s) < SAME_PLACE_S for place_s in places)
    return (finding.drift_ppm or 0.0) if known else 0.0


def _reason(place: Placement, found: Placement | None, *, same: bool) -> str:
    """Say that the user settled a place, and what sync would have said."""
    text = f"Pinned by you at {place.offset_s:.3f} s in {PLAN_FILE}"
    if found is None:
        return f"{text}; by its sound it has no place."
    if same:
        return f"{text}; its sound says the same."
    return f"{text}; by its sound it would start at {found.offset_s:.3f} s."


def _judged(vote: Vote, place: Placement) -> Vote:
    """Return a vote as it stands to the pinned line."""
    away_s = vote.clip_s + vote.lag_s - place.to_reference(vote.clip_s)
    return replace(vote, agrees=abs(away_s) < _AGREES_S)
