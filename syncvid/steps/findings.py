"""The findings that a render works from: those of sync, or those of a file that the user names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from syncvid.errors import MediaError, ProductionError, SyncvidError
from syncvid.media.sound import SoundFile
from syncvid.production.files import system_errors
from syncvid.production.material import Material, Recording, SourceFile
from syncvid.production.pins import pinned
from syncvid.production.results import ClipSync, Stretch, SyncResult, read_sync_json
from syncvid.progress import Progress
from syncvid.steps.hearing import Facts, look
from syncvid.steps.jobs import sources_of
from syncvid.steps.syncing import SyncOutcome, sync_clips


def find_places_of(
    material: Material, sync_file: Path | None, progress: Progress
) -> tuple[SyncOutcome, dict[str, Facts]]:
    """Find the places, or read them, and the facts of every clip that can be read."""
    if sync_file is None:
        outcome = sync_clips(material, progress=progress)
        return outcome, {item.source.file: item.facts for item in outcome.heard}
    with system_errors(sync_file):
        text = sync_file.read_text(encoding="utf-8", errors="replace")
    result = _matched(read_sync_json(text, where=str(sync_file)), material.recordings)
    result = replace(result, reference_duration_s=_reference_duration_s(material, result))
    facts: dict[str, Facts] = {}
    problems: list[SyncvidError] = []
    sources = sources_of(material.recordings)
    for count, source in enumerate(sources):
        progress.advance(count, len(sources), "looking at the clips")
        try:
            facts[source.file] = look(source, material.store)
        except MediaError as exc:
            problems.append(exc)
    return SyncOutcome(result, (), tuple(problems), skipped=True), facts


def _reference_duration_s(material: Material, result: SyncResult) -> float | None:
    """Return the length of the reference, measured where its file is at hand."""
    source = material.mix or (material.guide if result.reference == "guide" else None)
    return SoundFile(source.path).duration_s if source else result.reference_duration_s


def _matched(result: SyncResult, recordings: Sequence[Recording]) -> SyncResult:
    """Give a sync file's entries to the recordings, and lay the user's pins over them."""
    clips: list[ClipSync] = []
    for recording in recordings:
        entries = [clip for clip in result.clips if not clip.sound_of]
        found = _entry(entries, recording.source, recording.stretch)
        if found is not None:
            file, finding = recording.source.file, pinned(found.finding, recording.pin)
            clips.append(replace(found, file=file, finding=finding))
        recorders = [clip for clip in result.clips if clip.sound_of]
        if recording.sound and (found := _entry(recorders, recording.sound, Stretch())):
            file, picture = recording.sound.file, recording.source.file
            clips.append(replace(found, file=file, sound_of=picture))
    return replace(result, clips=tuple(clips))


def _entry(clips: Sequence[ClipSync], source: SourceFile, stretch: Stretch) -> ClipSync | None:
    """Return the entry of a file: by its path as written, else by its last name."""
    same = [clip for clip in clips if clip.file == source.file] or [
        clip for clip in clips if Path(clip.file).name == source.path.name
    ]
    if len({clip.file for clip in same}) > 1:
        raise ProductionError(
            f"{len(same)} entries of the sync file could be {source.file!r}.",
            fix="Write the same path there as on the command line.",
        )
    exact = [clip for clip in same if clip.stretch == stretch]
    # Further takes in the file stand behind the one that counts.
    return next(iter(exact or (same if stretch.is_whole else ())), None)


def with_parts(material: Material, result: SyncResult) -> Material:
    """Let a sync file's parts and takes name loose clips; numbered takes then share a tile."""
    if material.folder is not None:
        return material
    named = []
    for recording in material.recordings:
        clip = result.of(recording.source.file)
        if clip and clip.part:
            recording = replace(recording, part=clip.part, player=clip.player, take=clip.take)
        named.append(recording)
    return replace(material, recordings=tuple(named), parts=_shared_parts(named, result))


def _shared_parts(
    recordings: Sequence[Recording], result: SyncResult
) -> tuple[tuple[str, str], ...]:
    """Return the parts of a sync file, if it names every clip's and numbers the takes apart."""
    clips = [clip for r in recordings if (clip := result.of(r.source.file))]
    takes = [(clip.part, clip.player, clip.take) for clip in clips]
    if len(set(takes)) < len(takes) or not all(clip.part for clip in clips):
        return ()
    return tuple(dict.fromkeys((part, player) for part, player, _ in takes))
