"""The finished video: findings in, one file out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import asdict, dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from syncvid.errors import MediaError, ProductionError, RenderError, SyncvidError
from syncvid.media.sound import SoundFile
from syncvid.mix import PlainSum, safe_gain
from syncvid.picture import Composition, compose
from syncvid.picture import report as picture_report
from syncvid.production.files import check_target, fingerprint, identity, system_errors, write_whole
from syncvid.production.layouts import Layout, find_layout
from syncvid.production.looks import with_overrides
from syncvid.production.material import (
    Material,
    Recording,
    SourceFile,
    refuse_sources,
    source_record,
)
from syncvid.production.pins import pinned
from syncvid.production.results import ClipSync, Stretch, SyncResult, read_sync_json
from syncvid.progress import SILENT, Progress
from syncvid.segments import (
    RENDER_VERSION,
    EncodeSettings,
    RenderSummary,
    Tiles,
    render_video,
)
from syncvid.sources import SoundSource
from syncvid.steps.casting import Cast, cast
from syncvid.steps.hearing import Facts, look
from syncvid.steps.jobs import sources_of
from syncvid.steps.syncing import SyncOutcome, sync_clips
from syncvid.timeline import parse_frame_rate

SAMPLE_RATE = 48_000
"""Rate of the sound in the video, Hz."""


@dataclass(frozen=True, slots=True)
class Look:
    """How a video is to look; None leaves it to the production.

    Attributes
    ----------
    layout : str or None
        Name of a layout file.
    size : (int, int) or None
        Width and height in pixels, even.
    frame_rate : Fraction or None
        Pictures per second.
    """

    layout: str | None = None
    size: tuple[int, int] | None = None
    frame_rate: Fraction | None = None


@dataclass(frozen=True, slots=True)
class RenderOutcome:
    """What `render` did.

    Attributes
    ----------
    out : Path
        The video.
    cast : Cast
        Who is shown and who is not.
    result : SyncResult
        The findings that were used.
    summary : RenderSummary or None
        What the engine did; None where the video was there already.
    problems : tuple of SyncvidError
        Clips that could not be read.
    remarks : tuple of str
        What is worth knowing besides.
    """

    out: Path
    cast: Cast
    result: SyncResult
    summary: RenderSummary | None
    problems: tuple[SyncvidError, ...]
    remarks: tuple[str, ...] = ()

    @property
    def skipped(self) -> bool:
        """Whether the video was there already, made from the same inputs."""
        return self.summary is None


def render(
    material: Material,
    out: Path,
    *,
    look_of: Look = Look(),
    sync_file: Path | None = None,
    report: Path | None = None,
    from_originals: bool = False,
    settings: EncodeSettings | None = None,
    executor: Executor | None = None,
    progress: Progress = SILENT,
) -> RenderOutcome:
    """Make the video of a production or of loose clips.

    Parameters
    ----------
    material : Material
        The clips and their reference.
    out : Path
        The mp4 file to write; an older one is replaced only by a whole new one.
    look_of : Look
        Layout, size and rate.
    sync_file : Path or None
        A ``syncvid.sync/1`` file to use in place of finding the places.
    report : Path or None
        Where to write ``syncvid.render/1``.
    from_originals : bool
        Whether every picture is to come from its recording, never from the tile cache.
    settings : EncodeSettings or None
        How to encode; None for the usual way.
    executor : Executor or None
        Who does the work; None for processes on this machine.
    progress : Progress
        Told how far it is.

    Returns
    -------
    RenderOutcome

    Raises
    ------
    ProductionError
        The layout or the sync file is wrong.
    RenderError
        No clip has a place, or encoding failed.
    MediaError
        The mix cannot be read, or the video cannot be written.
    """
    settings = settings or EncodeSettings()
    _check_targets(material, out, report, sync_file)
    outcome, facts = _findings(material, sync_file, progress.part(0.1))
    result = outcome.result
    if sync_file is not None:
        material = _with_parts(material, result)
    layout = _layout(material, look_of)
    players = cast(material, result, facts, take_dissolve_s=layout.tile.take_dissolve_s)
    if not players.voices:
        raise RenderError(
            "None of the clips has a place, so there is nothing to show.",
            where=str(out),
            fix="Look at what `syncvid sync` says of each clip.",
        )
    composition = _compose(material, players, layout, look_of)
    key = _key(material, composition, settings)
    if _is_there(material, out, key):
        summary = None
    else:
        sound = video_sound(material, players, progress.part(0.05))
        summary = render_video(
            composition,
            sound,
            out,
            work=material.store.folder / "segments",
            settings=settings,
            tiles=Tiles(material.store.folder / "tiles", use_kept=not from_originals),
            executor=executor,
            progress=progress.part(0.85),
        )
        _note_output(material, out, key, look_of, settings)
    if summary is not None:
        composition = summary.composition
    if report:
        write_whole(
            report, json.dumps(picture_report(composition), indent=1, ensure_ascii=False) + "\n"
        )
    notes = summary.notes if summary is not None else ()
    remarks = (*outcome.remarks, *_omissions(material, result, players))
    remarks = (*remarks, *composition.warnings, *notes)
    return RenderOutcome(out, players, result, summary, outcome.problems, remarks)


def _omissions(material: Material, result: SyncResult, players: Cast) -> list[str]:
    """Name what one might expect to see and does not."""
    told = [
        f"{r.name} stands in no entry of the sync file, so it is left out."
        for r in material.recordings
        if result.of(r.source.file, r.stretch) is None
    ]
    told += [
        f"{e.recording.name} is marked `use`, but it has no place and cannot be shown."
        for e in players.left_out
        if e.recording.use
    ]
    told += [
        f"The recorder of {e.recording.name} has no place, so the clip's own sound is used."
        for e in players.shown
        if material.mix is None and e.recorder and e.recorder.sync.finding.placement is None
    ]
    told += [
        f"{voice.label}: its clip lies outside the music, so only the card is shown."
        for voice in players.voices
        for piece in voice.pieces
        if piece.to_s <= 0.0 or piece.from_s >= players.duration_s
    ]
    return told


def _check_targets(
    material: Material, out: Path, report: Path | None, sync_file: Path | None
) -> None:
    """Refuse at the door what could not be written at the end, or what would destroy a source."""
    if out.suffix.lower() != ".mp4":
        raise ProductionError(
            "The video must be an .mp4 file.", where=str(out), fix=f"Write {out.stem}.mp4."
        )
    targets = [path for path in (out, report) if path is not None]
    refuse_sources(material, *targets, keep=[sync_file] if sync_file else [])
    for target in targets:
        check_target(target)


def video_sound(material: Material, players: Cast, progress: Progress = SILENT) -> SoundSource:
    """Return the sound of the video: the mix, or the plain sum of the clips that are shown."""
    if material.mix is not None:
        return SoundFile(material.mix.path)
    lines = [line for entry in players.shown if (line := entry.line) is not None]
    total = PlainSum(lines, players.duration_s)
    total.gain = safe_gain(total, sample_rate=SAMPLE_RATE, progress=progress)
    return total


def outputs_state(
    material: Material, result: SyncResult | None, facts: dict[str, Facts]
) -> list[tuple[Path, bool]]:
    """Return the videos that were made, each with whether it shows what the production says now.

    Parameters
    ----------
    material : Material
        The production.
    result : SyncResult or None
        The findings as they are now; None: every video is out of date.
    facts : dict
        What is known of each file, by its path as given.
    """
    rows = material.store.last("outputs") or {}
    return [
        (Path(file), result is not None and _is_current(material, result, facts, Path(file), row))
        for file, row in rows.items()
    ]


def _is_current(
    material: Material, result: SyncResult, facts: dict[str, Facts], out: Path, row: Any
) -> bool:
    """Tell whether making a video again would give the same one."""
    size, rate = row["look"]["size"], row["look"]["frame_rate"]
    look_of = Look(
        layout=row["look"]["layout"],
        size=(size[0], size[1]) if size else None,
        frame_rate=parse_frame_rate(rate) if rate else None,
    )
    layout = _layout(material, look_of)
    players = cast(material, result, facts, take_dissolve_s=layout.tile.take_dissolve_s)
    if not players.voices:
        return False
    composition = _compose(material, players, layout, look_of)
    key = _key(material, composition, EncodeSettings(**row["settings"]))
    return _is_there(material, out, key)


def _findings(
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


def _with_parts(material: Material, result: SyncResult) -> Material:
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
    takes = [(r.part, r.player, r.take) for r in recordings if result.of(r.source.file)]
    if len(set(takes)) < len(takes) or not all(part for part, _, _ in takes):
        return ()
    return tuple(dict.fromkeys((part, player) for part, player, _ in takes))


def _layout(material: Material, look_of: Look) -> Layout:
    """Return the layout that is asked for, or that of the production."""
    layout = find_layout(look_of.layout or material.picture.layout, material.folder)
    image = material.background.path if material.background else None
    return with_overrides(layout, material.picture, image)


def _compose(material: Material, players: Cast, layout: Layout, look_of: Look) -> Composition:
    """Lay the tiles out."""
    width, _, height = material.picture.size.partition("x")
    return compose(
        players.voices,
        layout,
        size=look_of.size or (int(width), int(height)),
        frame_rate=look_of.frame_rate or material.picture.rate,
        duration_s=players.duration_s,
    )


def _is_there(material: Material, out: Path, key: str) -> bool:
    """Tell whether a video was made from the same inputs and is untouched."""
    row = (material.store.last("outputs") or {}).get(str(out.absolute()))
    return bool(row and row["key"] == key and out.is_file() and identity(out) == row["identity"])


def _note_output(
    material: Material, out: Path, key: str, look_of: Look, settings: EncodeSettings
) -> None:
    """Remember what a video was made from."""
    outputs = material.store.last("outputs") or {}
    rate = look_of.frame_rate
    outputs[str(out.absolute())] = {
        "key": key,
        "identity": identity(out),
        "look": {**asdict(look_of), "frame_rate": str(rate) if rate else None},
        "settings": asdict(settings),
    }
    material.store.save("outputs", "", outputs)


def _key(material: Material, composition: Composition, settings: EncodeSettings) -> str:
    """Return what a video is made from."""
    sound = source_record(material.mix)
    return fingerprint(RENDER_VERSION, repr(composition), sound, asdict(settings))
