"""Where the guide lies on the mix: heard in the mix itself, or told by clips that are in both."""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from syncvid.arrays import Audio
from syncvid.production.results import Finding
from syncvid.progress import Progress
from syncvid.sync.by_guide import GuideEar, judge_together, listen
from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.sync.spread import Clip

# Clips that are asked, and how well two of them must agree, in seconds.
MOST_WITNESSES = 6
SAME_GUIDE_S = 0.020


def find_guide_offset(
    clips: Sequence[Clip],
    findings: Sequence[Finding],
    mix: Audio,
    ear: GuideEar,
    progress: Progress,
) -> float | None:
    """Return where the guide's zero lies on the mix, if the mix or two clips tell surely."""
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
    agreeing = [one for one in told if sum(abs(one - other) < SAME_GUIDE_S for other in told) >= 2]
    return statistics.median(agreeing) if agreeing else None
