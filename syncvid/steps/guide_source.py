"""What a guide is made from, read from files: a plan, a score, or a production's own plan."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from syncvid.errors import MediaError, ProductionError
from syncvid.guide.fitting import fit_score
from syncvid.guide.score import NO_TEMPO_REMARK, read_score
from syncvid.media.sound_file import ENDINGS
from syncvid.production.files import system_errors
from syncvid.production.guide_file import Changes, read_plan, with_changes
from syncvid.production.guide_plan import GuidePlan, Score

PLAN_NAME = "guide.toml"
"""The plan of a production's guide lies under this name in its folder."""

# No score of a piece of music comes near it.
_MOST_SCORE_BYTES = 200 << 20


@dataclass(frozen=True, slots=True)
class GuideSource:
    """What was read.

    Attributes
    ----------
    path : Path
        The plan's or the score's file.
    plan : GuidePlan
    score : Score or None
        Fitted to the plan.
    order : str
        The order of the score's bars as unfolded; empty for a plan.
    remarks : tuple of str
        What the reader of the score wants to say; of a plan's score, what it says of notes.
    folder : Path or None
        The production whose plan it is.
    """

    path: Path
    plan: GuidePlan
    score: Score | None = None
    order: str = ""
    remarks: tuple[str, ...] = ()
    folder: Path | None = None

    @property
    def is_score(self) -> bool:
        """Whether the file is a score, from which a plan is still to be written."""
        return bool(self.order)


def read_source(path: Path, changes: Changes, *, ask_tempo: bool = True) -> GuideSource:
    """Read a plan (``.toml``), a score, or the plan in a production's folder.

    Parameters
    ----------
    path : Path
    changes : Changes
        What is said beside it.
    ask_tempo : bool
        Whether a score without a tempo is an error; otherwise it is a remark.

    Raises
    ------
    MediaError
        The file cannot be read.
    ProductionError
        It is neither, or holds mistakes; a score names no tempo, and none is said.
    """
    folder = path if path.is_dir() else None
    if folder is not None:
        path = _plan_in(folder)
    if path.suffix.lower() == ".toml":
        plan = with_changes(read_plan(path), changes)
        score = _read_beside(path, plan.score) if plan.score else None
        fitted = None if score is None else fit_score(score, plan)
        # The rest is about what the plan settles.
        remarks = () if fitted is None else tuple(fitted.note_remarks)
        return GuideSource(path, plan, fitted, "", remarks, folder)
    if path.suffix.lower() in ENDINGS:
        raise ProductionError(
            "This is a sound; a guide is made from a plan (.toml) or a score.",
            where=str(path),
            fix="Name a MusicXML or MIDI file, or write a plan: the README shows one.",
        )
    score = _read(path)
    remarks = tuple(score.remarks)
    if ask_tempo and changes.tempo is None and NO_TEMPO_REMARK in remarks:
        raise ProductionError(
            "The score names no tempo.", where=str(path), fix='Say it: --tempo "quarter = 96".'
        )
    plan = with_changes(replace(score.plan, score=path.name), changes)
    plan = replace(plan, title=plan.title or path.stem)
    if changes.tempo is not None:
        remarks = tuple(remark for remark in remarks if remark != NO_TEMPO_REMARK)
    return GuideSource(path, plan, replace(score, plan=plan), score.order, remarks, None)


def _plan_in(folder: Path) -> Path:
    """Return the plan in a production's folder."""
    plan = folder / PLAN_NAME
    if not plan.is_file():
        raise ProductionError(
            f"There is no {PLAN_NAME} in this folder.",
            where=str(folder),
            fix="Write one (the README shows it), or name a plan or a score.",
        )
    return plan


def _read_beside(plan: Path, name: str) -> Score:
    """Read the score that a plan names."""
    path = plan.parent / name
    if not path.is_file():
        raise ProductionError(
            f"The score {name!r} that the plan names is not there.",
            where=str(plan),
            fix="Put it beside the plan, or take `score` out: then no lines of it are played.",
        )
    return _read(path)


def _read(path: Path) -> Score:
    """Read a score's file."""
    with system_errors(path), path.open("rb") as file:
        data = file.read(_MOST_SCORE_BYTES + 1)
    if len(data) > _MOST_SCORE_BYTES:
        raise MediaError(
            f"This file is larger than {_MOST_SCORE_BYTES >> 20} megabytes: no score is.",
            where=str(path),
            fix="Name a MusicXML or MIDI file, or a plan.",
        )
    return read_score(data, name=path.name)
