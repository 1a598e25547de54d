"""From findings to tiles: which take each part shows, and what is left out, with the reason."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

from syncvid.listen import Candidate, choose_take
from syncvid.media.sound import SoundFile
from syncvid.mix import Line
from syncvid.picture import LABEL_SEPARATOR, Piece, Voice
from syncvid.picture.following import Shot, Take, follow, heard_together_s
from syncvid.picture.pieces import DEFAULT_FOCUS
from syncvid.production.material import Material, Recording, SourceFile
from syncvid.production.results import ClipSync, Finding, Levels, SyncResult
from syncvid.production.store import Store
from syncvid.steps.hearing import Facts
from syncvid.steps.playing import loudness_of
from syncvid.timeline import Placement

# A still image is there at any time of any piece.
ALWAYS_S = 1e6

_NEEDS_NO_PLACE = Finding("none", 1.0, "It is a still image, so it needs no place.")

# Takes of one part that are heard at once for less than this follow each other: the tile shows each
# in its time.  What shows less than `_LEAST_SHOWN_S` of the music is not worth a cut.
_FOLLOWS_S = 1.0
_LEAST_SHOWN_S = 2.0


# Of a photo the upper part is kept: there the head is (common practice of portraits).
STILL_FOCUS = (0.5, 0.25)


@dataclass(frozen=True, slots=True)
class Recorder:
    """The file of a separate recorder that goes with a clip, with what is known of it."""

    source: SourceFile
    sync: ClipSync
    facts: Facts


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
    def line(self) -> Line | None:
        """Its sound, for the sum of the clips: that of its recorder where that has a place."""
        if self.recorder and self.recorder.facts.levels:
            placement = self.recorder.sync.finding.placement
            if placement is not None:
                return Line(SoundFile(self.recorder.source.path), placement)
        placement = self.sync.finding.placement
        if placement is None or not self.facts.levels:
            return None
        return Line(SoundFile(self.recording.source.path), placement, *self.stretch_s)


@dataclass(frozen=True, slots=True)
class Cast:
    """Who is shown, and who is not.

    Attributes
    ----------
    voices : tuple of Voice
        The tiles in score order.
    shown : tuple of Entry
        The takes that were chosen, in score order.
    unsure : tuple of Entry
        Those of them that an ear should check.
    rejected : tuple of Entry
        Takes with a place, or that need none, whose part shows another one.
    left_out : tuple of Entry
        Clips without a place.
    duration_s : float
        Length of the video in reference seconds.
    stills : tuple of Entry
        Still images among the takes that are shown, each for the whole piece.
    """

    voices: tuple[Voice, ...]
    shown: tuple[Entry, ...]
    unsure: tuple[Entry, ...]
    rejected: tuple[Entry, ...]
    left_out: tuple[Entry, ...]
    duration_s: float
    stills: tuple[Entry, ...] = ()


def cast(
    material: Material,
    result: SyncResult,
    facts: dict[str, Facts],
    *,
    take_dissolve_s: float = 0.0,
) -> Cast:
    """Choose the takes and lay them on the reference.

    Parameters
    ----------
    material : Material
        The recordings in score order.
    result : SyncResult
        Their places.
    facts : dict
        What is known of each file, by its path as given.
    take_dissolve_s : float
        How long it takes where a tile changes from one take, or one place of it, to another.

    Returns
    -------
    Cast
    """
    entries = [
        Entry(recording, sync, facts[recording.source.file], _recorder(recording, result, facts))
        for recording in material.recordings
        if recording.source.file in facts
        and (sync := _sync_of(recording, result, facts[recording.source.file])) is not None
    ]
    voices: list[Voice] = []
    shown: list[Entry] = []
    rejected: list[Entry] = []
    stills: list[Entry] = []
    for part, player, takes in _tiles(material, entries):
        images = [entry for entry in takes if entry.facts.is_still]
        takes = [entry for entry in takes if not entry.facts.is_still]
        chosen = _chosen(takes, _reference_s(result))
        still = material.stills.get((part, player))
        voice = Voice(_label(part, player), part)
        if chosen:
            shown += chosen
            rejected += [e for e in takes if e not in chosen and e.sync.finding.placement]
            voice = _voice(part, player, chosen, material.store, take_dissolve_s)
        elif images:
            stills.append(images.pop(0))
            voice = _still_voice(part, player, stills[-1])
        elif takes and still is None:
            continue
        rejected += images
        group = material.groups.get((part, player), "")
        voices.append(replace(voice, group=group, still=still.path if still else None))
    return Cast(
        voices=tuple(voices),
        shown=tuple(shown),
        unsure=tuple(e for e in shown if e.sync.finding.verdict == "check"),
        rejected=tuple(rejected),
        left_out=tuple(
            e for e in entries if e.sync.finding.placement is None and not e.facts.is_still
        ),
        duration_s=_duration_s(result, shown),
        stills=tuple(stills),
    )


def _sync_of(recording: Recording, result: SyncResult, facts: Facts) -> ClipSync | None:
    """Return the finding about a recording; a still image needs none, and heeds none."""
    found = result.of(recording.source.file, recording.stretch)
    if not facts.is_still:
        return found
    known = found or ClipSync(
        recording.source.file, recording.part, recording.take, _NEEDS_NO_PLACE
    )
    return replace(known, finding=_NEEDS_NO_PLACE)


def _tiles(material: Material, entries: Sequence[Entry]) -> list[tuple[str, str, list[Entry]]]:
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


def _chosen(takes: Sequence[Entry], reference_s: float) -> list[Entry]:
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


def _voice(
    part: str, player: str, entries: Sequence[Entry], store: Store, dissolve_s: float
) -> Voice:
    """Return the tile of a part: the takes that are heard, each in its time and on its place."""
    label = _label(part, player) or entries[0].recording.source.path.stem
    seen = [(entry, take) for entry in entries if (take := entry.take) and entry.facts.shape]
    takes = [
        replace(take, loudness=partial(loudness_of, entry.recording.source, store))
        for entry, take in seen
    ]
    shots = follow(takes, dissolve_s=dissolve_s)
    return Voice(label, part, tuple(_piece(seen[shot.take][0], shot) for shot in shots))


def _still_voice(part: str, player: str, entry: Entry) -> Voice:
    """Return the tile of a part that has only a still image: it stands there all the time."""
    label = _label(part, player) or entry.recording.source.path.stem
    always = Shot(0, Placement(0.0), -ALWAYS_S, ALWAYS_S)
    piece = replace(_piece(entry, always), still=True)
    if entry.recording.focus is None:
        piece = replace(piece, focus=STILL_FOCUS)
    return Voice(label, part, (piece,))


def _piece(entry: Entry, shot: Shot) -> Piece:
    """Return a shot as the picture knows it."""
    recording = entry.recording
    return Piece(
        file=recording.source.file,
        path=recording.source.path,
        placement=shot.placement,
        from_s=shot.from_s,
        to_s=shot.to_s,
        shape=entry.facts.shape or (0, 0),
        identity=recording.source.identity,
        focus=recording.focus or DEFAULT_FOCUS,
        zoom=recording.zoom or 1.0,
        dissolve_s=shot.dissolve_s,
    )


def _label(part: str, player: str) -> str:
    """Return the caption of a part."""
    return LABEL_SEPARATOR.join(filter(None, (part, player)))


def _reference_s(result: SyncResult) -> float:
    """Return the length of the mix or guide; without end where the clips are the reference."""
    if result.reference != "clips" and result.reference_duration_s:
        return result.reference_duration_s
    return math.inf


def _duration_s(result: SyncResult, shown: Sequence[Entry]) -> float:
    """Return how long the video is: as the mix or guide, or to the end of the last clip."""
    reference_s = _reference_s(result)
    if math.isfinite(reference_s):
        return reference_s
    ends = [
        placement.to_reference(entry.stretch_s[1])
        for entry in shown
        if (placement := entry.sync.finding.placement)
    ]
    return max([1.0, *ends])
