"""Where the guide lies on the mix: heard in the mix itself, or told by clips that are in both."""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from syncvid.arrays import Audio
from syncvid.production.results import Finding
from syncvid.progress import Progress
from syncvid.sync.by_guide import GuideEar, judge_together, listen
from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.sync.signatures import HeardSignatures
from syncvid.sync.spread import Clip

# Clips that are asked, and how well two of them must agree, in seconds.
MOST_WITNESSES = 6
SAME_GUIDE_S = 0.020


def find_guide_offset(
    clips: Sequence[Clip],
    findings: Sequence[Finding],
    mix: Audio,
    ear: GuideEar,
    heard: Sequence[HeardSignatures | None],
    progress: Progress,
) -> float | None:
    """Return where the guide's zero lies on the mix, if the mix or two clips tell surely.

    Clips in which the guide's signature is heard (`heard`, one for each clip) tell it at once.
    """
    by_signature = _by_signatures(findings, heard)
    if len(by_signature) > 1:
        agreeing = _agreeing(by_signature)
        if agreeing:
            return statistics.median(agreeing)
    in_mix = judge_together([listen(mix, ear)], ear)[0]
    if in_mix.verdict == "sure" and in_mix.placement is not None:
        middle_s = len(mix) / ANALYSIS_RATE / 2
        return middle_s - in_mix.placement.to_reference(middle_s)
    witnesses = [
        (clip, finding)
        for clip, finding in zip(clips, findings, strict=True)
        if finding.verdict == "sure" and finding.spans
    ]
    # Those that are heard longest in the mix have the longest guide behind them.
    witnesses.sort(key=lambda pair: -sum(span.length_s for span in pair[1].spans))
    witnesses = witnesses[:MOST_WITNESSES]
    gathered, lengths_s = [], []
    for done, (clip, _) in enumerate(witnesses, 1):
        samples = clip.samples
        gathered.append(listen(samples, ear))
        lengths_s.append(len(samples) / ANALYSIS_RATE)
        progress.advance(done, len(witnesses), "finding the guide")
    told: list[float] = []
    for (_, finding), length_s, on_guide in zip(
        witnesses, lengths_s, judge_together(gathered, ear), strict=True
    ):
        on_mix = finding.placement
        if on_guide.verdict == "sure" and on_guide.placement is not None and on_mix is not None:
            middle_s = length_s / 2
            told.append(on_mix.to_reference(middle_s) - on_guide.placement.to_reference(middle_s))
    agreeing = _agreeing([*told, *by_signature])
    if agreeing:
        return statistics.median(agreeing)
    # One clip alone is believed if no other says something else.
    return by_signature[0] if len(by_signature) == 1 and not told else None


def _by_signatures(
    findings: Sequence[Finding], heard: Sequence[HeardSignatures | None]
) -> list[float]:
    """Return where clips that are surely in the mix put the guide by its signature."""
    return [
        finding.placement.to_reference(one.own[-1].at_s) - one.known.at_s
        for finding, one in zip(findings, heard, strict=True)
        if one is not None
        and one.own
        and finding.placement is not None
        and finding.verdict == "sure"
        and finding.spans
    ]


def _agreeing(told: Sequence[float]) -> list[float]:
    """Return what at least two say alike."""
    return [one for one in told if sum(abs(one - other) < SAME_GUIDE_S for other in told) >= 2]
