"""What the sheet says about a clip, in sentences that a musician would use.

Pure text: nothing here is escaped, and nothing here knows of HTML.
"""

from __future__ import annotations

import math
import re
import statistics
from collections.abc import Iterator, Sequence
from pathlib import PurePath

from syncvid.handoff.axis import Axis
from syncvid.handoff.page import SheetClip, SheetPage
from syncvid.production.results import ClipSync, Finding, Levels, Reference, Rival
from syncvid.timeline import PPM, clock_text

VERDICTS = {"sure": "Sure.", "check": "Please listen.", "none": "No place found."}
NOT_IN_PIECE = "Not in this piece."
"""What each verdict is called on the sheet."""

SETTLED = "Settled by you."
"""What a clip is called whose place the user has pinned."""

LISTEN = "listen"
REFERENCES: dict[Reference, str] = {
    "mix": "the mix",
    "guide": "the guide",
    "clips": "the first clip",
}

EDGE_S = 0.5
"""A clip that starts later, or ends earlier, than the reference by more than this is told of."""

SLIGHT_PPM = 0.5
"""A drift below this cannot be told from none."""

_UNIT = re.compile(r"(?<=\d) (?=(s|ms|dB|%)(\W|$))")
_NUMBERS = "no one two three four five six seven eight nine ten eleven twelve".split()
_RIVALS_TOLD = 3

# Confidence in words; among clips told at 0.9, nine in ten are to be right.
_CERTAINTIES = ((0.9, "high"), (0.6, "fair"), (-math.inf, "low"))


def count(amount: int, noun: str, plural: str = "") -> str:
    """Write a small number as a word, with its noun; the plural has an s unless it is given.

    Examples
    --------
    >>> count(1, "clip"), count(2, "clip"), count(40, "part")
    ('one clip', 'two clips', '40 parts')
    """
    word = _NUMBERS[amount] if amount < len(_NUMBERS) else str(amount)
    return f"{word} {noun if amount == 1 else plural or noun + 's'}"


def sentence(text: str) -> str:
    """Give a text a capital letter and a full stop; an empty one stays empty.

    Examples
    --------
    >>> sentence("all windows agree")
    'All windows agree.'
    """
    text = text.strip()
    if not text:
        return ""
    return bind_units(text[0].upper() + text[1:] + ("" if text[-1] in ".!?…" else "."))


def bind_units(text: str) -> str:
    r"""Keep numbers and their units on one line, with a blank that does not break.

    Examples
    --------
    >>> bind_units("1.5 s later")
    '1.5\xa0s later'
    """
    return _UNIT.sub("\xa0", text)


def take_text(clip: ClipSync) -> str:
    """Return what a take is called beside the name of its part."""
    return f"{clip.take}{', recorder' if clip.sound_of else ''}"


def opening(finding: Finding) -> str:
    """Return the short sentence with which a clip's verdict begins."""
    if finding.pinned:
        return SETTLED if finding.verdict == "sure" else f"{SETTLED} {NOT_IN_PIECE}"
    return VERDICTS[finding.verdict]


def heading(clip: ClipSync) -> str:
    """Return the heading of a clip's paragraph."""
    return f"{clip.name}: please {LISTEN}" if clip.finding.verdict == "check" else clip.name


def start_text(offset_s: float, reference: str) -> str:
    """Say when a clip starts.

    Examples
    --------
    >>> start_text(-6.4031, "the mix"), start_text(2.5, "the mix")
    ('6.403 s before the mix', '2.500 s into the mix')
    """
    if abs(offset_s) < 0.0005:
        return f"together with {reference}"
    relation = "before" if offset_s < 0 else "into"
    return f"{abs(offset_s):.3f} s {relation} {reference}"


def clock_relation(drift_ppm: float | None) -> str:
    """Say how a clip's clock runs; empty where nobody measured it.

    Examples
    --------
    >>> clock_relation(12.4), clock_relation(-1.0), clock_relation(0.0)
    ('slow by 12 millionths', 'fast by 1 millionth', 'true')
    """
    if drift_ppm is None:
        return ""
    if abs(drift_ppm) < SLIGHT_PPM:
        return "true"
    amount = math.floor(abs(drift_ppm) + 0.5)
    unit = "millionth" if amount == 1 else "millionths"
    return f"{'slow' if drift_ppm > 0 else 'fast'} by {amount} {unit}"


def verdict_text(clip: SheetClip, page: SheetPage) -> str:
    """Say whether a clip belongs here, where it starts and how its clock runs."""
    finding = clip.sync.finding
    told = opening(finding)
    if finding.placement is None:
        return told
    start = f"It starts {start_text(finding.placement.offset_s, reference_name(page, clip.sync))}"
    clock = clock_relation(finding.drift_ppm)
    if clock == "true":
        clock = "; its clock runs true"
    elif clock:
        clock = f"; its clock is {clock}, which is taken out"
    return bind_units(f"{told} {start}{clock}.")


