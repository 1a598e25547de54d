"""What is heard of each part: its take, or its takes in turn, and where it changes between them.

This is decided before anything is mixed: sound and picture both follow it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from syncvid.errors import ProductionError
from syncvid.picture.following import Run
from syncvid.production.captions import at_s
from syncvid.production.material import Material
from syncvid.production.mix_made import MadeSplice
from syncvid.production.passages import Passage
from syncvid.production.results import SyncResult
from syncvid.production.sound_plan import PartSound
from syncvid.steps.entries import Entry, chosen_takes, entries_of, reference_s_of, tiles_of
from syncvid.steps.hearing import Facts
from syncvid.steps.splicing import join_takes
from syncvid.timeline import Bars, Placement, Span

# What lies on two lines that differ by less lies on one (spans are told to about a millisecond).
_SAME_S = 0.001

# A passage of a take that begins late, or ends early, lies so much inside of it.
_INSIDE_S = 0.1

# Where a mix tells when a take is heard, it is used a little longer on either side.
_BEYOND_SPANS_S = 1.0


@dataclass(frozen=True, slots=True)
class HeardPassage:
    """A stretch in which a part is heard from one recording.

    Attributes
    ----------
    entry : Entry
        The recording.
    line : Placement
        Its sound on the reference, the part's shift included.
    seen : Placement
        The same of its picture's clip; it differs where a separate recorder is heard.
    from_s, to_s : float
        Reference seconds; infinite where it is used as far as it goes.
    gain_db : float
        By how much it is raised against the part's usual take.
    """

    entry: Entry
    line: Placement
    seen: Placement
    from_s: float
    to_s: float
    gain_db: float = 0.0

    @property
    def span(self) -> Span:
        """Where in its clip it is seen, as spans say it."""
        begin_s, end_s = self.entry.stretch_s
        return Span(
            max(begin_s, self.seen.to_clip(self.from_s)) if math.isfinite(self.from_s) else begin_s,
            min(end_s, self.seen.to_clip(self.to_s)) if math.isfinite(self.to_s) else end_s,
            self.seen.offset_s,
            self.seen.drift_ppm,
        )


@dataclass(frozen=True, slots=True)
class HeardPart:
    """What is heard of a part.

    Attributes
    ----------
    part, player : str
        Whose it is.
    passages : tuple of HeardPassage
        In the order of time, each beginning where the one before ends.
    splices : tuple of MadeSplice
        Between them.
    wishes : PartSound
        What the plan says of it.
    """

    part: str
    player: str
    passages: tuple[HeardPassage, ...]
    splices: tuple[MadeSplice, ...]
    wishes: PartSound

    @property
    def entries(self) -> list[Entry]:
        """The recordings that are heard, each once, in the order of time."""
        return list({p.entry.recording: p.entry for p in self.passages}.values())

    @property
    def name(self) -> str:
        """What to call it."""
        player = f" ({self.player})" if self.player else ""
        return f"{self.part}{player}" or self.passages[0].entry.recording.source.path.stem


def heard_parts(
    material: Material,
    result: SyncResult,
    facts: dict[str, Facts],
    bars: Bars | None,
) -> tuple[list[HeardPart], list[str]]:
    """Decide what is heard of each part.

    Parameters
    ----------
    material : Material
        The recordings in score order, and what the plan says of them.
    result : SyncResult
        Their places.
    facts : dict
        What is known of each file, by its path as given.
    bars : Bars or None
        Where the bars lie on the reference.

    Returns
    -------
    (list of HeardPart, list of str)
        The parts of which something is heard, and what is worth knowing.

    Raises
    ------
    ProductionError
        A passage names a take that there is not, or a bar that cannot be found.
    """
    heard, remarks = [], []
    for part, player, takes in tiles_of(material, entries_of(material, result, facts)):
        moving = [entry for entry in takes if not entry.facts.is_still]
        base = _base(chosen_takes(moving, reference_s_of(result)), result)
        wishes = material.sound_of(part, player)
        for passage in wishes.passages:
            named = [entry for entry in moving if entry.recording.take == passage.take]
            if not named:
                raise _unknown_take(passage, part, moving)
            base, notes = _laid_over(
                base, passage, chosen_takes(named, reference_s_of(result)), bars, part
            )
            remarks += notes
        if base:
            shifted = [_shifted(passage, wishes.shift_ms / 1000) for passage in _merged(base)]
            passages, splices = join_takes(shifted, material.store, bars)
            heard.append(HeardPart(part, player, tuple(passages), tuple(splices), wishes))
    return heard, remarks


def _base(chosen: Sequence[Entry], result: SyncResult) -> list[HeardPassage]:
    """Return what is heard of a part where the plan names no passage."""
    runs = [
        (run, entry)
        for entry in chosen
        if entry.sound is not None
        for run in entry.sound.take.runs()
        if run.to_s > run.from_s
    ]
    if not runs:
        return []
    runs.sort(key=lambda item: item[0].from_s)
    edges = [(one.to_s + other.from_s) / 2 for (one, _), (other, _) in pairwise(runs)]
    begin_s, end_s = -math.inf, math.inf
    if result.reference == "mix":
        # What lies before and after is talk, a false start, or what the mix left out.
        begin_s = runs[0][0].from_s - _BEYOND_SPANS_S
        end_s = max(run.to_s for run, _ in runs) + _BEYOND_SPANS_S
    return [
        HeardPassage(entry, run.line, _seen(entry, run.line, (run.from_s + run.to_s) / 2), a, b)
        for (run, entry), (a, b) in zip(runs, pairwise([begin_s, *edges, end_s]), strict=True)
        if b > a
    ]


def _seen(entry: Entry, line: Placement, near_s: float) -> Placement:
    """Return the clock of a clip's picture where its sound, or its recorder's, lies on a line."""
    if entry.take is None or entry.sound is None or entry.sound.take == entry.take:
        return line
    return _run_near(entry.take.runs(), near_s).line


def _run_near(runs: Sequence[Run], near_s: float) -> Run:
    """Return the run that is nearest to a moment."""
    return min(runs, key=lambda run: max(run.from_s - near_s, near_s - run.to_s, 0.0))


def _unknown_take(passage: Passage, part: str, takes: Sequence[Entry]) -> ProductionError:
    """Return what is said where a passage names a take that there is not."""
    known = ", ".join(str(entry.recording.take) for entry in takes) or "none"
    return ProductionError(
        f"{part} has no take {passage.take}, which its passage {str(passage)!r} names: there is "
        f"{known}.",
        fix="Name another take in production.toml.",
    )


def _laid_over(
    base: Sequence[HeardPassage],
    passage: Passage,
    entries: Sequence[Entry],
    bars: Bars | None,
    part: str,
) -> tuple[list[HeardPassage], list[str]]:
    """Lay a passage of the plan over what is heard of a part.

    Its take may be several files, where the phone has split it.
    """
    where = f"the passage {str(passage)!r} of {part}"
    begin_s, end_s = (at_s(moment, bars, where) for moment in (passage.begins, passage.ends))
    if end_s <= begin_s:
        raise ProductionError(f"T{where[1:]} ends before it begins.")
    first_s, last_s = _piece_s(bars)
    # The first bar has an upbeat and a breath before it, and the last one rings on.
    begin_s = -math.inf if begin_s <= first_s + _SAME_S else begin_s
    end_s = math.inf if end_s >= last_s - _SAME_S else end_s
    if begin_s >= last_s or end_s <= first_s:
        return list(base), [f"{part}: {passage} lies outside of the music, so it is left out."]
    reach_s = (max(begin_s, first_s), min(end_s, last_s))
    over = _taken_from(entries, begin_s, end_s, reach_s)
    if not over:
        return list(base), [
            f"{part}: {passage} is left out, for take {passage.take} has no place or no sound."
        ]
    notes = _not_covered(over, reach_s, part, passage)
    over = _as_far_as_it_goes(over, reach_s, base)
    if not over:
        return list(base), notes
    begin_s, end_s = over[0].from_s, over[-1].to_s
    before = [replace(p, to_s=min(p.to_s, begin_s)) for p in base if p.from_s < begin_s]
    after = [replace(p, from_s=max(p.from_s, end_s)) for p in base if p.to_s > end_s]
    return [*before, *over, *after], notes


def _as_far_as_it_goes(
    over: Sequence[HeardPassage], reach_s: tuple[float, float], base: Sequence[HeardPassage]
) -> list[HeardPassage]:
    """Return a passage as far as its take lasts: beyond that the part's usual take is heard."""
    first, last = over[0], over[-1]
    assert first.entry.sound is not None
    assert last.entry.sound is not None
    starts_s = first.line.to_reference(first.entry.sound.take.stretch_s[0])
    ends_s = last.line.to_reference(last.entry.sound.take.stretch_s[1])
    # The change lies where both takes sound; where no other take sounds it stays as it is.
    begin_s, end_s = first.from_s, last.to_s
    if starts_s > reach_s[0] and any(p.from_s < starts_s and _reaches(p, starts_s) for p in base):
        begin_s = starts_s + _INSIDE_S
    if ends_s < reach_s[1] and any(p.to_s > ends_s and _reaches(p, ends_s) for p in base):
        end_s = ends_s - _INSIDE_S
    kept = [
        replace(p, from_s=max(p.from_s, begin_s), to_s=min(p.to_s, end_s))
        for p in over
        if p.to_s > begin_s and p.from_s < end_s
    ]
    return kept if end_s > begin_s else []


