"""From findings to tiles: which take each part shows, and what is left out, with the reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from syncvid.listen import Candidate, choose_take
from syncvid.picture import LABEL_SEPARATOR, Piece, Voice
from syncvid.picture.pieces import DEFAULT_FOCUS
from syncvid.production.material import Material, Recording
from syncvid.production.results import ClipSync, SyncResult
from syncvid.steps.hearing import Facts
from syncvid.timeline import Placement


@dataclass(frozen=True, slots=True)
class Entry:
    """A recording with what is known of it."""

    recording: Recording
    sync: ClipSync
    facts: Facts


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
        Takes with a place whose part shows another one.
    left_out : tuple of Entry
        Clips without a place.
    duration_s : float
        Length of the video in reference seconds.
    """

    voices: tuple[Voice, ...]
    shown: tuple[Entry, ...]
    unsure: tuple[Entry, ...]
    rejected: tuple[Entry, ...]
    left_out: tuple[Entry, ...]
    duration_s: float


def cast(material: Material, result: SyncResult, facts: dict[str, Facts]) -> Cast:
    """Choose the takes and lay them on the reference.

    Parameters
    ----------
    material : Material
        The recordings in score order.
    result : SyncResult
        Their places.
    facts : dict
        What is known of each file, by its path as given.

    Returns
    -------
    Cast
    """
    entries = [
        Entry(recording, sync, facts[recording.source.file])
        for recording in material.recordings
        if recording.source.file in facts
        and (sync := result.of(recording.source.file, recording.stretch)) is not None
    ]
    voices: list[Voice] = []
    shown: list[Entry] = []
    rejected: list[Entry] = []
    for part, player, takes in _tiles(material, entries):
        chosen = choose_take([Candidate(e.sync, e.facts.levels, e.recording.use) for e in takes])
        if chosen is not None:
            shown.append(takes[chosen])
            rejected += [e for e in takes if e is not takes[chosen] and e.sync.finding.placement]
            voices.append(_voice(part, player, takes[chosen]))
        elif not takes:
            voices.append(Voice(_label(part, player), part))
    return Cast(
        voices=tuple(voices),
        shown=tuple(shown),
        unsure=tuple(e for e in shown if e.sync.finding.verdict == "check"),
        rejected=tuple(rejected),
        left_out=tuple(e for e in entries if e.sync.finding.placement is None),
        duration_s=_duration_s(result, shown),
    )


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


def _voice(part: str, player: str, entry: Entry) -> Voice:
    """Return the tile of a part that shows one take."""
    placement = entry.sync.finding.placement
    label = _label(part, player) or entry.recording.source.path.stem
    if placement is None or entry.facts.shape is None:
        return Voice(label, part)
    return Voice(label, part, (_piece(entry, placement, entry.facts.shape),))


def _piece(entry: Entry, placement: Placement, shape: tuple[int, int]) -> Piece:
    """Return the stretch in which a take has pictures."""
    source = entry.recording.source
    return Piece(
        file=source.file,
        path=source.path,
        placement=placement,
        from_s=placement.to_reference(entry.facts.picture_from_s),
        to_s=placement.to_reference(entry.facts.picture_to_s),
        shape=shape,
        identity=source.identity,
        focus=entry.recording.focus or DEFAULT_FOCUS,
    )


def _label(part: str, player: str) -> str:
    """Return the caption of a part."""
    return LABEL_SEPARATOR.join(filter(None, (part, player)))


def _duration_s(result: SyncResult, shown: Sequence[Entry]) -> float:
    """Return how long the video is: as the mix or guide, or to the end of the last clip."""
    if result.reference != "clips" and result.reference_duration_s:
        return result.reference_duration_s
    ends = [
        placement.to_reference(entry.facts.duration_s)
        for entry in shown
        if (placement := entry.sync.finding.placement)
    ]
    return max([1.0, *ends])
