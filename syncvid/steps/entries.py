"""The recordings with what is known of them, and which of them each part uses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from syncvid.listen import Candidate, choose_take
from syncvid.picture.following import Take, heard_together_s
from syncvid.production.material import Material, Recording, SourceFile
from syncvid.production.results import ClipSync, Finding, Levels, SyncResult
from syncvid.steps.hearing import Facts

_NEEDS_NO_PLACE = Finding("none", 1.0, "It is a still image, so it needs no place.")

# Takes of one part that are heard at once for less than this follow each other: the tile shows each
# in its time.  What shows less than `_LEAST_SHOWN_S` of the music is not worth a cut.
_FOLLOWS_S = 1.0
_LEAST_SHOWN_S = 2.0


@dataclass(frozen=True, slots=True)
class Recorder:
    """The file of a separate recorder that goes with a clip, with what is known of it."""

    source: SourceFile
    sync: ClipSync
    facts: Facts


@dataclass(frozen=True, slots=True)
class Sounding:
    """The file from which a recording is heard, and where on the reference."""

    source: SourceFile
    take: Take


@dataclass(frozen=True, slots=True)
class Entry:
    """A recording with what is known of it."""

    recording: Recording
    sync: ClipSync
    facts: Facts
    recorder: Recorder | None = None

    @property
    def levels(self) -> Levels | None:
        """The levels of the sound that is used."""
        return self.recorder.facts.levels if self.recorder else self.facts.levels

    @property
    def stretch_s(self) -> tuple[float, float]:
        """The part of the file that holds the take, in clip seconds."""
        return self.sync.stretch.within(self.facts.duration_s)

    @property
    def take(self) -> Take | None:
        """The take as the tile follows it; None without a place."""
        placement = self.sync.finding.placement
        if placement is None:
            return None
        facts = self.facts
        return Take(
            placement=placement,
            stretch_s=self.stretch_s,
            pictures_s=(facts.picture_from_s, facts.picture_to_s) if facts.shape else (0.0, 0.0),
            spans=self.sync.finding.spans,
            late_s=self.recording.picture_shift_ms / 1000,
        )

    @property
    def sound(self) -> Sounding | None:
        """Its sound, that of its recorder where that has a place; None without sound or place."""
        if self.recorder and self.recorder.facts.levels:
            found = self.recorder.sync.finding
            if found.placement is not None:
                whole = (0.0, self.recorder.facts.duration_s)
                take = Take(found.placement, whole, (0.0, 0.0), found.spans)
                return Sounding(self.recorder.source, take)
        if self.take is None or not self.facts.levels:
            return None
        return Sounding(self.recording.source, self.take)


def entries_of(material: Material, result: SyncResult, facts: dict[str, Facts]) -> list[Entry]:
    """Return the recordings that could be read and of which sync has said something.

    Parameters
    ----------
    material : Material
        The recordings in score order.
    result : SyncResult
        Their places.
    facts : dict
        What is known of each file, by its path as given.
    """
    return [
        Entry(recording, sync, facts[recording.source.file], _recorder(recording, result, facts))
        for recording in material.recordings
        if recording.source.file in facts
        and (sync := _sync_of(recording, result, facts[recording.source.file])) is not None
    ]


def _sync_of(recording: Recording, result: SyncResult, facts: Facts) -> ClipSync | None:
    """Return the finding about a recording; a still image needs none, and heeds none."""
    found = result.of(recording.source.file, recording.stretch)
    if not facts.is_still:
        return found
    known = found or ClipSync(
        recording.source.file, recording.part, recording.take, _NEEDS_NO_PLACE
    )
    return replace(known, finding=_NEEDS_NO_PLACE)


def tiles_of(material: Material, entries: Sequence[Entry]) -> list[tuple[str, str, list[Entry]]]:
    """Return (part, player, takes) of every tile.

    In a production a part that has no clip at all still has a tile; of loose clips each has one.
    """
    if not material.parts:
        return [(e.recording.part, e.recording.player, [e]) for e in entries]
    tiles = []
    for part, player in material.parts:
        takes = [e for e in entries if (e.recording.part, e.recording.player) == (part, player)]
        if takes or (part, player) in material.open_parts:
            tiles.append((part, player, takes))
    return tiles


def _recorder(recording: Recording, result: SyncResult, facts: dict[str, Facts]) -> Recorder | None:
    """Return the separate recorder's file of a recording, if it has one that could be read."""
    if recording.sound is None or recording.sound.file not in facts:
        return None
    sync = result.sound_of(recording.sound.file, recording.source.file)
    if sync is None:
        return None
    return Recorder(recording.sound, sync, facts[recording.sound.file])


def chosen_takes(takes: Sequence[Entry], reference_s: float) -> list[Entry]:
    """Choose what a tile shows: the best take, and those that follow or precede it in the music."""
    left = list(takes)
    chosen: list[Entry] = []
    while left:
        best = choose_take([Candidate(e.sync, e.levels, e.recording.use) for e in left])
        if best is None:
            break
        entry = left.pop(best)
        if not chosen or (_adds(entry, reference_s) and not _overlaps(entry, chosen)):
            chosen.append(entry)
    return sorted(chosen, key=_first_heard_s)


def _first_heard_s(entry: Entry) -> float:
    """Return when a take is first heard."""
    return min(run.from_s for run in entry.take.runs()) if entry.take else math.inf


def _adds(entry: Entry, reference_s: float) -> bool:
    """Tell whether a take shows some of the music."""
    runs = entry.take.runs() if entry.take else []
    shown_s = sum(max(0.0, min(run.to_s, reference_s) - max(run.from_s, 0.0)) for run in runs)
    return shown_s >= _LEAST_SHOWN_S


def _overlaps(entry: Entry, others: Sequence[Entry]) -> bool:
    """Tell whether a take and one of others are heard at the same time."""
    return any(
        heard_together_s(entry.take, other.take) > _FOLLOWS_S
        for other in others
        if entry.take and other.take
    )


def reference_s_of(result: SyncResult) -> float:
    """Return the length of the mix or guide; without end where the clips are the reference."""
    if result.reference != "clips" and result.reference_duration_s:
        return result.reference_duration_s
    return math.inf