def _reaches(passage: HeardPassage, at_s: float) -> bool:
    """Tell whether a recording sounds at a moment."""
    assert passage.entry.sound is not None
    begin_s, end_s = (passage.line.to_reference(e) for e in passage.entry.sound.take.stretch_s)
    return begin_s < at_s < end_s


def _piece_s(bars: Bars | None) -> tuple[float, float]:
    """Return the reference seconds of the first bar's beginning and the last one's end."""
    if bars is None or bars.guide_offset_s is None:
        return -math.inf, math.inf
    first = next((beat for beat in bars.beats.beats if beat.bar >= 1), None)
    if first is None:
        return -math.inf, math.inf
    last = bars.beats.beats[-1]
    before_s = bars.beats.beats[-2].guide_s if len(bars.beats.beats) > 1 else last.guide_s
    end_s = bars.guide_offset_s + last.guide_s + (last.guide_s - before_s)
    return bars.guide_offset_s + first.guide_s, end_s


def _taken_from(
    entries: Sequence[Entry], begin_s: float, end_s: float, reach_s: tuple[float, float]
) -> list[HeardPassage]:
    """Return a stretch as it is heard in the files of one take; nothing if none has a sound."""
    middle_s = (max(reach_s[0], -1e6) + min(reach_s[1], 1e6)) / 2
    runs = [
        (_run_near(entry.sound.take.runs(), middle_s), entry)
        for entry in entries
        if entry.sound is not None
    ]
    runs.sort(key=lambda item: item[0].from_s)
    if not runs:
        return []
    inside = [(run, e) for run, e in runs if run.from_s < end_s and run.to_s > begin_s] or runs[:1]
    edges = [(one.to_s + other.from_s) / 2 for (one, _), (other, _) in pairwise(inside)]
    return [
        HeardPassage(entry, run.line, _seen(entry, run.line, middle_s), from_s, to_s)
        for (run, entry), (from_s, to_s) in zip(
            inside, pairwise([begin_s, *edges, end_s]), strict=True
        )
    ]


