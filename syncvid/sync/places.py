"""Finding the place of every clip: the room's one entry."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from scipy import signal

from syncvid.arrays import Audio
from syncvid.production.results import Finding, Reference
from syncvid.progress import SILENT, Progress
from syncvid.signals.onsets import find_onsets
from syncvid.sync import reasons
from syncvid.sync.among import Tie, pairs, tie_together
from syncvid.sync.by_guide import Evidence, judge_together, listen, prepare_guide
from syncvid.sync.hearing import ANALYSIS_RATE, Heard, hear, hear_coarse
from syncvid.sync.lines import score_lines
from syncvid.sync.rhythm import compare_onsets
from syncvid.sync.verdict import CERTAIN, judge_rhythm, judge_waveform
from syncvid.sync.waveform import Target, find_evidence, make_target

Item = TypeVar("Item")
Result = TypeVar("Result")

# 44.1 kHz taken for 48 kHz runs too fast by 160 / 147, the other way round too slow by as much.
WRONG_RATES = ((160, 147, reasons.TOO_FAST), (147, 160, reasons.TOO_SLOW))

# Clips that are asked where the guide lies on the mix, and how well they must agree, in seconds.
MOST_WITNESSES = 4
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
    """

    name: str
    samples: Audio


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
            or _at_wrong_rate(clip, target)
            or _by_rhythm(clip, onsets, "mix")
        )

    findings = _spread(place, clips, progress.part(0.9 if guide is not None else 1.0), workers)
    guide_offset_s = None
    if guide is not None:
        guide_offset_s = _find_guide(clips, findings, mix, guide, progress.part(0.1))
    return Placed("mix", tuple(findings), guide_offset_s)


def _lay_against_guide(
    clips: Sequence[Listened],
    guide: Audio,
    settings: SyncSettings,
    progress: Progress,
    workers: Executor | None,
) -> Placed:
    """Lay all clips against the guide track."""
    heard_guide = hear(guide, name="guide")
    ear = prepare_guide(guide)

    def gather(clip: Listened) -> Evidence | Finding:
        heard = hear(clip.samples, name=clip.name)
        return _unusable(heard, heard_guide, "guide", settings) or listen(clip.samples, ear)

    gathered = _spread(gather, clips, progress, workers)
    judged = iter(judge_together([held for held in gathered if isinstance(held, Evidence)], ear))
    findings = (held if isinstance(held, Finding) else next(judged) for held in gathered)
    return Placed("guide", tuple(findings), 0.0)


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


def _at_wrong_rate(clip: Listened, mix: Target) -> Finding | None:
    """Return a finding for a clip that fits only when it is played slower or faster, or None."""
    for up, down, reason in WRONG_RATES:
        sound = signal.resample_poly(clip.samples, up, down).astype(np.float32)
        scores = score_lines(hear_coarse(sound), mix.searchable)
        if scores.scores.max() >= CERTAIN:
            return Finding("none", reasons.NOTHING_CONFIDENCE, reason, against="mix")
    return None


def _by_rhythm(clip: Listened, onsets: Audio, reference: str) -> Finding:
    """Return a place by musical timing, or the finding that nothing fits."""
    rhythm = compare_onsets(find_onsets(clip.samples, sample_rate=ANALYSIS_RATE), onsets)
    return judge_rhythm(rhythm, reference) or Finding(
        "none", reasons.NOTHING_CONFIDENCE, reasons.of_nothing(reference), against=reference
    )


def _find_guide(
    clips: Sequence[Listened],
    findings: Sequence[Finding],
    mix: Audio,
    guide: Audio,
    progress: Progress,
) -> float | None:
    """Return where the guide's zero lies on the mix, if the mix or two clips tell surely."""
    if hear(guide, name="guide").silent:
        return None
    ear = prepare_guide(guide)
    in_mix = judge_together([listen(mix, ear)], ear)[0]
    if in_mix.verdict == "sure" and in_mix.placement is not None:
        middle_s = len(mix) / ANALYSIS_RATE / 2
        return middle_s - in_mix.placement.to_reference(middle_s)
    sure = [
        (finding.placement, clip.samples)
        for finding, clip in zip(findings, clips, strict=True)
        if finding.verdict == "sure" and finding.placement is not None
    ]
    witnesses = sorted(sure, key=lambda pair: -len(pair[1]))[:MOST_WITNESSES]
    gathered = []
    for done, (_, samples) in enumerate(witnesses, 1):
        gathered.append(listen(samples, ear))
        progress.advance(done, len(witnesses), "finding the guide")
    told: list[float] = []
    for (on_mix, samples), on_guide in zip(witnesses, judge_together(gathered, ear), strict=True):
        if on_guide.verdict == "sure" and on_guide.placement is not None:
            middle_s = len(samples) / ANALYSIS_RATE / 2
            told.append(on_mix.to_reference(middle_s) - on_guide.placement.to_reference(middle_s))
    agreeing = [one for one in told if sum(abs(one - other) < SAME_GUIDE_S for other in told) >= 2]
    return statistics.median(agreeing) if agreeing else None
