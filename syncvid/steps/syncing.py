"""Finding every clip's place: files in, `SyncResult` out, nothing done twice."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path

from syncvid.arrays import Audio
from syncvid.errors import MediaError, ProductionError, SyncvidError
from syncvid.listen import breaks_off, sounding_after_s
from syncvid.production.files import fingerprint
from syncvid.production.material import Material, source_record
from syncvid.production.results import Finding, SyncResult, read_sync_json, write_sync_json
from syncvid.progress import SILENT, Progress
from syncvid.steps.finished_mix import finished_mix_remarks
from syncvid.steps.hearing import Heard, hear, hear_all
from syncvid.steps.jobs import Job, jobs_of, named, sources_of, with_takes
from syncvid.steps.listening import ListeningSound, write_listening
from syncvid.steps.twins import twin_remarks
from syncvid.sync import ANALYSIS_RATE, Clip, Listened, Placed, SyncSettings, find_places
from syncvid.sync.several import FullTake, find_full_takes
from syncvid.timeline import Placement, clock_text

# Raised when the way of finding places changes, so that old answers are found again.
_SYNCING = "syncing/5"

# Clips that play this much longer than a mix that breaks off say that it was cut off.
_GOES_ON_S = 1.0

_ADD_THEM = "Take them all into a production with `syncvid add FOLDER --split FILE`."
_BOTH_HEARD = "Placed by the clip and its recorder together, which heard the same:"
_NO_SOUND = "The clip has no sound, so its place cannot be found by ear."
_NOTHING = Finding("none", 1.0, _NO_SOUND)
_STILL = Finding("none", 1.0, "It is a still image: it is shown for the whole piece.")


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
    listening : tuple of ListeningSound
        Short sounds by which an ear can decide about the clips that are not sure.
    """

    result: SyncResult
    heard: tuple[Heard, ...]
    problems: tuple[SyncvidError, ...]
    skipped: bool
    remarks: tuple[str, ...] = ()
    listening: tuple[ListeningSound, ...] = ()


@dataclass(frozen=True, slots=True)
class _Kept:
    """A sound for the room that finds places: it is read when it is its turn."""

    job: Job
    heard: Heard
    part: str

    @property
    def name(self) -> str:
        """What to call it in a message."""
        return self.job.name

    @property
    def samples(self) -> Audio:
        """Mono sound at `ANALYSIS_RATE`, silent outside of the take's stretch."""
        return self.job.sound(self.heard.samples)


def sync_clips(
    material: Material,
    *,
    settings: SyncSettings | None = None,
    listen_folder: Path | None = None,
    progress: Progress = SILENT,
) -> SyncOutcome:
    """Find offset, drift and verdict of every clip.

    Parameters
    ----------
    material : Material
        The clips and their reference.
    settings : SyncSettings or None
        How to search; None for the usual way.
    listen_folder : Path or None
        Where to write the listening sounds as well; they are always in the work folder.
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
    heard, problems = hear_all(sources_of(material.recordings), material.store, progress.part(0.5))
    by_file = {item.source.file: item for item in heard}
    result = stored_sync(material, settings)
    skipped = result is not None
    if result is None:
        jobs = [job for job in jobs_of(material.recordings) if job.source.file in by_file]
        found = _find(material, jobs, by_file, settings, progress.part(0.5))
        text = write_sync_json(found)
        material.store.save("sync", _sync_fingerprint(material, settings), text)
        # What is written is rounded: hand on the same numbers that a later run will read.
        result = named(read_sync_json(text), material.recordings)
    remarks = _remarks(material, result, by_file, _sync_fingerprint(material, settings))
    listening = write_listening(material, result, heard)
    if listen_folder is not None:
        listening = write_listening(material, result, heard, folder=listen_folder)
    return SyncOutcome(result, tuple(heard), tuple(problems), skipped, remarks, listening)


def stored_sync(material: Material, settings: SyncSettings | None = None) -> SyncResult | None:
    """Return the findings about the clips as they are now, if they were found before."""
    stored = found_sync(material, settings)
    return named(stored, material.recordings) if stored is not None else None


def found_sync(material: Material, settings: SyncSettings | None = None) -> SyncResult | None:
    """Return what was found before, without pins; each clip is called by its key."""
    stored = material.store.load("sync", _sync_fingerprint(material, settings or SyncSettings()))
    return read_sync_json(stored) if stored is not None else None


def _sync_fingerprint(material: Material, settings: SyncSettings) -> str:
    """Return what a sync's answer depends on: who plays together with whom, no names, no pins."""
    jobs = jobs_of(material.recordings)
    parts = [_part(job, material) for job in jobs]
    return fingerprint(
        _SYNCING,
        [job.key for job in jobs],
        [parts.index(part) for part in parts],
        source_record(material.mix),
        source_record(material.guide),
        asdict(settings),
    )


