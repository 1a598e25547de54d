"""Laying clips against a finished mix, with all the evidence that there is.

First each clip is searched by its own sound.  Those that are not sure are looked at again: in what
is left of the mix without the clips that were placed, by the timing of their notes, and by the
guide in their background if a guide is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

from syncvid.arrays import Audio, check_mono
from syncvid.production.results import Finding
from syncvid.progress import SILENT, Progress
from syncvid.sync import reasons
from syncvid.sync.by_guide import GuideEar, judge_together, listen, prepare_guide
from syncvid.sync.by_timing import find_by_timing, prepare_timing
from syncvid.sync.hearing import hear
from syncvid.sync.opinions import with_guide, with_timing
from syncvid.sync.overlaps import resolve_takes
from syncvid.sync.residue import take_out
from syncvid.sync.signature_verdict import ASKED, heard_guide, with_other_guide
from syncvid.sync.signatures import HeardSignatures, hear_signatures
from syncvid.sync.speeds import at_another_speed
from syncvid.sync.spread import Clip, spread
from syncvid.sync.timing_verdict import judge_timing
from syncvid.sync.usable import SyncSettings, silent_reference, unusable
from syncvid.sync.verdict import judge_waveform
from syncvid.sync.waveform import Target, find_evidence, make_target
from syncvid.sync.where_guide import find_guide_offset


@dataclass(frozen=True, slots=True)
class _Work:
    """Clips with what was found of them so far, and who does the work."""

    clips: Sequence[Clip]
    mix: Audio
    workers: Executor | None


def lay_against_mix(
    clips: Sequence[Clip],
    mix: Audio,
    guide: Audio | None,
    settings: SyncSettings,
    progress: Progress,
    workers: Executor | None,
) -> tuple[list[Finding], float | None]:
    """Lay all clips against the mix.

    Parameters
    ----------
    clips : sequence of Clip
        The clips.
    mix : ndarray, shape (samples,), float32
        The mix at `ANALYSIS_RATE`.
    guide : ndarray, shape (samples,), float32, or None
        The guide track, if there is one.
    settings : SyncSettings
        What a user may change.
    progress : Progress
        Told after each clip.
    workers : concurrent.futures.Executor or None
        Threads over which the clips are spread.

    Returns
    -------
    findings : list of Finding
        One per clip.
    guide_offset_s : float or None
        Where the guide's zero lies on the mix, if it is known.
    """
    work = _Work(clips, mix, workers)
    target = make_target(hear(mix, name="mix"))
    findings = _by_sound(work, target, settings, progress.part(0.6))
    findings = _look_again(work, findings, progress.part(0.2))
    findings = _settle_takes(clips, findings, target)
    if guide is None or silent_reference(guide, "guide") is not None:
        return findings, None
    ear = prepare_guide(guide)
    heard = _hear_guides(work, ear)
    guide_offset_s = find_guide_offset(clips, findings, mix, ear, heard, progress.part(0.1))
    if guide_offset_s is not None:
        findings = _ask_guide(work, findings, ear, guide_offset_s, progress.part(0.1))
    findings = _without_mere_guides(work, findings, ear)
    return [_told(*pair) for pair in zip(findings, heard, strict=True)], guide_offset_s


def _told(finding: Finding, heard: HeardSignatures | None) -> Finding:
    """Return a finding that says which guide was heard."""
    if heard is None:
        return finding
    if not heard.own:
        finding = with_other_guide(finding, heard, own_sound=_is_plain(finding))
    return replace(finding, heard_guide=heard_guide(heard))


def _is_plain(finding: Finding) -> bool:
    """Return whether a clip's own sound is surely in the mix as it is."""
    return is_heard(finding) and not finding.reason.startswith(reasons.THINNER)


def _without_mere_guides(work: _Work, findings: list[Finding], ear: GuideEar) -> list[Finding]:
    """Doubt clips that are recordings of the guide alone.

    What others' recordings hold of the guide is in the mix too: it can pass for such a clip's own
    sound in what is left of the mix, or for its notes.
    """
    asked = [at for at, one in enumerate(findings) if one.verdict == "sure" and not _is_plain(one)]

    def is_alone(index: int) -> bool:
        return listen(work.clips[index].samples, ear).alone

    alone = dict(zip(asked, spread(is_alone, asked, SILENT, work.workers), strict=True))
    words = reasons.of_clicks(sure=False, alone=True, version="", settled=False, by_notes=False)
    return [
        replace(found, verdict="check", confidence=min(ASKED, found.confidence), reason=words)
        if alone.get(at)
        else found
        for at, found in enumerate(findings)
    ]


