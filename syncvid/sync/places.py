"""Finding the place of every clip: the room's one entry."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import TypeVar

from syncvid.arrays import Audio
from syncvid.production.results import Finding, Reference
from syncvid.progress import SILENT, Progress
from syncvid.signals.onsets import find_onsets
from syncvid.sync import reasons
from syncvid.sync.among import Tie, pairs, tie_together
from syncvid.sync.hearing import ANALYSIS_RATE, Heard, hear
from syncvid.sync.leak import MOST_DRIFTS, LeakPlace, find_leak
from syncvid.sync.lines import score_lines
from syncvid.sync.rhythm import compare_onsets
from syncvid.sync.speeds import at_another_speed
from syncvid.sync.takes import resolve_takes
from syncvid.sync.verdict import judge_leak, judge_rhythm, judge_waveform
from syncvid.sync.waveform import Target, find_candidates, find_evidence, make_target
from syncvid.timeline import Placement

Item = TypeVar("Item")
Result = TypeVar("Result")

# How sure it is that a clip without any evidence does not belong.
NOTHING_CONFIDENCE = 0.8

# Clips that are asked where the guide lies on the mix, and how well they must agree, in seconds.
MOST_WITNESSES = 3
SAME_GUIDE_S = 0.020


@dataclass(frozen=True, slots=True)
class Listened:
    """One clip as the room hears it.

    Attributes
    ----------
    name : str
        What to call it in messages: part and take, or the file.
    samples : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`; the first sample is clip time 0.
    part : str
        Whose line it is: clips with the same one are takes of each other, of which the mix holds
        one at a time.  Empty if nobody knows.
    """

    name: str
    samples: Audio
    part: str = ""


@dataclass(frozen=True, slots=True)
class SyncSettings:
    """What a user may change about the search.

    Attributes
    ----------
    shortest_s : float
        Clips shorter than this are not placed, in seconds.
    """

    shortest_s: float = 3.0


@dataclass(frozen=True, slots=True)
class Placed:
    """Where all clips lie.

    Attributes
    ----------
    reference : {"mix", "guide", "clips"}
        Whose first sample is reference time 0.
    findings : tuple of Finding
        One per clip, in the order of the clips.
    guide_offset_s : float or None
        Where the guide's zero lies on the reference, if both are known.
    """

    reference: Reference
    findings: tuple[Finding, ...]
    guide_offset_s: float | None = None


def find_places(
    clips: Sequence[Listened],
    *,
    mix: Audio | None = None,
    guide: Audio | None = None,
    settings: SyncSettings = SyncSettings(),
    progress: Progress = SILENT,
    workers: Executor | None = None,
) -> Placed:
    """Find offset and drift of every clip, with a verdict.

    Parameters
    ----------
    clips : sequence of Listened
        The clips.
    mix, guide : ndarray, shape (samples,), float32, or None
        Mono sound at `ANALYSIS_RATE`.  The clips are laid against the mix if there is one,
        otherwise against the guide, otherwise against each other.
    settings : SyncSettings
        What a user may change.
    progress : Progress
        Told after each clip.
    workers : concurrent.futures.Executor or None
        Threads over which the clips are spread.

    Returns
    -------
    Placed
    """
    if mix is not None:
        return _lay_against_mix(clips, mix, guide, settings, progress, workers)
    if guide is not None:
        return _lay_against_guide(clips, guide, settings, progress, workers)
    return _lay_against_each_other(clips, settings, progress, workers)


def _lay_against_mix(
    clips: Sequence[Listened],
    mix: Audio,
    guide: Audio | None,
    settings: SyncSettings,
    progress: Progress,
    workers: Executor | None,
) -> Placed:
    """Lay all clips against the mix, and the guide too if it can be heard."""
    target = make_target(hear(mix, name="mix"))
    onsets = find_onsets(mix, sample_rate=ANALYSIS_RATE)

    def place(clip: Listened) -> Finding:
        heard = hear(clip.samples, name=clip.name)
        return (
            _unusable(heard, target.heard, "mix", settings)
            or judge_waveform(find_evidence(heard, target), "mix")
            or at_another_speed(clip.samples, target, "mix")
            or _by_rhythm(clip, onsets, "mix")
        )

    findings = _spread(place, clips, progress.part(0.9 if guide is not None else 1.0), workers)
    findings = _settle_takes(clips, findings, target)
    guide_offset_s = None
    if guide is not None:
        guide_offset_s = _find_guide(clips, findings, mix, guide, progress.part(0.1))
    return Placed("mix", tuple(findings), guide_offset_s)


def _settle_takes(
    clips: Sequence[Listened], findings: Sequence[Finding], mix: Target
) -> list[Finding]:
    """Let the takes of each part agree on where the mix holds which."""
    settled = list(findings)
    for part in dict.fromkeys(clip.part for clip in clips if clip.part):
        takes = [
            index for index, clip in enumerate(clips) if clip.part == part and findings[index].spans
        ]
        if len(takes) > 1:
            sounds = [hear(clips[index].samples, name=clips[index].name) for index in takes]
            found = resolve_takes([findings[index] for index in takes], sounds, mix.heard)
            for index, finding in zip(takes, found, strict=True):
                settled[index] = finding
    return settled


def _lay_against_guide(
    clips: Sequence[Listened],
    guide: Audio,
    settings: SyncSettings,
    progress: Progress,
    workers: Executor | None,
) -> Placed:
    """Lay all clips against the guide track."""
    target = make_target(hear(guide, name="guide"))
    onsets = find_onsets(guide, sample_rate=ANALYSIS_RATE)

    def place(clip: Listened) -> Finding:
        heard = hear(clip.samples, name=clip.name)
        return (
            _unusable(heard, target.heard, "guide", settings)
            or judge_leak(_leaks(heard, target, drifts=MOST_DRIFTS), "guide")
            or _by_rhythm(clip, onsets, "guide")
        )

    return Placed("guide", tuple(_spread(place, clips, progress, workers)), 0.0)


def _lay_against_each_other(
    clips: Sequence[Listened],
    settings: SyncSettings,
    progress: Progress,
    workers: Executor | None,
) -> Placed:
    """Lay the clips against each other, pair by pair."""
    if len(clips) == 1:
        zero = Finding("sure", 1.0, reasons.ONLY, 0.0, 0.0, against=clips[0].name)
        return Placed("clips", (zero,))
    targets = [make_target(hear(clip.samples, name=clip.name)) for clip in clips]
    useless = [_unusable(target.heard, target.heard, "clip", settings) for target in targets]
    lengths = [
        0.0 if fault is not None else target.heard.duration_s
        for fault, target in zip(useless, targets, strict=True)
    ]

    def tie(pair: tuple[int, int]) -> Tie | None:
        clip, other = pair
        evidence = find_evidence(targets[clip].heard, targets[other])
        finding = judge_waveform(evidence, clips[other].name)
        return None if finding is None else Tie(clip, other, finding)

    ties = [found for found in _spread(tie, pairs(lengths), progress, workers) if found is not None]
    together = tie_together(ties, [clip.name for clip in clips])
    findings = [fault or finding for fault, finding in zip(useless, together, strict=True)]
    return Placed("clips", tuple(findings))


def _spread(
    task: Callable[[Item], Result],
    items: Sequence[Item],
    progress: Progress,
    workers: Executor | None,
) -> list[Result]:
    """Do a task for each item, in order, over the workers if there are any."""
    results = []
    for result in map(task, items) if workers is None else workers.map(task, items):
        results.append(result)
        progress.advance(len(results), len(items), "finding the places")
    return results


def _unusable(
    heard: Heard, reference: Heard, reference_name: str, settings: SyncSettings
) -> Finding | None:
    """Return a finding for a clip that need not be searched, or None."""
    if heard.silent:
        return Finding("none", 1.0, reasons.SILENT)
    if heard.duration_s < settings.shortest_s:
        return Finding("none", 1.0, reasons.TOO_SHORT)
    if reference.silent:
        return Finding("none", 1.0, reasons.NO_REFERENCE.format(reference=reference_name))
    return None


def _by_rhythm(clip: Listened, onsets: Audio, reference: str) -> Finding:
    """Return a place by musical timing, or the finding that nothing fits."""
    rhythm = compare_onsets(find_onsets(clip.samples, sample_rate=ANALYSIS_RATE), onsets)
    return judge_rhythm(rhythm, reference) or Finding(
        "none", NOTHING_CONFIDENCE, reasons.of_nothing(reference), against=reference
    )


def _leaks(heard: Heard, guide: Target, *, drifts: int) -> tuple[LeakPlace, ...]:
    """Return the places where a guide may be heard in a sound."""
    scores = score_lines(heard.coarse, guide.searchable, either_way_up=False)
    lines = [place.line for place in find_candidates(heard, guide, scores)]
    return find_leak(heard, guide, lines, drifts=drifts)


def _find_guide(
    clips: Sequence[Listened],
    findings: Sequence[Finding],
    mix: Audio,
    guide: Audio,
    progress: Progress,
) -> float | None:
    """Return where the guide's zero lies on the mix, if the mix or two clips tell surely."""
    target = make_target(hear(guide, name="guide"))
    if target.heard.silent:
        return None
    places = [(Placement(0.0), mix)]
    sure = [
        (finding.placement, clip.samples)
        for finding, clip in zip(findings, clips, strict=True)
        if finding.verdict == "sure" and finding.placement is not None
    ]
    places += sorted(sure, key=lambda pair: -len(pair[1]))[:MOST_WITNESSES]
    told: list[float] = []
    for done, (on_mix, samples) in enumerate(places, 1):
        heard = hear(samples, name="sound")
        leak = None if heard.silent else judge_leak(_leaks(heard, target, drifts=1), "guide")
        if leak is not None and leak.verdict == "sure" and leak.placement is not None:
            middle_s = heard.duration_s / 2
            told.append(on_mix.to_reference(middle_s) - leak.placement.to_reference(middle_s))
            if done == 1:
                return told[0]
        progress.advance(done, len(places), "finding the guide")
    if len(told) >= 2 and max(told) - min(told) < SAME_GUIDE_S:
        return statistics.median(told)
    return None
