"""From findings to tiles: which take each part shows, and what is left out, with the reason."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

from syncvid.picture import LABEL_SEPARATOR, Piece, Voice
from syncvid.picture.following import Shot, Take, follow
from syncvid.picture.pieces import DEFAULT_FOCUS
from syncvid.production.material import Material
from syncvid.production.results import SyncResult
from syncvid.production.store import Store
from syncvid.steps.entries import Entry, chosen_takes, entries_of, reference_s_of, tiles_of
from syncvid.steps.heard_parts import HeardPart
from syncvid.steps.hearing import Facts
from syncvid.steps.playing import loudness_of
from syncvid.timeline import Placement

# A still image is there at any time of any piece.
ALWAYS_S = 1e6

# Of a photo the upper part is kept: there the head is (common practice of portraits).
STILL_FOCUS = (0.5, 0.25)


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
        The reference second at which the video ends.
    stills : tuple of Entry
        Still images among the takes that are shown, each for the whole piece.
    starts_s : float
        The reference second at which the video begins, without its title.
    """

    voices: tuple[Voice, ...]
    shown: tuple[Entry, ...]
    unsure: tuple[Entry, ...]
    rejected: tuple[Entry, ...]
    left_out: tuple[Entry, ...]
    duration_s: float
    stills: tuple[Entry, ...] = ()
    starts_s: float = 0.0


def cast(
    material: Material,
    result: SyncResult,
    facts: dict[str, Facts],
    *,
    heard: Sequence[HeardPart] = (),
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
    heard : sequence of HeardPart
        What is heard of the parts, where their own sound is used: tiles follow it.
    take_dissolve_s : float
        How long it takes where a tile changes from one take, or one place of it, to another.

    Returns
    -------
    Cast
    """
    entries = entries_of(material, result, facts)
    voices: list[Voice] = []
    shown: list[Entry] = []
    rejected: list[Entry] = []
    stills: list[Entry] = []
    decided = {p.entry.recording: part for part in heard for p in part.passages}
    for part, player, takes in tiles_of(material, entries):
        images = [entry for entry in takes if entry.facts.is_still]
        takes = [entry for entry in takes if not entry.facts.is_still]
        told = next((decided[e.recording] for e in takes if e.recording in decided), None)
        chosen = told.entries if told else chosen_takes(takes, reference_s_of(result))
        still = material.stills.get((part, player))
        voice = Voice(_label(part, player), part)
        if chosen:
            shown += chosen
            rejected += [e for e in takes if e not in chosen and e.sync.finding.placement]
            seen = _as_heard(told) if told else _as_found(chosen, material.store)
            voice = _voice(part, player, chosen, seen, take_dissolve_s)
        elif images:
            stills.append(images.pop(0))
            voice = _still_voice(part, player, stills[-1])
        elif takes and still is None:
            continue
        rejected += images
        if not material.sound_of(part, player).shown:
            continue
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


def _as_found(entries: Sequence[Entry], store: Store) -> list[tuple[Entry, Take]]:
    """Return the takes with pictures where sync found them; cuts lie where both are quietest."""
    return [
        (entry, replace(take, loudness=partial(loudness_of, entry.recording.source, store)))
        for entry in entries
        if (take := entry.take) and entry.facts.shape
    ]


def _as_heard(part: HeardPart) -> list[tuple[Entry, Take]]:
    """Return the takes with pictures where the part is heard from them; it cuts with the sound."""
    seen = []
    for entry in part.entries:
        spans = tuple(p.span for p in part.passages if p.entry == entry)
        if entry.take is not None and entry.facts.shape:
            longest = max(spans, key=lambda span: span.length_s)
            line = Placement(longest.offset_s, longest.drift_ppm or 0.0)
            seen.append((entry, replace(entry.take, placement=line, spans=spans)))
    return seen


def _voice(
    part: str,
    player: str,
    entries: Sequence[Entry],
    seen: Sequence[tuple[Entry, Take]],
    dissolve_s: float,
) -> Voice:
    """Return the tile of a part: the takes that are heard, each in its time and on its place."""
    label = _label(part, player) or entries[0].recording.source.path.stem
    shots = follow([take for _, take in seen], dissolve_s=dissolve_s)
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


def label_of(part: HeardPart) -> str:
    """Return the label of a part's voice."""
    return _label(part.part, part.player) or part.entries[0].recording.source.path.stem


def _label(part: str, player: str) -> str:
    """Return the caption of a part."""
    return LABEL_SEPARATOR.join(filter(None, (part, player)))


def _duration_s(result: SyncResult, shown: Sequence[Entry]) -> float:
    """Return how long the video is: as the mix or guide, or to the end of the last clip."""
    reference_s = reference_s_of(result)
    if math.isfinite(reference_s):
        return reference_s
    ends = [
        placement.to_reference(entry.stretch_s[1])
        for entry in shown
        if (placement := entry.sync.finding.placement)
    ]
    return max([1.0, *ends])
