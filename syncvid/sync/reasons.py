"""Sentences for the user: which evidence decided."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from syncvid.production.results import Rival
from syncvid.sync.by_timing import TimingEvidence
from syncvid.sync.leak import LeakPlace
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
CONTRADICTED = "Another clip contradicts this place: please listen."
NOTES_AGREE = "The notes fall together here as well."
GUIDE_AGREES = "The guide in its background says the same."
GUIDE_CHOOSES = "Several places fit; the guide in its background tells that it is this one."
GUIDE_DISAGREES = "The guide in its background speaks for another place: please listen."
GUIDE_ONLY = (
    "Its sound is not in the mix; the guide in its background tells where it was played: please "
    "listen whether it is shown in time."
)
THINNER = "With the louder clips taken out of the mix:"
NO_TIES = "This clip shares no sound with the others: give the finished mix or the guide track."

NOTES_ON_BEATS = (
    "The guide itself is not to be heard; the notes begin on its beats here, but how late the "
    "player plays is a guess: please listen."
)

FAINT_CLICKS = (
    "Something like the guide's clicks is faintly to be heard, and the notes begin on its beats "
    "here: please listen."
)

SIGNATURE = "The guide's signature can be heard: this is when it was started."
CLICKS_FIT = "Its clicks fit here as well."
NOTHING_ELSE = (
    "The clip ends long before the guide does, and nothing else tells whether the guide ran on: "
    "please listen."
)
NOTES_AGAINST = (
    "But the notes do not begin on its beats here: was it stopped and started again? Please listen."
)
OTHER_SPEED = "The clip runs at another speed than the guide: please listen."
SIGNATURE_ELSEWHERE = (
    "The guide's signature can be heard, but its clicks are clearly somewhere else later on: was "
    "it stopped and started again, or the recording paused? Please listen."
)
OTHER_GUIDE = (
    "The signature in this clip is that of another guide, or of a version for practice at another "
    "tempo: it was recorded to that one."
)
FITS_ALL_THE_SAME = "It fits this one all the same: please listen."
FITS_ELSEWHERE = (
    "Clicks of this one fit as well, but somewhere else than its signature says: please listen."
)

# How sure it is that a clip without any evidence does not belong.
NOTHING_CONFIDENCE = 0.8

# A player within this many milliseconds of the click is on it.
ON_THE_CLICK_MS = 8.0

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

# Clips that are named one by one.
MOST_NAMES = 3

# Rivals that are worth showing, and how many.
RIVAL_LEAST = 0.5
MOST_RIVALS = 5

# Notes whose spread is worth telling.
FEWEST_TOLD = 5


# Offsets that differ by less are one, in seconds; a span's own drift beyond this is a stretch.
SAME_S = 1e-3
STRETCHED_PPM = 1000.0


def of_waveform(evidence: Evidence, doubts: Sequence[str]) -> str:
    """Say why a clip lies where its own sound puts it."""
    count = f"{evidence.count.agreeing} of {evidence.count.playing} windows agree"
    if evidence.spread_s < 1e-3:
        count += f" to {max(evidence.spread_s * 1e3, 0.1):.1f} ms"
    text = f"{count}; {_next_best(evidence)}."
    if len(evidence.spans) > 1 and "copy" not in doubts:
        text += f" {_edited(evidence)}"
    if "copy" in doubts:
        text += " The mix holds the same sound more than once: listen which one was recorded."
    elif "rival" in doubts:
        rival = _elsewhere(evidence.rivals[0], evidence.line.offset_s)
        text += f" A repeat fits as well, {rival}: listen which one it is."
    elif "divided" in doubts:
        text += " Both pieces are about as long: please listen which one the picture should follow."
    elif "weak" in doubts or "few" in doubts:
        text += " That is little evidence: please listen."
    elif "spread" in doubts:
        text += " The windows scatter more than one recording should: please listen."
    return text


def _next_best(evidence: Evidence | TimingEvidence) -> str:
    """Say how the next best place compares."""
    share = evidence.rival_share
    if share <= 0.0:
        return "no other place scores at all"
    if share > 0.87:
        return "the next best place scores almost as much"
    if share > 0.57:
        return "the next best place scores a little less"
    return f"the next best place scores {TIMES.get(round(1 / share), 'far less')}"


def _elsewhere(rival: Rival, offset_s: float) -> str:
    """Say where a rival lies."""
    away_s = rival.offset_s - offset_s
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


def without_doubt(reason: str) -> str:
    """Return a reason without the sentences that ask the user to listen.

    Examples
    --------
    >>> without_doubt("3 of 9 windows agree. That is little evidence: please listen.")
    '3 of 9 windows agree.'
    """
    sentences = reason.split(". ")
    kept = [text for text in sentences if "listen" not in text]
    return ". ".join(text.rstrip(".") for text in kept) + "." if kept else ""


def of_other_piece(names: Sequence[str]) -> str:
    """Say that a clip belongs together with others, but not to this piece."""
    listed = ", ".join(names[:MOST_NAMES])
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    return (
        f"It shares no sound with the other clips except for {listed}{more}: that is another "
        "piece, or it needs the finished mix or the guide track to be placed."
    )


def of_clicks(*, sure: bool, alone: bool, version: str, settled: bool, by_notes: bool) -> str:
    """Say why a clip lies where the guide's clicks in its background put it."""
    if alone:
        return (
            "This is a recording of the guide itself, without playing: leave it out, or check why "
            "it is here."
        )
    if sure:
        return "The guide's clicks can be heard in the background; only here do all of them fit."
    if version:
        return version
    if by_notes:
        return (
            "The guide's clicks can be heard in the background and fit several beats; the notes "
            "fit best here: please listen which bar it is."
        )
    if not settled:
        return of_leak(sure=False)
    return (
        "The guide's clicks can be heard in the background, but some that ought to be heard are "
        "missing: another version of the guide? Please listen."
    )


