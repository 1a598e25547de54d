"""Finding every clip's place: files in, `SyncResult` out, nothing done twice."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace

from syncvid.errors import MediaError, ProductionError, SyncvidError
from syncvid.listen import breaks_off, sounding_after_s
from syncvid.production.files import fingerprint
from syncvid.production.material import Material, Recording, source_record
from syncvid.production.results import (
    ClipSync,
    Finding,
    SyncResult,
    read_sync_json,
    write_sync_json,
)
from syncvid.progress import SILENT, Progress
from syncvid.steps.hearing import Heard, hear, hear_all
from syncvid.sync import ANALYSIS_RATE, Listened, SyncSettings, find_places
from syncvid.timeline import clock_text

# Raised when the way of finding places changes, so that old answers are found again.
_SYNCING = "syncing/2"

# Clips that play this much longer than a mix that breaks off say that it was cut off.
_GOES_ON_S = 1.0

_NO_SOUND = "The clip has no sound, so its place cannot be found by ear."


@dataclass(frozen=True, slots=True)
class SyncOutcome:
    """What `sync_clips` did.

    Attributes
    ----------
    result : SyncResult
        The findings, one for each clip that could be read.
    heard : tuple of Heard
        The clips with their facts, in score order.
    problems : tuple of SyncvidError
        Clips that could not be read.
    skipped : bool
        Whether the stored answer was still good.
    remarks : tuple of str
        What is worth knowing besides: files that break off, a mix that ends too soon.
    """

    result: SyncResult
    heard: tuple[Heard, ...]
    problems: tuple[SyncvidError, ...]
    skipped: bool
    remarks: tuple[str, ...] = ()


def sync_clips(
    material: Material, *, settings: SyncSettings | None = None, progress: Progress = SILENT
) -> SyncOutcome:
    """Find offset, drift and verdict of every clip.

    Parameters
    ----------
    material : Material
        The clips and their reference.
    settings : SyncSettings or None
        How to search; None for the usual way.
    progress : Progress
        Told how far it is.

    Returns
    -------
    SyncOutcome

    Raises
    ------
    ProductionError
        There are no clips.
    MediaError
        The mix or guide cannot be read.
    """
    settings = settings or SyncSettings()
    if not material.recordings:
        raise ProductionError(
            "There are no clips yet.",
            where=str(material.folder or ""),
            fix="Add some with `syncvid add FOLDER CLIPS...`.",
        )
    heard, problems = hear_all(
        [r.source for r in material.recordings], material.store, progress.part(0.5)
    )
    by_identity = {item.source.identity: item for item in heard}
    stored = stored_sync(material, settings)
    if stored is not None:
        remarks = _remarks(material, stored, by_identity)
        return SyncOutcome(stored, tuple(heard), tuple(problems), True, remarks)
    recordings = [r for r in material.recordings if r.source.identity in by_identity]
    result = _find(material, recordings, by_identity, settings, progress.part(0.5))
    text = write_sync_json(_anonymous(result, recordings))
    material.store.save("sync", _sync_fingerprint(material, settings), text)
    # What is written is rounded: hand on the same numbers that a later run will read.
    result = _named(read_sync_json(text), recordings)
    remarks = _remarks(material, result, by_identity)
    return SyncOutcome(result, tuple(heard), tuple(problems), False, remarks)


def stored_sync(material: Material, settings: SyncSettings | None = None) -> SyncResult | None:
    """Return the findings about the clips as they are now, if they were found before."""
    stored = material.store.load("sync", _sync_fingerprint(material, settings or SyncSettings()))
    return _named(read_sync_json(stored), material.recordings) if stored is not None else None


def _sync_fingerprint(material: Material, settings: SyncSettings) -> str:
    """Return what a sync's answer depends on."""
    return fingerprint(
        _SYNCING,
        [source_record(recording.source) for recording in material.recordings],
        source_record(material.mix),
        source_record(material.guide),
        asdict(settings),
    )


