"""Who can be heard in versions for practice: the lines of the score, or recordings in place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Sound
from syncvid.errors import ProductionError
from syncvid.media.sound import SoundFile
from syncvid.mix import Piece, PlainSum, safe_gain
from syncvid.production.beats import GuideMap
from syncvid.production.material import open_production, plan_path
from syncvid.production.results import SyncResult
from syncvid.progress import SILENT
from syncvid.steps.casting import cast
from syncvid.steps.entries import Entry
from syncvid.steps.findings import find_places_of
from syncvid.steps.guide_source import GuideSource
from syncvid.steps.telling import find_beats, guide_offset_of
from syncvid.timeline import BeatMap, Placement

# How loud recordings stand against the guide's limit (project choice): the click stays clear.
_UNDER_CLICK = 10 ** (-6 / 20)

# Peaks of a guide stay at or below -6 dBFS (common practice).
_PEAK = 10 ** (-6 / 20)

# Beats closer than this are the same (project choice, as where a guide's version is counted).
_SAME_TIME_S = 1e-4


@dataclass(frozen=True, slots=True)
class PlayedParts:
    """The parts that can be heard.

    Attributes
    ----------
    names : tuple of str
        In score order.
    pieces : tuple of (str, Piece)
        Recordings, each with its part, on the guide's clock; empty where the score plays.
    remarks : tuple of str
        Whom we do not hear, and why.
    """

    names: tuple[str, ...] = ()
    pieces: tuple[tuple[str, Piece], ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def is_recorded(self) -> bool:
        """Whether recordings are heard, not the score."""
        return bool(self.pieces)

    def with_guide(self, guide: Sound, parts: Sequence[str]) -> Sound:
        """Return the guide with some parts' recordings under its clicks.

        All versions have the same gain, so that nobody is louder where somebody is missing.
        """
        everybody = PlainSum([piece for _, piece in self.pieces], guide.duration_s)
        gain = safe_gain(everybody, sample_rate=guide.sample_rate) * _UNDER_CLICK
        chosen = [piece for name, piece in self.pieces if name in parts]
        total = PlainSum(chosen, guide.duration_s, gain)
        samples = guide.samples.copy()
        heard = total.read(0.0, guide.duration_s, guide.sample_rate).mean(axis=0)
        samples[:, : heard.size] += heard[: samples.shape[1]]
        peak = float(np.abs(samples).max(initial=0.0))
        if peak > _PEAK:
            samples *= np.float32(_PEAK / peak)
        return Sound(samples, guide.sample_rate)


def played_parts(read: GuideSource, guide: GuideMap) -> PlayedParts:
    """Return who can be heard: the players whose clips have a place, otherwise the score's lines.

    Raises
    ------
    ProductionError
        Clips have places, but nobody knows where this guide lies among them.
    """
    recorded = _recorded(read, guide)
    if recorded is not None:
        return recorded
    return PlayedParts(tuple(part.name for part in read.score.parts) if read.score else ())


def _recorded(read: GuideSource, guide: GuideMap) -> PlayedParts | None:
    """Return the recordings of a production, on the guide's clock."""
    if read.folder is None or not plan_path(read.folder).is_file():
        return None
    material = open_production(read.folder)
    if not material.recordings:
        return None
    outcome, facts = find_places_of(material, None, SILENT)
    entries = cast(material, outcome.result, facts).shown
    if not entries:
        return None
    offset_s = guide_offset_of(material, outcome.result)
    beats = find_beats(material)
    if offset_s is None or beats is None:
        raise ProductionError(
            "The clips have places, but where the guide lies among them is not known.",
            where=str(read.folder),
            fix="Say it with `guide_offset_s` in production.toml.",
        )
    if not _same_beats(beats, guide.beat_map):
        raise ProductionError(
            "The clips were recorded to another version of the guide.",
            where=str(read.folder),
            fix="Make versions with the players from the plan to which they have played.",
        )
    pieces = tuple(
        (entry.recording.part, moved)
        for entry in entries
        if (moved := _on_guide(entry, offset_s)) is not None
    )
    return PlayedParts(
        tuple(dict.fromkeys(name for name, _ in pieces)), pieces, tuple(_missing(outcome.result))
    )


def _same_beats(one: BeatMap, other: BeatMap) -> bool:
    """Return whether two maps say the same; one that was written is rounded."""
    return len(one.beats) == len(other.beats) and all(
        (a.bar, a.beat) == (b.bar, b.beat) and abs(a.guide_s - b.guide_s) < _SAME_TIME_S
        for a, b in zip(one.beats, other.beats, strict=True)
    )


def _on_guide(entry: Entry, guide_offset_s: float) -> Piece | None:
    """Return a recording's sound on the clock of the guide."""
    sound = entry.sound
    if sound is None:
        return None
    placed = sound.take.placement
    shifted = Placement(placed.offset_s - guide_offset_s, placed.drift_ppm)
    begin_s, end_s = sound.take.stretch_s
    return Piece(SoundFile(sound.source.path), shifted, clip_from_s=begin_s, clip_to_s=end_s)


def _missing(result: SyncResult) -> list[str]:
    """Return who is not heard because no place was found."""
    lost = [clip.name for clip in result.clips if clip.finding.placement is None]
    if not lost:
        return []
    return [f"Not heard, for no place was found: {', '.join(lost)}."]