def reference_name(page: SheetPage, clip: ClipSync) -> str:
    """Say what reference time 0 belongs to."""
    if page.reference == "clips":
        return clip.finding.against or REFERENCES["clips"]
    return REFERENCES[page.reference]


# Stretches whose places differ by less were not moved in the mix.
_SAME_PLACE_S = 0.005


def last_name(file: str) -> str:
    """Return a file's name without its folders; the whole path stands with each clip's account."""
    return PurePath(file).name or file


def splice_text(finding: Finding) -> str:
    """Say that a clip is used in several places that lie apart; empty for an ordinary clip."""
    offsets = [span.offset_s for span in finding.spans]
    if len(offsets) < 2 or max(offsets) - min(offsets) < _SAME_PLACE_S:
        return ""
    stretches = count(len(finding.spans), "stretch", "stretches")
    return f"The mix was edited: {stretches} of this clip are used in places of their own."


def rival_texts(clip: SheetClip, axis: Axis) -> tuple[str, ...]:
    """Say in a sentence each where else a clip would fit; of a sure one its reason says enough."""
    finding = clip.sync.finding
    if finding.verdict == "sure":
        return ()
    told = tuple(
        f"Rival {number}: {_rival_text(clip, rival, axis)}"
        for number, rival in enumerate(finding.rivals[:_RIVALS_TOLD], 1)
    )
    more = len(finding.rivals) - len(told)
    if more <= 0:
        return told
    verb = "is" if more == 1 else "are"
    return (*told, f"There {verb} {count(more, 'weaker place')} more.")


def _rival_text(clip: SheetClip, rival: Rival, axis: Axis) -> str:
    """Say where one rival lies and how much speaks for it."""
    placement = clip.sync.finding.placement
    if placement is None:
        start = axis.where(rival.offset_s) if rival.offset_s > 0 else "before the beginning"
        return f"the nearest thing to a place would start {start}, and too little speaks for it."
    shift_s = rival.offset_s - placement.offset_s
    shift = f"{abs(shift_s):.1f} s {'later' if shift_s > 0 else 'earlier'}"
    if bars := rival_bars(placement.offset_s, rival, axis):
        shift += f" (bar {bars[0]} would be bar {bars[1]})"
    return f"it would also fit {shift}; {rival.strength * 100:.0f} % as much speaks for it."


def rival_bars(offset_s: float, rival: Rival, axis: Axis) -> tuple[int, int] | None:
    """Return which bar would become which one at a rival; None where bars are not known."""
    here_s = max(0.0, offset_s, axis.first_bar_s)
    bars = axis.bar_at(here_s), axis.bar_at(here_s + rival.offset_s - offset_s)
    if bars[0] is None or bars[1] is None or bars[0] == bars[1]:
        return None
    return bars[0], bars[1]


def rival_mark(clip: SheetClip) -> str:
    """Say at the line itself where an unsure clip may belong; empty for all others."""
    finding = clip.sync.finding
    if finding.verdict != "check" or finding.offset_s is None or not finding.rivals:
        return ""
    shift_s = finding.rivals[0].offset_s - finding.offset_s
    return f"or {abs(shift_s):.1f} s {'later' if shift_s > 0 else 'earlier'}?"


def edge_texts(clip: SheetClip, axis: Axis) -> tuple[str, str]:
    """Say where a clip starts late or ends early; empty where it covers the reference."""
    extent = clip.extent_s
    if extent is None:
        return "", ""
    start_s, end_s = extent
    if start_s >= axis.duration_s or end_s <= 0:
        return f"lies wholly {'after' if end_s > 0 else 'before'} the piece", ""
    start = f"starts {axis.where(start_s)}" if start_s > EDGE_S else ""
    end = f"ends early, {axis.where(end_s)}" if end_s < axis.duration_s - EDGE_S else ""
    return start, end


def agreeing(finding: Finding) -> tuple[int, int]:
    """Return how many windows agree, and how many voted."""
    return sum(vote.agrees for vote in finding.votes), len(finding.votes)


