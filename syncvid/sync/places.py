"""Finding the place of every clip: the room's one entry."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

from syncvid.arrays import Audio, check_mono
from syncvid.production.results import Finding, Reference
from syncvid.progress import SILENT, Progress
from syncvid.sync.by_clips import lay_against_each_other
from syncvid.sync.by_guide import Evidence, judge_together, listen, prepare_guide
from syncvid.sync.by_mix import lay_against_mix
from syncvid.sync.spread import Clip, spread
from syncvid.sync.usable import USUAL, SyncSettings, silent_reference, unusable


@dataclass(frozen=True, slots=True)
class Listened:
    """One clip whose sound is in memory.

    Attributes
    ----------
    name : str
        What to call it in messages: part and take, or the file.
    samples : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`; the first sample is clip time 0.
    part : str
        What tells takes of one part by one player from others; empty if nobody knows.
    """

    name: str
    samples: Audio
    part: str = ""


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
        findings, offset_s = lay_against_mix(clips, mix, guide, settings, progress, workers)
        placed = Placed("mix", tuple(findings), offset_s)
    elif guide is not None:
        findings = _lay_against_guide(clips, guide, settings, progress, workers)
        placed = Placed("guide", tuple(findings), 0.0)
    else:
        findings = lay_against_each_other(clips, settings, progress, workers)
        placed = Placed("clips", tuple(findings))
    progress.advance(1, 1, "finding the places")
    return placed


def _lay_against_guide(
    clips: Sequence[Clip],
    guide: Audio,
    settings: SyncSettings,
    progress: Progress,
    workers: Executor | None,
) -> list[Finding]:
    """Lay all clips against the guide track."""
    ear = prepare_guide(guide)
    useless = silent_reference(guide, "guide")

    def gather(clip: Clip) -> Evidence | Finding:
        samples = check_mono(clip.samples, name=clip.name)
        return unusable(samples, settings) or useless or listen(samples, ear)

    gathered = spread(gather, clips, progress, workers)
    judged = iter(judge_together([held for held in gathered if isinstance(held, Evidence)], ear))
    return [held if isinstance(held, Finding) else next(judged) for held in gathered]