def _hear_guides(work: _Work, ear: GuideEar) -> list[HeardSignatures | None]:
    """Hear by its signature which guide each clip was recorded to, if this one has a signature."""
    known = ear.signature
    if known is None:
        return [None for _ in work.clips]

    def hear_one(clip: Clip) -> HeardSignatures | None:
        return hear_signatures(check_mono(clip.samples, name=clip.name), known)

    return spread(hear_one, work.clips, SILENT, work.workers)


def _by_sound(
    work: _Work, target: Target, settings: SyncSettings, progress: Progress
) -> list[Finding]:
    """Search each clip's own sound in the mix."""
    useless = silent_reference(work.mix, "mix")
    nothing = Finding("none", reasons.NOTHING_CONFIDENCE, reasons.of_nothing("mix"), against="mix")

    def place(clip: Clip) -> Finding:
        # The samples are asked for again rather than held while a clip is searched.
        return (
            unusable(check_mono(clip.samples, name=clip.name), settings)
            or useless
            or judge_waveform(find_evidence(hear(clip.samples, name=clip.name), target), "mix")
            or at_another_speed(clip.samples, target, "mix")
            or nothing
        )

    return spread(place, work.clips, progress, work.workers)


def is_heard(finding: Finding) -> bool:
    """Return whether a clip's own sound is surely in the mix; another take has no spans."""
    return finding.verdict == "sure" and bool(finding.spans)


def _is_open(finding: Finding) -> bool:
    """Return whether more evidence may change a finding."""
    return finding.verdict == "check" or finding.reason == reasons.of_nothing("mix")


def _look_again(work: _Work, findings: list[Finding], progress: Progress) -> list[Finding]:
    """Ask for more evidence about the clips that are not sure."""
    open_ = [index for index, finding in enumerate(findings) if _is_open(finding)]
    if not open_:
        return findings
    heard = [(work.clips[at], found) for at, found in enumerate(findings) if is_heard(found)]
    thinner = make_target(hear(take_out(work.mix, heard), name="mix")) if heard else None
    timing = prepare_timing(work.mix)

    def ask(index: int) -> Finding:
        samples, found = work.clips[index].samples, findings[index]
        if thinner is not None:
            own = hear(samples, name=work.clips[index].name)
            found = _surer(found, judge_waveform(find_evidence(own, thinner), "mix"))
        if found.verdict != "sure":
            found = with_timing(found, judge_timing(find_by_timing(samples, timing), "mix"))
        return found

    again = dict(zip(open_, spread(ask, open_, progress, work.workers), strict=True))
    return [again.get(index, finding) for index, finding in enumerate(findings)]


def _surer(first: Finding, second: Finding | None) -> Finding:
    """Return the better of two findings, the second of which comes from the thinner mix."""
    if second is None:
        return first
    surer = second.verdict == "sure" or second.confidence > first.confidence
    if first.verdict == "check" and not surer:
        return first
    return replace(second, reason=f"{reasons.THINNER} {second.reason}")


def _settle_takes(
    clips: Sequence[Clip], findings: Sequence[Finding], target: Target
) -> list[Finding]:
    """Let the takes of each part agree on where the mix holds which."""
    settled = list(findings)
    for part in dict.fromkeys(clip.part for clip in clips if clip.part):
        takes = [at for at, clip in enumerate(clips) if clip.part == part and findings[at].spans]
        if len(takes) > 1:
            sounds = [hear(clips[at].samples, name=clips[at].name) for at in takes]
            found = resolve_takes([findings[at] for at in takes], sounds, target.heard)
            settled = [
                found[takes.index(at)] if at in takes else finding
                for at, finding in enumerate(settled)
            ]
    return settled


def _ask_guide(
    work: _Work,
    findings: list[Finding],
    ear: GuideEar,
    guide_offset_s: float,
    progress: Progress,
) -> list[Finding]:
    """Let the guide in the background decide about the clips that are not sure yet."""
    open_ = [index for index, finding in enumerate(findings) if _is_open(finding)]
    evidence = spread(
        lambda index: listen(work.clips[index].samples, ear), open_, progress, work.workers
    )
    findings = list(findings)
    for index, told in zip(open_, judge_together(evidence, ear), strict=True):
        if told.verdict == "sure" and told.offset_s is not None:
            on_mix = replace(told, offset_s=told.offset_s + guide_offset_s, against="mix")
            findings[index] = with_guide(findings[index], on_mix)
    return findings
