"""What sync has to place, one sound at a time: every take, and every separate recorder's file.

What is found is kept under the content of the files, so that a new name, part or place of a file
asks for no new search; here the findings get the names back, and the user's pins are laid over.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from syncvid.arrays import Audio
from syncvid.production.material import Recording, SourceFile
from syncvid.production.pins import pinned
from syncvid.production.results import ClipSync, Finding, Stretch, SyncResult
from syncvid.steps.hearing import Facts
from syncvid.sync import ANALYSIS_RATE
from syncvid.sync.several import FullTake
from syncvid.timeline import to_samples

# What is cut out of a file begins and ends this softly, so that the cut itself is no sound.
_EDGE_S = 0.005

# Between the key of a file and the number of a further take that was found in it.
_FURTHER = "+"


@dataclass(frozen=True, slots=True)
class Job:
    """One sound to be placed: that of a take, or that of its separate recorder.

    Attributes
    ----------
    recording : Recording
        The take.
    is_recorder : bool
        Whether this is the recorder's file.
    """

    recording: Recording
    is_recorder: bool = False

    @property
    def source(self) -> SourceFile:
        """The file that holds the sound."""
        recorder = self.recording.sound if self.is_recorder else None
        return recorder or self.recording.source

    @property
    def stretch(self) -> Stretch:
        """The part of the file that is listened to."""
        return Stretch() if self.is_recorder else self.recording.stretch

    @property
    def key(self) -> str:
        """What the finding is kept under."""
        if self.is_recorder:
            return f"{self.source.identity}&{self.recording.key}"
        return self.recording.key

    @property
    def name(self) -> str:
        """What to call it in a message."""
        return f"{self.recording.name}, its recorder" if self.is_recorder else self.recording.name

    @property
    def part(self) -> str:
        """What the takes of one part by one player have in common; empty if nobody knows."""
        recording = self.recording
        return f"{recording.part}, {recording.player}" if recording.part else ""

    def sound(self, samples: Audio) -> Audio:
        """Return a file's sound with silence outside of the stretch, shape (samples,)."""
        return cut_out(samples, self.stretch)

    def clip(self, finding: Finding, facts: Facts) -> ClipSync:
        """Return a finding as it is kept: called by the key."""
        return ClipSync(
            file=self.key,
            part="",
            take=1,
            finding=finding,
            duration_s=facts.duration_s,
            stretch=self.stretch,
        )

    def named(self, clip: ClipSync) -> ClipSync:
        """Give a kept finding the names of now, and lay the user's pin over it."""
        recording = self.recording
        pin = None if self.is_recorder else recording.pin
        return replace(
            clip,
            file=self.source.file,
            part=recording.part,
            player=recording.player,
            take=recording.take,
            finding=pinned(clip.finding, pin),
            sound_of=recording.source.file if self.is_recorder else "",
        )


def jobs_of(recordings: Sequence[Recording]) -> list[Job]:
    """Return every sound that is to be placed, in the order of the recordings."""
    return [
        job
        for recording in recordings
        for job in (Job(recording), Job(recording, is_recorder=True))
        if not job.is_recorder or recording.sound is not None
    ]


def sources_of(recordings: Sequence[Recording]) -> list[SourceFile]:
    """Return every file that is to be heard, once."""
    return list({job.source.file: job.source for job in jobs_of(recordings)}.values())


def cut_out(samples: Audio, stretch: Stretch) -> Audio:
    """Return sound with silence outside of a stretch; its clock stays that of the file.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        A file's sound at `syncvid.sync.ANALYSIS_RATE`.
    stretch : Stretch
        What to keep.

    Returns
    -------
    ndarray, shape (samples,), float32
    """
    if stretch.is_whole:
        return samples
    begin_s, end_s = stretch.within(samples.size / ANALYSIS_RATE)
    begin, end = to_samples(begin_s, ANALYSIS_RATE), to_samples(end_s, ANALYSIS_RATE)
    kept = np.zeros_like(samples)
    kept[begin:end] = samples[begin:end]
    edge = np.linspace(0.0, 1.0, min(to_samples(_EDGE_S, ANALYSIS_RATE), end - begin), False)
    kept[begin : begin + edge.size] *= edge.astype(np.float32)
    kept[end - edge.size : end] *= edge[::-1].astype(np.float32)
    return kept


def with_takes(clip: ClipSync, takes: Sequence[FullTake]) -> list[ClipSync]:
    """Return a kept finding, followed by one for each further take that its file holds.

    Parameters
    ----------
    clip : ClipSync
        What was found of the file as a whole; called by its key.
    takes : sequence of FullTake
        The takes in the file, in the order of time; none or two and more.

    Returns
    -------
    list of ClipSync
        The finding that counts for the file comes first: that of a sure take, if there is one.
    """
    if not takes:
        return [clip]
    offset_s = clip.finding.offset_s or 0.0
    best = min(takes, key=lambda take: _worth(take.finding, offset_s))
    further = [take for take in takes if take is not best]
    return [
        replace(clip, finding=best.finding, stretch=best.stretch),
        *(
            replace(
                clip,
                file=f"{clip.file}{_FURTHER}{number}",
                finding=take.finding,
                stretch=take.stretch,
                listed=False,
            )
            for number, take in enumerate(further, 1)
        ),
    ]


def _worth(finding: Finding, offset_s: float) -> tuple[bool, float]:
    """Return what takes in a file are sorted by: sure ones, then the place that was found first."""
    away_s = abs(finding.offset_s - offset_s) if finding.offset_s is not None else float("inf")
    return finding.verdict != "sure", away_s


def named(result: SyncResult, recordings: Sequence[Recording]) -> SyncResult:
    """Give kept findings the names that their clips have now, and lay the user's pins over them."""
    kept = {clip.file: clip for clip in result.clips}
    numbers: dict[tuple[str, str], set[int]] = {}
    for recording in recordings:
        numbers.setdefault((recording.part, recording.player), set()).add(recording.take)
    clips: list[ClipSync] = []
    for job in jobs_of(recordings):
        if job.key not in kept:
            continue
        clips.append(job.named(kept[job.key]))
        used = numbers[job.recording.part, job.recording.player]
        for further in (c for key, c in kept.items() if key.startswith(f"{job.key}{_FURTHER}")):
            number = next(n for n in itertools.count(job.recording.take + 1) if n not in used)
            used.add(number)
            clips.append(
                replace(
                    clips[-1],
                    take=number,
                    finding=further.finding,
                    stretch=further.stretch,
                    listed=False,
                )
            )
    return replace(result, clips=tuple(clips))