def _find(
    material: Material,
    recordings: list[Recording],
    heard: dict[str, Heard],
    settings: SyncSettings,
    progress: Progress,
) -> SyncResult:
    """Hand the sounds to the room that finds places."""
    mix, guide = (
        hear(source, material.store) if source else None
        for source in (material.mix, material.guide)
    )
    for reference in (mix, guide):
        if reference is not None and reference.samples is None:
            raise MediaError(
                "The file has no sound.", where=reference.source.file, fix="Name another file."
            )
    audible = [r for r in recordings if heard[r.source.identity].samples is not None]
    sounds = [
        Listened(r.name, samples, f"{r.part}, {r.player}" if r.part else "")
        for r in audible
        if (samples := heard[r.source.identity].samples) is not None
    ]
    with ThreadPoolExecutor(os.cpu_count() or 2) as pool:
        placed = find_places(
            sounds,
            mix=mix.samples if mix else None,
            guide=guide.samples if guide else None,
            settings=settings,
            progress=progress,
            workers=pool,
        )
    files = {r.name: r.source.file for r in audible}
    found = {
        r.source.identity: replace(finding, against=files.get(finding.against, finding.against))
        for r, finding in zip(audible, placed.findings, strict=True)
    }
    nothing = Finding("none", 1.0, _NO_SOUND)
    clips = [
        _clip_sync(r, found.get(r.source.identity, nothing), heard[r.source.identity])
        for r in recordings
    ]
    reference = mix or guide
    return SyncResult(
        reference=placed.reference,
        clips=tuple(clips),
        guide_offset_s=placed.guide_offset_s,
        reference_duration_s=reference.samples.size / ANALYSIS_RATE
        if reference is not None and reference.samples is not None
        else None,
    )


def _remarks(material: Material, result: SyncResult, heard: dict[str, Heard]) -> tuple[str, ...]:
    """Say what is worth knowing besides the places."""
    remarks = [
        f"{recording.name} breaks off: the last {item.facts.missing_s:.0f} s of the file are "
        f"missing. Have it sent again."
        for recording in material.recordings
        if (item := heard.get(recording.source.identity)) and item.facts.missing_s
    ]
    if material.mix is not None:
        remarks += _early_end(material, result, heard)
    return tuple(remarks)


def _early_end(material: Material, result: SyncResult, heard: dict[str, Heard]) -> list[str]:
    """Tell of a mix that ends in the middle of the music while the clips go on."""
    samples = hear(material.mix, material.store).samples if material.mix else None
    if samples is None or not breaks_off(samples, sample_rate=ANALYSIS_RATE):
        return []
    end_s = samples.size / ANALYSIS_RATE
    longest_s = 0.0
    for recording in material.recordings:
        clip, item = result.of(recording.source.file), heard.get(recording.source.identity)
        place = clip.finding.placement if clip else None
        if place is None or item is None or item.samples is None:
            continue
        after_s = sounding_after_s(item.samples, place.to_clip(end_s), sample_rate=ANALYSIS_RATE)
        longest_s = max(longest_s, after_s)
    if longest_s < _GOES_ON_S:
        return []
    return [
        f"The mix seems to end in the middle of the music, at {clock_text(end_s)}: "
        f"clips go on for {longest_s:.0f} s more. The video ends with the mix."
    ]


def _clip_sync(recording: Recording, finding: Finding, heard: Heard) -> ClipSync:
    """Join a finding with what the plan says of the clip."""
    return ClipSync(
        file=recording.source.file,
        part=recording.part,
        take=recording.take,
        finding=finding,
        player=recording.player,
        duration_s=heard.facts.duration_s,
    )


def _anonymous(result: SyncResult, recordings: list[Recording]) -> SyncResult:
    """Name clips by what they are known by, so that a new name or part asks for no new search."""
    names = {r.source.file: r.source.identity for r in recordings}
    return replace(result, clips=tuple(replace(c, file=names[c.file]) for c in result.clips))


def _named(result: SyncResult, recordings: Sequence[Recording]) -> SyncResult:
    """Give stored findings the names that their clips have now."""
    clips = {clip.file: clip for clip in result.clips}
    return replace(
        result,
        clips=tuple(
            replace(
                clips[r.source.identity],
                file=r.source.file,
                part=r.part,
                take=r.take,
                player=r.player,
            )
            for r in recordings
            if r.source.identity in clips
        ),
    )
