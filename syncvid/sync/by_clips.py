"""Placing clips by each other, where there is neither a mix nor a guide.

The longest clips are hubs.  Each hub is laid against all clips that still want ties, one hub after
the other, so that the work grows with the number of clips and not with its square, and only one
hub's transforms are kept in memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from functools import partial

from syncvid.arrays import check_mono
from syncvid.production.results import Finding
from syncvid.progress import Progress
from syncvid.sync import reasons
from syncvid.sync.among import Tie, tie_together
from syncvid.sync.hearing import ANALYSIS_RATE, hear
from syncvid.sync.spread import Clip, spread
from syncvid.sync.usable import SyncSettings, unusable
from syncvid.sync.verdict import judge_waveform
from syncvid.sync.waveform import Target, find_evidence, make_target

# At most this many clips serve as hubs.
MOST_HUBS = 10

# A clip that is surely tied to so many others is laid against no further hub: the second tie is
# there to contradict the first.
ENOUGH_TIES = 2


def lay_against_each_other(
    clips: Sequence[Clip], settings: SyncSettings, progress: Progress, workers: Executor | None
) -> list[Finding]:
    """Find one clock for clips that share sound.

    Parameters
    ----------
    clips : sequence of Clip
        The clips.
    settings : SyncSettings
        What a user may change.
    progress : Progress
        Told after each clip.
    workers : concurrent.futures.Executor or None
        Threads over which the clips are spread.

    Returns
    -------
    list of Finding
        One per clip.
    """
    if not clips:
        return []
    if len(clips) == 1:
        return [Finding("sure", 1.0, reasons.ONLY, 0.0, 0.0, against=clips[0].name)]
    heard = partial(_hear_briefly, settings=settings)
    looked_at = spread(heard, clips, progress.part(0.1), workers, "listening")
    faults, lengths_s = zip(*looked_at, strict=True)
    ties = _find_ties(clips, lengths_s, progress.part(0.9), workers)
    together = tie_together(ties, [clip.name for clip in clips])
    return [fault or finding for fault, finding in zip(faults, together, strict=True)]


def _hear_briefly(clip: Clip, settings: SyncSettings) -> tuple[Finding | None, float]:
    """Return what is wrong with a clip, if anything, and its useful length in seconds."""
    samples = clip.samples
    fault = unusable(check_mono(samples, name=clip.name), settings)
    return fault, 0.0 if fault else len(samples) / ANALYSIS_RATE


def _find_ties(
    clips: Sequence[Clip],
    lengths_s: Sequence[float],
    progress: Progress,
    workers: Executor | None,
) -> list[Tie]:
    """Lay clips against hubs until each is tied well enough."""
    useful = [index for index, length_s in enumerate(lengths_s) if length_s > 0]
    hubs = sorted(useful, key=lambda index: -lengths_s[index])[:MOST_HUBS]
    ties: list[Tie] = []
    sure_ties = dict.fromkeys(useful, 0)
    for rank, hub in enumerate(hubs):
        waiting = [
            index
            for index in useful
            if index not in hubs[: rank + 1] and min(sure_ties[index], sure_ties[hub]) < ENOUGH_TIES
        ]
        if not waiting:
            continue
        target = make_target(hear(clips[hub].samples, name=clips[hub].name))
        lay = partial(_lay, target=target, against=clips[hub].name)
        findings = spread(lay, [clips[i] for i in waiting], progress.part(1 / len(hubs)), workers)
        for index, finding in zip(waiting, findings, strict=True):
            if finding is not None:
                ties.append(Tie(index, hub, finding))
                for end in (index, hub):
                    sure_ties[end] += finding.verdict == "sure"
    return ties


def _lay(clip: Clip, target: Target, against: str) -> Finding | None:
    """Lay one clip against a hub."""
    return judge_waveform(find_evidence(hear(clip.samples, name=clip.name), target), against)
