"""A quick look at everything: a small video, and the sheet that tells what was found."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from syncvid.errors import SyncvidError
from syncvid.handoff import render_sheet
from syncvid.production.files import system_errors, write_whole
from syncvid.production.material import Material
from syncvid.production.moments import Moment
from syncvid.progress import SILENT, Progress
from syncvid.segments import PREVIEW_SETTINGS
from syncvid.steps.casting import cast
from syncvid.steps.composing import Look
from syncvid.steps.rendering import RenderOutcome, Still, render, render_still
from syncvid.steps.syncing import sync_clips
from syncvid.steps.telling import sheet_page

PREVIEW_FOLDER = "preview"
SHEET = "sheet.html"
VIDEO = "preview.mp4"
EXCERPT = "excerpt.mp4"
STILL = "still.jpg"

# Half of 720p each way, and half the usual rate: a minute of music renders in seconds.
_PREVIEW_HEIGHT = 360
_PREVIEW_RATE = Fraction(15)


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
    layout: str | None = None,
    folder: Path | None = None,
    executor: Executor | None = None,
    progress: Progress = SILENT,
) -> PreviewOutcome:
    """Make the small video and the sheet of a production.

    Parameters
    ----------
    material : Material
        A production.
    layout : str or None
        Name of a layout; None: that of the production.
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
    folder = folder or _folder(material)
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
            look_of=_small(material, Look(layout)),
            settings=PREVIEW_SETTINGS,
            executor=executor,
            progress=progress.part(0.85),
        )
    sheet = folder / SHEET
    page = sheet_page(
        material,
        outcome,
        shown=[entry.sync for entry in (rendered.cast if rendered else players).shown],
        video=VIDEO if rendered else "",
        beside=folder,
    )
    write_whole(sheet, render_sheet(page))
    return PreviewOutcome(
        sheet, rendered.out if rendered else None, rendered, outcome.problems, outcome.remarks
    )


def preview_excerpt(
    material: Material,
    look_of: Look,
    *,
    executor: Executor | None = None,
    progress: Progress = SILENT,
) -> RenderOutcome:
    """Make a small video of an excerpt, from the tile cache where it can be.

    Parameters
    ----------
    material : Material
        A production.
    look_of : Look
        The excerpt, and its layout.
    executor, progress
        As for `syncvid.steps.render`.

    Returns
    -------
    RenderOutcome
        Its `out` is the video, in ``preview`` in the production.

    Raises
    ------
    RenderError
        No clip has a place.
    MediaError
        The mix cannot be read, or the folder cannot be written.
    """
    path = _folder(material) / EXCERPT
    with system_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
    return render(
        material,
        path,
        look_of=_small(material, look_of),
        settings=PREVIEW_SETTINGS,
        executor=executor,
        progress=progress,
    )


def preview_still(
    material: Material, moment: Moment, *, look_of: Look, progress: Progress = SILENT
) -> Still:
    """Make the picture of one moment at full size, from the tile cache where it can be.

    Parameters
    ----------
    material : Material
        A production.
    moment : Moment
        Which moment.
    look_of : Look
        Layout and size.
    progress : Progress
        Told how far it is.

    Returns
    -------
    Still
        A JPEG file, in ``preview`` in the production.

    Raises
    ------
    ProductionError
        The moment cannot be found.
    RenderError
        No clip has a place.
    MediaError
        A clip cannot be decoded, or the folder cannot be written.
    """
    path = _folder(material) / STILL
    with system_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
    return render_still(material, path, moment, look_of=look_of, progress=progress)


def _folder(material: Material) -> Path:
    """Return where previews lie."""
    return (material.folder or Path()) / PREVIEW_FOLDER


def _small(material: Material, look_of: Look) -> Look:
    """Return a look made small: the video's shape, few lines."""
    width, height = (int(side) for side in material.picture.size.split("x"))
    scale = _PREVIEW_HEIGHT / min(width, height)
    return replace(
        look_of,
        size=(round(width * scale / 2) * 2, round(height * scale / 2) * 2),
        frame_rate=min(_PREVIEW_RATE, material.picture.rate),
    )