def of_version(edges: tuple[int, int], meter: int | None) -> str:
    """Say how the guide in the background differs from the one that is known, or nothing."""
    earlier, later = edges
    told = []
    if earlier:
        told.append(f"begins {_beats(earlier, meter)} {'earlier' if earlier > 0 else 'later'}")
    if later:
        told.append(f"ends {_beats(later, meter)} {'later' if later > 0 else 'earlier'}")
    if not told:
        return ""
    return (
        f"The guide in the background {' and '.join(told)} than this one: another version of it? "
        "Where both are the same, the clip lies here."
    )


def _beats(beats: int, meter: int | None) -> str:
    """Say a number of beats, in bars where they are whole."""
    count, unit = abs(beats), "beat"
    if meter and count % meter == 0:
        count, unit = count // meter, "bar"
    return f"{count} {unit}{'s' if count != 1 else ''}"


def of_claps(claps: int, *, sure: bool, settled: bool) -> str:
    """Say why a clip lies where claps put it."""
    text = f"{claps} claps lie on the last clicks of the count-in"
    if sure:
        return f"{text}, and the notes after them fit the beats in this bar only."
    if settled:
        return f"{text}, but little else speaks for this place: please listen."
    return f"{text}, but how many bars are counted in is a guess: please listen which bar it is."


def of_other_version(heard: int, known: int) -> str:
    """Say that a clip heard another version of the guide."""
    return f"It was recorded to version {heard} of the guide; this is version {known}."


def of_practice(speed: float) -> str:
    """Say that a clip heard a version for practice."""
    return f"It was recorded to the version for practice at {speed * 100:g} percent of the tempo."


def of_starts(count: int) -> str:
    """Say that a guide was started more than once, or nothing."""
    if count < 2:
        return ""
    times = "twice" if count == 2 else f"{count} times"
    return f"The guide was started {times}; the last time counts."


def of_lag(lag_s: float) -> str:
    """Say how late a player plays."""
    lag_ms = round(1e3 * lag_s)
    if abs(lag_ms) < ON_THE_CLICK_MS:
        return "The player is on the click."
    return f"The player plays {abs(lag_ms)} ms {'after' if lag_ms > 0 else 'before'} the click."


def of_nothing(reference: str) -> str:
    """Say that a clip fits nowhere."""
    if reference == "guide":
        return "The guide is not to be heard in this clip, so its place cannot be told from it."
    return f"Nothing in this clip fits the {reference}: other music, talk, or another take."


def of_timing(evidence: TimingEvidence, reference: str, doubts: Sequence[str]) -> str:
    """Say why a clip lies where the timing of its notes puts it."""
    pairs, passages = evidence.pairs, evidence.passages
    text = (
        f"Another take than the one in the {reference}: {pairs.count} of {len(pairs.matched)} "
        f"notes and {passages.agreeing.sum()} of {passages.count} passages fall together here"
    )
    if pairs.count >= FEWEST_TOLD:
        text += f", the notes to {pairs.spread_s * 1e3:.0f} ms"
    text += f"; {_next_best(evidence)}."
    if "copy" in doubts:
        text += " The mix holds the same sound more than once: listen which one was recorded."
    elif "rival" in doubts:
        rival = _elsewhere(evidence.rivals[0], evidence.placement.offset_s)
        return f"{text} A repeat fits as well, {rival}: listen which one it is."
    if "weak" in doubts or "few" in doubts:
        return f"{text} That is little evidence: please listen."
    if "hidden" in doubts:
        return f"{text} Others cover this part, so it may be some 40 ms off: please listen."
    return text


def of_other_key(reference: str, semitones: int) -> str:
    """Say that a clip's notes are in the reference in another key."""
    count = abs(semitones)
    steps = "a semitone" if count == 1 else f"{count} semitones"
    return (
        f"The {reference} has the same notes {steps} {'higher' if semitones > 0 else 'lower'}: "
        "the same piece in another key, or a transposing part."
    )
