"""Sentences for the user: which evidence decided."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from syncvid.production.results import Rival
from syncvid.sync.leak import LeakPlace
from syncvid.sync.rhythm import Rhythm
from syncvid.sync.waveform import Evidence
from syncvid.timeline import Span, clock_text

SILENT = "There is no sound in this clip."
TOO_SHORT = "The clip is too short to be placed by its sound."
TOO_FAST = (
    "It fits only when played 8.8 % slower: its sound was taken at 44.1 kHz but is labelled "
    "48 kHz. Convert it, then try again."
)
TOO_SLOW = (
    "It fits only when played 8.8 % faster: its sound was taken at 48 kHz but is labelled "
    "44.1 kHz. Convert it, then try again."
)
TWICE_TOO_FAST = "It fits only when played at half the speed. Convert it, then try again."
TWICE_TOO_SLOW = "It fits only when played at double speed. Convert it, then try again."
PICTURES_FAST = "It runs 0.1 % fast, as 29.97 pictures a second that are taken for 30."
PICTURES_SLOW = "It runs 0.1 % slow, as 30 pictures a second that are taken for 29.97."
NO_REFERENCE = "There is no sound in the {reference}."
ANCHOR = "The other clips are laid against this one."
ONLY = "This is the only clip, so its own start is the zero."
NO_TIES = "This clip shares no sound with the others: give the finished mix or the guide track."

# How to say by how many times one place beats another.
TIMES = {
    2: "half as much",
    3: "three times less",
    4: "four times less",
    5: "five times less",
    6: "six times less",
    7: "seven times less",
    8: "eight times less",
}

# Rivals that are worth showing, and how many.
RIVAL_LEAST = 0.5
MOST_RIVALS = 5


# Offsets that differ by less are one, in seconds; a span's own drift beyond this is a stretch.
SAME_S = 1e-3
STRETCHED_PPM = 1000.0


def of_waveform(evidence: Evidence, doubts: Sequence[str]) -> str:
    """Say why a clip lies where its own sound puts it."""
    count = f"{evidence.count.agreeing} of {evidence.count.playing} windows agree"
    if evidence.spread_s < 1e-3:
        count += f" to {max(evidence.spread_s * 1e3, 0.1):.1f} ms"
    text = f"{count}; {_next_best(evidence)}."
    if len(evidence.spans) > 1:
        text += f" {_edited(evidence)}"
    if "rival" in doubts:
        text += f" A repeat fits as well, {_elsewhere(evidence)}: listen which one it is."
    elif "divided" in doubts:
        text += " Both pieces are about as long: please listen which one the picture should follow."
    elif "weak" in doubts or "few" in doubts:
        text += " That is little evidence: please listen."
    elif "spread" in doubts:
        text += " The windows scatter more than one recording should: please listen."
    return text


def _next_best(evidence: Evidence) -> str:
    """Say how the next best place compares."""
    share = evidence.rival_share
    if share <= 0.0:
        return "no other place scores at all"
    if share > 0.87:
        return "the next best place scores almost as much"
    if share > 0.57:
        return "the next best place scores a little less"
    return f"the next best place scores {TIMES.get(round(1 / share), 'far less')}"


def _elsewhere(evidence: Evidence) -> str:
    """Say where the strongest rival lies."""
    rival = evidence.rivals[0]
    away_s = rival.offset_s - evidence.line.offset_s
    return f"{clock_text(abs(away_s))} {'later' if away_s > 0 else 'earlier'}"


def _edited(evidence: Evidence) -> str:
    """Say that the mix holds the clip in pieces."""
    drift_ppm = evidence.line.drift_ppm
    stretched = [span for span in evidence.spans if span.drift_ppm is not None]
    steep = [span for span in stretched if abs((span.drift_ppm or 0.0) - drift_ppm) > STRETCHED_PPM]
    if steep:
        per_cent = ((steep[0].drift_ppm or 0.0) - drift_ppm) * 1e-4
        at = clock_text(steep[0].clip_from_s)
        return f"In the mix a phrase was stretched by {per_cent:+.1f} % (at {at} in the clip)."
    far = [span for span in evidence.spans if abs(span.offset_s - evidence.line.offset_s) >= SAME_S]
    if not far:
        return stretches(len(evidence.spans))
    steps = _steps(evidence.spans)
    if steps:
        return " ".join(steps)
    moved_ms = [(span.offset_s - evidence.line.offset_s) * 1e3 for span in far]
    if max(map(abs, moved_ms)) >= 1000:
        return "The mix was cut: parts of the clip lie elsewhere in it."
    shifts = ", ".join(f"{moved:+.0f} ms" for moved in moved_ms[:3])
    return f"In the mix a phrase was moved ({shifts})."


def stretches(count: int) -> str:
    """Say that the mix holds a clip in a few stretches, at one offset."""
    return f"The mix holds {count} stretches of it." if count > 1 else ""


def _steps(spans: Sequence[Span]) -> list[str]:
    """Say where the lag changes for good: something is missing in the clip, or in the mix.

    None where it changes back, as it does for a phrase that was moved.
    """
    offsets = [spans[0].offset_s]
    told = []
    for before, after in pairwise(spans):
        step_s = after.offset_s - before.offset_s
        if abs(step_s) < SAME_S:
            continue
        if any(abs(after.offset_s - seen) < SAME_S for seen in offsets):
            return []
        offsets.append(after.offset_s)
        at = clock_text(min(before.clip_to_s, after.clip_from_s))
        if step_s > 0:
            told.append(f"{step_s:.3f} s are missing in the clip at {at}.")
        else:
            told.append(f"The clip has {-step_s:.3f} s at {at} that are not in the mix.")
    return told


def of_leak(*, sure: bool) -> str:
    """Say why a clip lies where the guide in its background puts it."""
    if sure:
        return "The guide's clicks can be heard in the background; only here do all of them fit."
    return (
        "The guide's clicks can be heard in the background, but another beat fits about as well: "
        "please listen which bar it is."
    )


def leak_rivals(places: Sequence[LeakPlace]) -> tuple[Rival, ...]:
    """Return other beats on which the guide's clicks fit."""
    best = places[0].score
    return tuple(
        Rival(place.line.offset_s, min(1.0, place.score / best))
        for place in places[1 : MOST_RIVALS + 1]
        if place.score > RIVAL_LEAST * best
    )


def of_nothing(reference: str) -> str:
    """Say that a clip fits nowhere."""
    if reference == "guide":
        return "The guide is not to be heard in this clip, so its place cannot be told from it."
    return f"Nothing in this clip fits the {reference}: other music, talk, or another take."


def of_rhythm(rhythm: Rhythm, reference: str) -> str:
    """Say that only the timing of the notes fits."""
    return (
        f"The sound itself is not in the {reference}, but the notes fall together here in "
        f"{rhythm.agreeing} of {rhythm.windows} passages, as in another take: please listen."
    )