def numbers(clip: SheetClip, page: SheetPage) -> Iterator[tuple[str, str]]:
    """Yield the rows of a clip's small table."""
    finding = clip.sync.finding
    if (placement := finding.placement) is not None:
        start = start_text(placement.offset_s, reference_name(page, clip.sync))
        yield "starts", start
        yield "ends", _end_text(placement.to_reference(clip.stretch_s[1]), page)
        yield from _clock_rows(finding.drift_ppm, clip.length_s)
    elif clip.length_s:
        yield "length", clock_text(clip.length_s)
    yield from _vote_rows(finding)
    if not finding.pinned:
        yield "certainty", certainty(finding.confidence)
    yield from _lag_rows(finding)
    if finding.against:
        yield "laid against", finding.against
    if clip.levels is not None:
        yield from _level_rows(clip.levels)


def certainty(confidence: float) -> str:
    """Say how certain a verdict is, in a word and as a number.

    Examples
    --------
    >>> certainty(0.964), certainty(0.3)
    ('high, 96 of 100', 'low, 30 of 100')
    """
    word = next(word for least, word in _CERTAINTIES if confidence >= least)
    return f"{word}, {math.floor(confidence * 100)} of 100"


def _lag_rows(finding: Finding) -> Iterator[tuple[str, str]]:
    """Yield how far the player plays behind or before the click, if anybody measured it."""
    lag_ms: float | None = getattr(finding, "player_lag_ms", None)
    if lag_ms is not None:
        relation = "behind" if lag_ms >= 0 else "before"
        yield "plays", f"{abs(lag_ms):.0f} ms {relation} the click"


def settle_options(clip: SheetClip) -> tuple[tuple[str, str], ...]:
    """Return the options that settle an unsure clip's place, each with what it means."""
    finding = clip.sync.finding
    if not clip.settle or finding.verdict != "check" or finding.offset_s is None:
        return ()
    options = [(f"--offset {finding.offset_s:.4f}", "it is right as proposed")]
    if finding.rivals:
        options.append(("--rival 1", "the first rival is right"))
    return (*options, ("--not-in-piece", "it does not belong here"))


def _end_text(end_s: float, page: SheetPage) -> str:
    """Say when a clip ends, seen from the end of the reference where that is known."""
    if page.reference_duration_s is None:
        return f"at {clock_text(end_s)}"
    late_s = end_s - page.reference_duration_s
    relation = "after" if late_s > 0 else "before"
    return f"{abs(late_s):.1f} s {relation} {REFERENCES[page.reference]} ends"


def _clock_rows(drift_ppm: float | None, length_s: float) -> Iterator[tuple[str, str]]:
    """Yield what a clip's clock does over its length."""
    clock = clock_relation(drift_ppm)
    if not clock or drift_ppm is None:
        return
    total_ms = abs(drift_ppm) * PPM * length_s * 1000
    yield "clock", clock if clock == "true" else f"{clock} ({total_ms:.1f} ms in all)"


def _vote_rows(finding: Finding) -> Iterator[tuple[str, str]]:
    """Yield what the windows say."""
    agree, all_votes = agreeing(finding)
    if not all_votes:
        return
    yield "windows", f"{agree} of {all_votes} agree" if agree else f"none of {all_votes} agree"
    distances_ms = [1000 * abs(away) for away in distances_s(finding, agreeing_only=True)]
    if distances_ms:
        yield "typically off by", f"{statistics.median(distances_ms):.2f} ms"


def distances_s(finding: Finding, *, agreeing_only: bool = False) -> list[float]:
    """Return how far each vote lies from the nearest line that was fitted, in seconds."""
    lines = fitted_lines(finding)
    if not lines:
        return []
    return [
        min((vote.lag_s - offset - vote.clip_s * drift * PPM for offset, drift in lines), key=abs)
        for vote in finding.votes
        if vote.agrees or not agreeing_only
    ]


def fitted_lines(finding: Finding) -> Sequence[tuple[float, float]]:
    """Return offset and drift of each line that was fitted: one, or one for every span."""
    placement = finding.placement
    if placement is None:
        return ()
    own = (placement.offset_s, placement.drift_ppm)
    spans = (
        (span.offset_s, placement.drift_ppm if span.drift_ppm is None else span.drift_ppm)
        for span in finding.spans
    )
    return tuple(dict.fromkeys((own, *spans)))


def _level_rows(levels: Levels) -> Iterator[tuple[str, str]]:
    """Yield what a clip's sound is like."""
    if levels.silent:
        yield "sound", "nothing to be heard"
        return
    yield "loudest moment", _below_full(levels.peak_dbfs)
    yield "background", _below_full(levels.noise_dbfs)
    if levels.clipped_share > 0:
        share = max(levels.clipped_share * 100, 0.01)
        yield "distorted", f"{share:.2f} % of the sound"


def _below_full(level_dbfs: float) -> str:
    """Write a level as a distance from full scale."""
    return "at full scale" if level_dbfs > -0.05 else f"{-level_dbfs:.1f} dB below full scale"
