"""Finding the place of every clip: the room's one entry."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np
from scipy import signal

from syncvid.arrays import Audio, check_mono
from syncvid.production.results import Finding, Reference
from syncvid.progress import SILENT, Progress
from syncvid.sync import reasons
from syncvid.sync.by_clips import lay_against_each_other
from syncvid.sync.by_timing import TimingTarget, find_by_timing, prepare_timing
from syncvid.sync.hearing import Heard, hear, hear_coarse
from syncvid.sync.leak import MOST_DRIFTS, LeakPlace, find_leak
from syncvid.sync.lines import score_lines
from syncvid.sync.residue import take_out
from syncvid.sync.spread import Clip, spread
from syncvid.sync.timing_verdict import judge_timing
from syncvid.sync.usable import USUAL, SyncSettings, silent_reference, unusable
from syncvid.sync.verdict import CERTAIN, judge_leak, judge_waveform
from syncvid.sync.waveform import Target, find_candidates, find_evidence, make_target
from syncvid.timeline import Placement

# 44.1 kHz taken for 48 kHz runs too fast by 160 / 147, the other way round too slow by as much.
WRONG_RATES = ((160, 147, reasons.TOO_FAST), (147, 160, reasons.TOO_SLOW))

# How sure it is that a clip without any evidence does not belong.
NOTHING_CONFIDENCE = 0.8

# Clips that are asked where the guide lies on the mix, and how well they must agree, in seconds.
MOST_WITNESSES = 3
SAME_GUIDE_S = 0.020


@dataclass(frozen=True, slots=True)
class Listened:
    """One clip whose sound is in memory.

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
    clips: Sequence[Clip],
    *,
    mix: Audio | None = None,
    guide: Audio | None = None,
    settings: SyncSettings = USUAL,
    progress: Progress = SILENT,
    workers: Executor | None = None,
) -> Placed:
    """Find offset and drift of every clip, with a verdict.

    Parameters
    ----------
    clips : sequence of Clip
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
    return Placed("clips", tuple(lay_against_each_other(clips, settings, progress, workers)))


def _lay_against_mix(
    clips: Sequence[Clip],
    mix: Audio,
    guide: Audio | None,
    settings: SyncSettings,
    progress: Progress,
    workers: Executor | None,
) -> Placed:
    """Lay all clips against the mix, and the guide too if it can be heard."""
    target = make_target(hear(mix, name="mix"))
    timing = prepare_timing(mix)

    useless = silent_reference(mix, "mix")

    def place(clip: Clip) -> Finding:
        samples = check_mono(clip.samples, name=clip.name)
        return (
            unusable(samples, settings)
            or useless
            or judge_waveform(find_evidence(hear(samples, name=clip.name), target), "mix")
            or _at_wrong_rate(samples, target)
            or _by_timing(samples, timing, "mix")
        )

    findings = spread(place, clips, progress.part(0.8), workers)
    findings = _look_again(clips, findings, mix, progress.part(0.1), workers)
    guide_offset_s = None
    if guide is not None:
        guide_offset_s = _find_guide(clips, findings, mix, guide, progress.part(0.1))
    return Placed("mix", tuple(findings), guide_offset_s)


def _look_again(
    clips: Sequence[Clip],
    findings: Sequence[Finding],
    mix: Audio,
    progress: Progress,
    workers: Executor | None,
) -> list[Finding]:
    """Search clips that are not sure in what is left of the mix without those that are."""
    sure = [index for index, finding in enumerate(findings) if _is_heard(finding)]
    open_ = [index for index, finding in enumerate(findings) if _may_hide(finding)]
    if not sure or not open_:
        return list(findings)
    left = take_out(mix, ((clips[index], findings[index]) for index in sure))
    target = make_target(hear(left, name="mix"))

    def search(index: int) -> Finding:
        heard = hear(clips[index].samples, name=clips[index].name)
        found = judge_waveform(find_evidence(heard, target), "mix")
        return _surer(findings[index], found)

    again = dict(zip(open_, spread(search, open_, progress, workers), strict=True))
    return [again.get(index, finding) for index, finding in enumerate(findings)]


def _is_heard(finding: Finding) -> bool:
    """Return whether a clip's own sound is surely in the mix; another take has no spans."""
    return finding.verdict == "sure" and bool(finding.spans)


def _may_hide(finding: Finding) -> bool:
    """Return whether a clip may be in the mix and drown there."""
    return finding.verdict == "check" or finding.reason == reasons.of_nothing("mix")


def _surer(first: Finding, second: Finding | None) -> Finding:
    """Return the better of two findings, the second of which comes from the thinner mix."""
    if second is None:
        return first
    surer = second.verdict == "sure" or second.confidence > first.confidence
    if first.verdict == "check" and not surer:
        return first
    return replace(second, reason=f"{reasons.THINNER} {second.reason}")


def _lay_against_guide(
    clips: Sequence[Clip],
    guide: Audio,
    settings: SyncSettings,
    progress: Progress,
    workers: Executor | None,
) -> Placed:
    """Lay all clips against the guide track."""
    target = make_target(hear(guide, name="guide"))
    timing = prepare_timing(guide)

    useless = silent_reference(guide, "guide")

    def place(clip: Clip) -> Finding:
        samples = check_mono(clip.samples, name=clip.name)
        heard = hear(samples, name=clip.name)
        return (
            unusable(samples, settings)
            or useless
            or judge_leak(_leaks(heard, target, drifts=MOST_DRIFTS), "guide")
            or _by_timing(samples, timing, "guide")
        )

    return Placed("guide", tuple(spread(place, clips, progress, workers)), 0.0)


def _at_wrong_rate(samples: Audio, mix: Target) -> Finding | None:
    """Return a finding for a clip that fits only when it is played slower or faster, or None."""
    for up, down, reason in WRONG_RATES:
        sound = signal.resample_poly(samples, up, down).astype(np.float32)
        scores = score_lines(hear_coarse(sound), mix.searchable)
        if scores.scores.max() >= CERTAIN:
            return Finding("none", NOTHING_CONFIDENCE, reason, against="mix")
    return None


def _by_timing(samples: Audio, timing: TimingTarget, reference: str) -> Finding:
    """Return a place by musical timing, or the finding that nothing fits."""
    return judge_timing(find_by_timing(samples, timing), reference) or Finding(
        "none", NOTHING_CONFIDENCE, reasons.of_nothing(reference), against=reference
    )


def _leaks(heard: Heard, guide: Target, *, drifts: int) -> tuple[LeakPlace, ...]:
    """Return the places where a guide may be heard in a sound."""
    scores = score_lines(heard.coarse, guide.searchable, either_way_up=False)
    lines = [place.line for place in find_candidates(heard, guide, scores)]
    return find_leak(heard, guide, lines, drifts=drifts)


def _find_guide(
    clips: Sequence[Clip],
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
        if _is_heard(finding) and finding.placement is not None
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