def _part(job: Job, material: Material) -> str:
    """Return what takes of one part have in common; of loose clips the names are a mere guess."""
    return job.part if material.folder is not None else ""


def _find(
    material: Material,
    jobs: list[Job],
    heard: dict[str, Heard],
    settings: SyncSettings,
    progress: Progress,
) -> SyncResult:
    """Hand the sounds to the room that finds places; the clips are called by their keys."""
    mix, guide = (
        hear(source, material.store) if source else None
        for source in (material.mix, material.guide)
    )
    for reference in (mix, guide):
        if reference is not None and not reference.has_sound:
            raise MediaError(
                "The file has no sound.", where=reference.source.file, fix="Name another file."
            )
    sounds = {
        job.key: _Kept(job, heard[job.source.file], _part(job, material))
        for job in jobs
        if heard[job.source.file].has_sound
    }
    mix_samples = mix.samples if mix else None
    guide_samples = guide.samples if guide else None
    with ThreadPoolExecutor(os.cpu_count() or 2) as pool:
        search = partial(
            find_places,
            mix=mix_samples,
            guide=guide_samples,
            settings=settings,
            workers=pool,
        )
        placed = search(list(sounds.values()), progress=progress)
        against = mix_samples if mix_samples is not None else guide_samples
        reference_s = None if against is None else against.size / ANALYSIS_RATE
        takes = _takes_in_files(jobs, sounds, placed, search, reference_s, settings)
        by_recorder = _by_way_of_each_other(jobs, sounds, placed, settings)
    files = {job.name: job.source.file for job in jobs}
    found = {
        key: replace(finding, against=files.get(finding.against, finding.against))
        for key, finding in zip(sounds, placed.findings, strict=True)
    } | by_recorder
    clips = []
    for job in jobs:
        facts = heard[job.source.file].facts
        outside = _outside_its_file(job, facts.duration_s)
        nothing = _STILL if facts.is_still else _NOTHING
        clips.append(job.clip(outside or found.get(job.key, nothing), facts))
    return SyncResult(
        reference=placed.reference,
        clips=tuple(c for clip in clips for c in with_takes(clip, takes.get(clip.file, ()))),
        guide_offset_s=placed.guide_offset_s,
        reference_duration_s=reference_s,
    )


def _outside_its_file(job: Job, duration_s: float) -> Finding | None:
    """Return a finding for a take whose stretch begins behind the end of its file, or None."""
    begin_s = job.stretch.from_s or 0.0
    if begin_s < duration_s or not begin_s:
        return None
    return Finding(
        "none",
        1.0,
        f"Its stretch begins at {begin_s:.1f} s, but the file ends at {duration_s:.1f} s: mend "
        f"from_s and to_s in production.toml.",
    )


def _by_way_of_each_other(
    jobs: Sequence[Job], sounds: dict[str, _Kept], placed: Placed, settings: SyncSettings
) -> dict[str, Finding]:
    """Place a clip by its separate recorder, or the recorder by its clip, where one has no place.

    Both heard the same performance, so they are found in each other with ease.
    """
    findings = dict(zip(sounds, placed.findings, strict=True))
    found = {}
    for recorder in (job for job in jobs if job.is_recorder):
        pair = (recorder.recording.key, recorder.key)
        if not all(key in sounds for key in pair):
            continue
        for key, other in (pair, pair[::-1]):
            known = findings[other].placement
            if known is None or findings[key].placement is not None:
                continue
            sound = [sounds[key]]
            near = find_places(sound, mix=sounds[other].samples, settings=settings).findings[0]
            if near.placement is not None:
                found[key] = _through(near, near.placement.then(known), findings[other])
    return found


