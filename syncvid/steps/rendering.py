"""The finished video: findings in, one file or several out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from syncvid.errors import ProductionError, RenderError, SyncvidError
from syncvid.handoff.webvtt import Cue, webvtt
from syncvid.media.still_out import write_still
from syncvid.picture import Composition
from syncvid.picture import report as picture_report
from syncvid.production.captions import at_s
from syncvid.production.files import MADE_WITH, check_target, refuse_foreign, write_whole
from syncvid.production.material import Material, refuse_sources
from syncvid.production.moments import Moment
from syncvid.production.outputs import KINDS, OutputKind, name_files
from syncvid.production.results import SyncResult
from syncvid.progress import SILENT, Progress
from syncvid.segments import (
    TILE_FOLDER,
    EncodeSettings,
    RenderSummary,
    Tiles,
    paint_still,
)
from syncvid.steps.casting import Cast
from syncvid.steps.composing import AS_PLANNED, Look, Scenario, plan_video
from syncvid.steps.findings import find_places_of, with_parts
from syncvid.steps.finished_mix import finished_mix_remarks
from syncvid.steps.making import Maker, Video, as_made, video_of
from syncvid.steps.mixing import make_mix, wishes_of
from syncvid.steps.outside import outside_the_piece, still_outside
from syncvid.timeline import picture_at


@dataclass(frozen=True, slots=True)
class RenderOutcome:
    """What `render` did.

    Attributes
    ----------
    out : Path
        The video, or the first of several.
    cast : Cast
        Who is shown and who is not.
    result : SyncResult
        The findings that were used.
    summary : RenderSummary or None
        What the engine did; None where everything was there already.
    problems : tuple of SyncvidError
        Clips that could not be read.
    remarks : tuple of str
        What is worth knowing besides.
    files : tuple of Path
        All that was made: videos, captions, a still.
    """

    out: Path
    cast: Cast
    result: SyncResult
    summary: RenderSummary | None
    problems: tuple[SyncvidError, ...]
    remarks: tuple[str, ...] = ()
    files: tuple[Path, ...] = ()

    @property
    def skipped(self) -> bool:
        """Whether the videos were there already, made from the same inputs."""
        return self.summary is None


def render(
    material: Material,
    out: Path,
    *,
    look_of: Look = AS_PLANNED,
    kinds: Sequence[OutputKind] = KINDS[:1],
    poster: Moment | None = None,
    sync_file: Path | None = None,
    report: Path | None = None,
    from_originals: bool = False,
    settings: EncodeSettings | None = None,
    executor: Executor | None = None,
    progress: Progress = SILENT,
) -> RenderOutcome:
    """Make the video of a production or of loose clips, or several kinds of it at once.

    Parameters
    ----------
    material : Material
        The clips and their reference.
    out : Path
        The mp4 file to write; an older one is replaced only by a whole new one.  Of several kinds
        the others are named after it.
    look_of : Look
        Layout, size, rate and excerpt.
    kinds : sequence of OutputKind
        What to make; clips are decoded once for all that need no search for their size.
    poster : Moment or None
        Write the picture of that moment too, as a JPEG beside the video.
    sync_file : Path or None
        A ``syncvid.sync/1`` file to use in place of finding the places.
    report : Path or None
        Where to write ``syncvid.render/1`` of the first video.
    from_originals : bool
        Whether every picture is to come from its recording, never from the tile cache.
    settings : EncodeSettings or None
        How to encode; None: as the kinds say.
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
        The layout or the sync file is wrong, or a moment cannot be found.
    RenderError
        No clip has a place, encoding failed, or a video cannot be made small enough.
    MediaError
        The mix cannot be read, or a video cannot be written.
    """
    named = name_files(out, kinds)
    still = out.with_suffix(".jpg") if poster is not None else None
    _check_targets(material, [*named.values()], report, still, sync_file)
    outcome, facts = find_places_of(material, sync_file, progress.part(0.1))
    result, problems = outcome.result, outcome.problems
    mix_remarks: tuple[str, ...] = ()
    if material.mix is None and sync_file is None and wishes_of(material) is not None:
        # It was made once: what the plan says now is what is heard.
        mixed = make_mix(material, progress=progress.part(0.3))
        problems, mix_remarks = mixed.problems, mixed.made.remarks
    if sync_file is not None:
        material = with_parts(material, result)
    scenario = plan_video(material, result, facts, look_of, progress.part(0.05))
    check_anybody(scenario, str(out))
    still_s = at_s(poster, scenario.bars, "the still") if poster is not None else 0.0
    videos = [video_of(scenario, kind, named[kind.name], settings) for kind in kinds]
    tiles = Tiles(material.store.folder / TILE_FOLDER, use_kept=not from_originals)
    made = Maker(scenario, tiles, executor).make(videos, progress.part(0.83))
    seen = {video.out: made.get(video.out) or as_made(scenario, video) for video in videos}
    first = seen[videos[0].out]
    files = [*named.values(), *_write_beside(scenario, videos, first.composition, report)]
    astray = outside_the_piece(scenario)
    if still is not None and poster is not None:
        files.append(_write_still(scenario, first.composition, still, still_s, tiles))
        astray += still_outside(poster, still_s, first.composition)
    remarks = (
        *outcome.remarks,
        *astray,
        *mix_remarks,
        *scenario.own.remarks,
        *finished_mix_remarks(material),
        *_omissions(material, result, scenario.players),
        *scenario.looks.remarks,
        *first.composition.warnings,
        *(note for video in seen.values() for note in video.notes),
    )
    return RenderOutcome(
        out=videos[0].out,
        cast=scenario.players,
        result=result,
        summary=next((video.summary for video in seen.values() if video.summary), None),
        problems=problems,
        remarks=tuple(dict.fromkeys(remarks)),
        files=tuple(files),
    )


def _write_beside(
    scenario: Scenario, videos: Sequence[Video], shown: Composition, report: Path | None
) -> list[Path]:
    """Write captions beside the videos, and the report."""
    written = []
    if scenario.captions:
        for video in videos:
            at_s = -video.composition.from_s
            cues = [Cue(c.from_s + at_s, c.to_s + at_s, c.text) for c in scenario.captions]
            length_s = video.composition.picture_count / float(video.composition.frame_rate)
            path = video.out.with_suffix(".vtt")
            write_whole(path, webvtt(cues, duration_s=length_s, note=MADE_WITH))
            written.append(path)
    if report:
        text = json.dumps(picture_report(shown), indent=1, ensure_ascii=False)
        write_whole(report, text + "\n")
    return written


class Still(NamedTuple):
    """The picture of a moment: its file, and what is worth knowing of it."""

    path: Path
    remarks: tuple[str, ...]


def render_still(
    material: Material,
    path: Path,
    moment: Moment,
    *,
    look_of: Look = AS_PLANNED,
    progress: Progress = SILENT,
) -> Still:
    """Make the picture of one moment, as PNG or JPEG.

    Parameters
    ----------
    material : Material
        The clips and their reference.
    path : Path
        The file to write.
    moment : Moment
        Which moment; what lies outside of the video is its first or last picture, and told.
        Where words or scenes just come in, the picture is that in which they have.
    look_of : Look
        Layout and size.
    progress : Progress
        Told how far it is.

    Returns
    -------
    Still
        The file, and what is worth knowing.

    Raises
    ------
    ProductionError
        The layout is wrong, or the moment cannot be found.
    RenderError
        No clip has a place.
    MediaError
        A clip cannot be decoded, or the file cannot be written.
    """
    outcome, facts = find_places_of(material, None, progress.part(0.4))
    scenario = plan_video(material, outcome.result, facts, look_of, progress.part(0.2))
    check_anybody(scenario, str(path))
    tiles = Tiles(material.store.folder / TILE_FOLDER)
    moment_s = at_s(moment, scenario.bars, "the still")
    composition = scenario.at(scenario.size)
    _write_still(scenario, composition, path, moment_s, tiles)
    astray = still_outside(moment, moment_s, composition)
    return Still(path, (*astray, *scenario.looks.remarks, *composition.warnings))


def check_anybody(scenario: Scenario, where: str) -> None:
    """Refuse a video that would show nobody."""
    if not scenario.players.voices:
        raise RenderError(
            "None of the clips has a place, so there is nothing to show.",
            where=where,
            fix="Look at what `syncvid sync` says of each clip.",
        )


def _write_still(
    scenario: Scenario, composition: Composition, path: Path, moment_s: float, tiles: Tiles
) -> Path:
    """Write the picture that is on screen at a reference second."""
    check_target(path)
    refuse_sources(scenario.material, path)
    refuse_foreign(path)
    picture = picture_at(moment_s, composition.frame_rate)
    picture = composition.settled(min(max(picture, composition.first), composition.last - 1))
    write_still(paint_still(composition, picture, tiles=tiles), path, comment=MADE_WITH)
    return path


def _omissions(material: Material, result: SyncResult, players: Cast) -> list[str]:
    """Name what one might expect to see and does not."""
    told = [
        f"{r.name} stands in no entry of the sync file, so it is left out."
        for r in material.recordings
        if result.of(r.source.file, r.stretch) is None
        and r not in [e.recording for e in players.stills]
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
        if voice.pieces
        and all(p.to_s <= 0.0 or p.from_s >= players.duration_s for p in voice.pieces)
    ]
    return told


def _check_targets(
    material: Material,
    outs: Sequence[Path],
    report: Path | None,
    still: Path | None,
    sync_file: Path | None,
) -> None:
    """Refuse at the door what could not be written at the end, or what would destroy a source."""
    for out in outs:
        if out.suffix.lower() != ".mp4":
            raise ProductionError(
                "The video must be an .mp4 file.", where=str(out), fix=f"Write {out.stem}.mp4."
            )
    beside = [out.with_suffix(".vtt") for out in outs] if material.captions else []
    beside += [still] if still is not None else []
    targets = [*outs, *beside, *([report] if report is not None else [])]
    refuse_sources(material, *targets, keep=[sync_file] if sync_file else [])
    for target in targets:
        check_target(target)
    for path in beside:
        refuse_foreign(path)