def _not_covered(
    over: Sequence[HeardPassage], reach_s: tuple[float, float], part: str, passage: Passage
) -> list[str]:
    """Say if a take does not reach over the whole of its passage."""
    ends_s = []
    for each in (over[0], over[-1]):
        assert each.entry.sound is not None
        ends_s += [each.line.to_reference(at) for at in each.entry.sound.take.stretch_s]
    if min(ends_s) <= reach_s[0] and max(ends_s) >= reach_s[1]:
        return []
    return [f"{part}: take {passage.take} does not last over all of {passage}."]


def _merged(passages: Sequence[HeardPassage]) -> list[HeardPassage]:
    """Join neighbours that are heard from one recording on one line."""
    out: list[HeardPassage] = []
    for passage in passages:
        last = out[-1] if out else None
        if last is not None and last.entry == passage.entry and _same(last, passage):
            out[-1] = replace(last, to_s=passage.to_s)
        else:
            out.append(passage)
    return out


def _same(one: HeardPassage, other: HeardPassage) -> bool:
    """Tell whether two passages lie on one line."""
    ends_s = [end for end in (other.from_s, other.to_s) if math.isfinite(end)]
    return all(abs(one.line.to_clip(at) - other.line.to_clip(at)) < _SAME_S for at in ends_s)


def _shifted(passage: HeardPassage, later_s: float) -> HeardPassage:
    """Move a passage's recording; where it changes stays where it is."""
    return replace(
        passage,
        line=replace(passage.line, offset_s=passage.line.offset_s + later_s),
        seen=replace(passage.seen, offset_s=passage.seen.offset_s + later_s),
    )