def _through(near: Finding, place: Placement, known: Finding) -> Finding:
    """Return the finding of a sound that was found in another whose place is known."""
    return Finding(
        verdict="sure" if near.verdict == known.verdict == "sure" else "check",
        confidence=near.confidence * known.confidence,
        reason=f"{_BOTH_HEARD} {near.reason}",
        offset_s=place.offset_s,
        drift_ppm=place.drift_ppm,
        against=known.against,
    )


def _takes_in_files(
    jobs: Sequence[Job],
    sounds: dict[str, _Kept],
    placed: Placed,
    search: Callable[[Sequence[Clip]], Placed],
    reference_s: float | None,
    settings: SyncSettings,
) -> dict[str, tuple[FullTake, ...]]:
    """Find the files that hold several full takes, by the keys of the clips."""
    if reference_s is None:
        return {}
    whole = {job.key for job in jobs if job.stretch.is_whole and not job.is_recorder}
    files = {
        key: (sound, finding)
        for (key, sound), finding in zip(sounds.items(), placed.findings, strict=True)
        if key in whole
    }

    def place(stretches: Sequence[Audio]) -> Sequence[Finding]:
        named = [Listened(f"stretch {n}", samples) for n, samples in enumerate(stretches, 1)]
        return search(named).findings

    def compare(stretch: Audio, other: Audio) -> Finding:
        return find_places([Listened("take", stretch)], mix=other, settings=settings).findings[0]

    takes = find_full_takes(list(files.values()), place, compare, reference_s=reference_s)
    return dict(zip(files, takes, strict=True))


def _remarks(
    material: Material, result: SyncResult, heard: dict[str, Heard], inputs: str
) -> tuple[str, ...]:
    """Say what is worth knowing besides the places; `inputs` is what they were found from."""
    remarks = [*_several(result), *twin_remarks(material, list(heard.values()), inputs)]
    remarks += [
        f"{recording.name} breaks off: the last {item.facts.missing_s:.0f} s of the file are "
        f"missing. Have it sent again."
        for recording in material.recordings
        if (item := heard.get(recording.source.file)) and item.facts.missing_s
    ]
    if material.mix is not None:
        remarks += _early_end(material, result, heard)
        remarks += finished_mix_remarks(material)
    unknown = result.guide_offset_s is None and material.guide_offset_s is None
    if result.reference == "mix" and material.guide is not None and unknown:
        remarks.append(
            "Where the guide begins on the mix was not found, so bars are not known there. Say it "
            "with guide_offset_s in production.toml, or name moments in seconds."
        )
    return tuple(remarks)


def _several(result: SyncResult) -> Iterator[str]:
    """Tell of files that hold several takes."""
    for file in dict.fromkeys(clip.file for clip in result.clips if not clip.listed):
        takes = sorted(
            (clip for clip in result.clips if clip.file == file and not clip.sound_of),
            key=lambda clip: clip.stretch.from_s or 0.0,
        )
        told = "; ".join(
            f"take {clip.take} from {clock_text(begin_s)} to {clock_text(end_s)}"
            for clip in takes
            for begin_s, end_s in [clip.stretch.within(clip.duration_s or math.inf)]
        )
        yield f"{file} holds {len(takes)} takes: {told}. {_ADD_THEM}"


def _early_end(material: Material, result: SyncResult, heard: dict[str, Heard]) -> list[str]:
    """Tell of a mix that ends in the middle of the music while the clips go on."""
    mix = hear(material.mix, material.store) if material.mix else None
    samples = mix.samples if mix is not None and mix.has_sound else None
    if samples is None or not breaks_off(samples, sample_rate=ANALYSIS_RATE):
        return []
    end_s = samples.size / ANALYSIS_RATE
    longest_s = 0.0
    for recording in material.recordings:
        clip = result.of(recording.source.file, recording.stretch)
        item = heard.get(recording.source.file)
        place = clip.finding.placement if clip else None
        if place is None or item is None or not item.has_sound:
            continue
        after_s = sounding_after_s(item.samples, place.to_clip(end_s), sample_rate=ANALYSIS_RATE)
        longest_s = max(longest_s, after_s)
    if longest_s < _GOES_ON_S:
        return []
    return [
        f"The mix seems to end in the middle of the music, at {clock_text(end_s)}: "
        f"clips go on for {longest_s:.0f} s more. The video ends with the mix."
    ]
