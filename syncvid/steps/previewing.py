"""A quick look at everything: a small video, and the sheet that tells what was found."""

from __future__ import annotations

import datetime
from concurrent.futures import Executor
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from syncvid.errors import SyncvidError
from syncvid.guide import read_beats
from syncvid.handoff import SheetClip, SheetPage, render_sheet
from syncvid.production.files import system_errors, write_whole
from syncvid.production.material import Material
from syncvid.production.results import Levels, SyncResult
from syncvid.progress import SILENT, Progress
from syncvid.segments import PREVIEW_SETTINGS
from syncvid.steps.casting import Cast, cast
from syncvid.steps.hearing import Facts, hear
from syncvid.steps.rendering import Look, RenderOutcome, render
from syncvid.steps.syncing import SyncOutcome, sync_clips
from syncvid.timeline import BeatMap

PREVIEW_FOLDER = "preview"
SHEET = "sheet.html"
VIDEO = "preview.mp4"

# Half of 720p each way, and half the usual rate: a minute of music renders in seconds.
_PREVIEW_HEIGHT = 360
_PREVIEW_RATE = Fraction(15)

# Share of samples in flat tops above which a recording sounds distorted (project choice).
_DISTORTED = 0.0005

# Peak below which a recording is so quiet that its noise will be heard (project choice), dBFS.
_QUIET_DBFS = -30.0


@dataclass(frozen=True, slots=True)
class PreviewOutcome:
    """What `make_preview` made: the sheet, and the video unless no clip has a place."""

    sheet: Path
    video: Path | None
    rendered: RenderOutcome | None
    problems: tuple[SyncvidError, ...]
    remarks: tuple[str, ...] = ()


def make_preview(
    material: Material,
    *,
    folder: Path | None = None,
    executor: Executor | None = None,
    progress: Progress = SILENT,
) -> PreviewOutcome:
    """Make the small video and the sheet of a production.

    Parameters
    ----------
    material : Material
        A production.
    folder : Path or None
        Where to write; None for ``preview`` in the production.
    executor, progress
        As for `syncvid.steps.render`.

    Returns
    -------
    PreviewOutcome

    Raises
    ------
    MediaError
        The mix cannot be read, or the folder cannot be written.
    """
    folder = folder or (material.folder or Path()) / PREVIEW_FOLDER
    with system_errors(folder):
        folder.mkdir(parents=True, exist_ok=True)
    outcome = sync_clips(material, progress=progress.part(0.1))
    facts = {item.source.file: item.facts for item in outcome.heard}
    players = cast(material, outcome.result, facts)
    rendered: RenderOutcome | None = None
    if players.voices:
        rendered = render(
            material,
            folder / VIDEO,
            look_of=_small(material),
            settings=PREVIEW_SETTINGS,
            executor=executor,
            progress=progress.part(0.85),
        )
    sheet = folder / SHEET
    write_whole(sheet, render_sheet(_page(material, outcome, players, facts, rendered)))
    return PreviewOutcome(
        sheet, rendered.out if rendered else None, rendered, outcome.problems, outcome.remarks
    )


def _small(material: Material) -> Look:
    """Return the look of the preview: the video's shape, small."""
    width, height = (int(side) for side in material.picture.size.split("x"))
    scale = _PREVIEW_HEIGHT / min(width, height)
    return Look(
        size=(round(width * scale / 2) * 2, round(height * scale / 2) * 2),
        frame_rate=min(_PREVIEW_RATE, material.picture.rate),
    )


def _page(
    material: Material,
    outcome: SyncOutcome,
    players: Cast,
    facts: dict[str, Facts],
    rendered: RenderOutcome | None,
) -> SheetPage:
    """Gather what the sheet tells."""
    result = outcome.result
    shown = {entry.recording.source.file for entry in players.shown}
    reference = material.mix or material.guide
    return SheetPage(
        title=material.title,
        reference=result.reference,
        reference_duration_s=result.reference_duration_s,
        mix_overview=hear(reference, material.store).facts.overview if reference else None,
        clips=tuple(_sheet_clips(result, facts, shown)),
        left_out=tuple((problem.where, problem.what) for problem in outcome.problems),
        bars=find_beats(material),
        guide_offset_s=0.0 if result.reference == "guide" else result.guide_offset_s,
        video=VIDEO if rendered else "",
        made=datetime.date.today().strftime("%-d %B %Y"),
    )


def _sheet_clips(result: SyncResult, facts: dict[str, Facts], shown: set[str]) -> list[SheetClip]:
    """Return the sheet's clips in score order; those that nobody knows a part of come last."""
    return [
        SheetClip(
            sync=clip,
            overview=facts[clip.file].overview,
            levels=facts[clip.file].levels,
            chosen=clip.file in shown,
            notes=_notes(facts[clip.file]),
        )
        for clip in result.clips
    ]


def _notes(facts: Facts) -> tuple[str, ...]:
    """Say what is worth knowing of a recording besides its place."""
    notes = []
    if facts.missing_s:
        notes.append(f"The file breaks off: its last {facts.missing_s:.0f} s are missing.")
    if facts.rotation == 180:
        notes.append("The phone was upside down; it is shown upright.")
    if facts.shape is None:
        notes.append("There is no picture; a card with the name is shown.")
    if facts.levels:
        notes += _sound_notes(facts.levels)
    return tuple(notes)


def _sound_notes(levels: Levels) -> list[str]:
    """Say what is wrong with a recording's sound."""
    if levels.silent:
        return ["Nothing is to be heard."]
    if levels.clipped_share > _DISTORTED:
        return ["Its loudest notes are distorted."]
    if levels.peak_dbfs < _QUIET_DBFS:
        return ["It was recorded very quietly."]
    return []


def find_beats(material: Material) -> BeatMap | None:
    """Return the beats of the guide, from the ``.beats.json`` file beside it."""
    if material.guide is None:
        return None
    path = material.guide.path.with_suffix(".beats.json")
    if not path.is_file():
        return None
    with system_errors(path):
        return read_beats(path.read_text(encoding="utf-8"), where=str(path))
