"""The life of a production's plan: new, add, replace, withdraw."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from syncvid.errors import MediaError, ProductionError, SyncvidError
from syncvid.media.probe import probe
from syncvid.production.edit import NewTake, PlanEditor, new_plan
from syncvid.production.files import identity, system_errors, write_whole, written_path
from syncvid.production.guide_file import Changes, write_plan
from syncvid.production.material import WORK_FOLDER, plan_path
from syncvid.production.names import Guess, guess_names
from syncvid.production.plan import PLAN_FILE, Plan, resolve
from syncvid.production.store import Store
from syncvid.progress import SILENT, Progress
from syncvid.segments import SEGMENT_FOLDER, TILE_FOLDER, keep_only_clips
from syncvid.steps.guide_source import PLAN_NAME, GuideSource, read_source
from syncvid.steps.hearing import side_by_side
from syncvid.steps.listening import forget_listening


@dataclass(frozen=True, slots=True)
class Added:
    """What became of files that were handed over.

    Attributes
    ----------
    folder : Path
        The production.
    takes : tuple of (str, Guess)
        Files that were taken in, with what their names seem to say.
    left_out : tuple of (str, str)
        Files that were not, with the reason.
    problems : tuple of SyncvidError
        The errors among them: files that could not be read.
    references : tuple of str
        ``mix`` and ``guide``, if they were named.
    guide_plan : Path or None
        The plan of a guide that was written from a score.
    remarks : tuple of str
        What its reader could not read, or guessed.
    """

    folder: Path
    takes: tuple[tuple[str, Guess], ...]
    left_out: tuple[tuple[str, str], ...]
    problems: tuple[SyncvidError, ...] = ()
    references: tuple[str, ...] = ()
    guide_plan: Path | None = None
    remarks: tuple[str, ...] = ()


def new_production(
    folder: Path,
    clips: Sequence[str],
    *,
    mix: str | None = None,
    guide: str | None = None,
    score: str | None = None,
    title: str = "",
    progress: Progress = SILENT,
) -> Added:
    """Make a production from dropped files; the files stay where they are.

    A score gives the parts in their order, and the plan of a guide beside the production's.

    Raises
    ------
    ProductionError
        The folder holds a production already.
    MediaError
        The folder cannot be written, or the mix or guide cannot be read.
    """
    path = folder / PLAN_FILE
    if path.exists():
        raise ProductionError(
            "There is a production already.",
            where=str(folder),
            fix="Add clips with `syncvid add FOLDER CLIPS...`, or choose another folder.",
        )
    references = {name: _reference(file) for name, file in (("mix", mix), ("guide", guide))}
    read = None if score is None else read_source(Path(score), Changes(), ask_tempo=False)
    good, left_out, problems = _sift(clips, _identities(references), progress)
    if clips and not good:
        raise problems[0] if problems else ProductionError("None of the files is a new recording.")
    with system_errors(folder):
        folder.mkdir(parents=True, exist_ok=True)
    store = Store(folder / WORK_FOLDER)
    with store.locked(str(folder)):
        takes = list(zip(good, guess_names(good), strict=True))
        text = new_plan(
            title or (read.plan.title if read else "") or folder.resolve().name,
            [NewTake(written_path(Path(file), folder), guess) for file, guess in takes],
            **{
                name: written_path(file, folder) if file else ""
                for name, file in references.items()
            },
            parts=[part.name for part in read.score.parts] if read and read.score else (),
        )
        planned = None if read is None else _write_guide_plan(folder, read, title)
        write_whole(path, text)
        _remember_files(folder, store)
    named = tuple(name for name, file in references.items() if file)
    remarks = read.remarks if read else ()
    if read is not None:
        remarks = (f"Bars as played: {read.order}. If that is wrong, correct the plan.", *remarks)
    return Added(folder, tuple(takes), tuple(left_out), tuple(problems), named, planned, remarks)


def _write_guide_plan(folder: Path, read: GuideSource, title: str) -> Path:
    """Write the plan of a guide that follows from a score, unless there is one."""
    path = folder / PLAN_NAME
    if path.exists():
        raise ProductionError(
            "There is a plan of a guide already.",
            where=str(path),
            fix="Move it away, or make the production without the score.",
        )
    plan = dataclasses.replace(
        read.plan, score=written_path(read.path, folder), title=title or read.plan.title
    )
    write_whole(path, write_plan(plan, remarks=read.remarks))
    return path


def add_clips(
    folder: Path,
    clips: Sequence[str],
    *,
    mix: str | None = None,
    guide: str | None = None,
    progress: Progress = SILENT,
) -> Added:
    """Add clips to a production, or name its mix or guide.

    Raises
    ------
    ProductionError
        No production, or mistakes in its plan.
    MediaError
        The folder cannot be written, or the mix or guide cannot be read.
    """
    editor = PlanEditor(plan_path(folder))
    if not (clips or mix or guide):
        raise ProductionError(
            "Nothing was named that could be added.", where=str(folder), fix="Name clips or a mix."
        )
    references = {"mix": _reference(mix), "guide": _reference(guide)}
    store = Store(folder / WORK_FOLDER)
    with store.locked(str(folder)):
        known = _known(folder, editor.plan) | _identities(references)
        good, left_out, problems = _sift(clips, known, progress)
        takes = list(zip(good, guess_names(good), strict=True))
        editor.add([NewTake(written_path(Path(file), folder), guess) for file, guess in takes])
        for name, file in references.items():
            if file:
                editor.set_reference(name, written_path(file, folder))
        editor.save()
        _remember_files(folder, store)
    named = tuple(name for name, file in references.items() if file)
    return Added(folder, tuple(takes), tuple(left_out), tuple(problems), named)


def replace_clip(folder: Path, old: str, new: str) -> tuple[str, ...]:
    """Put another file in the place of a take; the old file is left where it is.

    Returns
    -------
    tuple of str
        The keys of the take that held for the old file only, and were taken out.

    Raises
    ------
    ProductionError
        `old` names no take.
    MediaError
        `new` cannot be read, or the folder cannot be written.
    """
    editor = PlanEditor(plan_path(folder))
    probe(new)
    store = Store(folder / WORK_FOLDER)
    with store.locked(str(folder)):
        gone = editor.replace(old, written_path(Path(new), folder))
        editor.save()
        _remember_files(folder, store)
    return gone


def withdraw_clips(folder: Path, clips: Sequence[str]) -> None:
    """Take clips out of every result; the files are left where they are.

    Their analysis, their tiles, the segments and the previews that may show them are deleted;
    finished videos are the user's and stay.

    Raises
    ------
    ProductionError
        A name that is no take of this production.
    MediaError
        The folder cannot be written.
    """
    editor = PlanEditor(plan_path(folder))
    store = Store(folder / WORK_FOLDER)
    with store.locked(str(folder)):
        for clip in clips:
            editor.withdraw(clip)
        editor.save()
        _forget_withdrawn(folder, store)


def _reference(file: str | None) -> Path | None:
    """Check a mix or guide at the door: it must have sound."""
    if not file:
        return None
    if probe(file).sound is None:
        raise MediaError("The file has no sound.", where=file, fix="Name a sound file.")
    return Path(file)


def _identities(references: dict[str, Path | None]) -> dict[str, str]:
    """Return the identities of the mix and the guide: they are no takes."""
    return {identity(file): f"the {name}" for name, file in references.items() if file}


def _known(folder: Path, plan: Plan) -> dict[str, str]:
    """Return the identities of the files that the plan holds, withdrawn ones too."""
    known = {}
    for part in plan.parts:
        for file in (file for take in part.takes for file in (take.file, take.sound) if file):
            path = resolve(file, folder)
            if path.is_file():
                known[identity(path)] = file
    for name, file in (("the mix", plan.mix), ("the guide", plan.guide)):
        if file and resolve(file, folder).is_file():
            known[identity(resolve(file, folder))] = name
    return known


def _sift(
    clips: Sequence[str], known: dict[str, str], progress: Progress
) -> tuple[list[str], list[tuple[str, str]], list[SyncvidError]]:
    """Keep the clips that can be read and are not there yet; say why the others are left out."""
    answers = side_by_side(
        [partial(_identity_of_media, clip) for clip in clips],
        progress,
        "looking at the files",
    )
    good: list[str] = []
    left_out: list[tuple[str, str]] = []
    problems: list[SyncvidError] = []
    seen = dict(known)
    for clip, answer in zip(clips, answers, strict=True):
        if isinstance(answer, SyncvidError):
            left_out.append((clip, " ".join(filter(None, (answer.what, answer.fix)))))
            problems.append(answer)
        elif answer in seen:
            left_out.append((clip, f"the same recording as {seen[answer]}"))
        else:
            seen[answer] = clip
            good.append(clip)
    return good, left_out, problems


def _identity_of_media(clip: str) -> str:
    """Return the identity of a file that can be read as media."""
    probe(clip)
    return identity(clip)


def _remember_files(folder: Path, store: Store) -> None:
    """Keep what the plan's files are known by, so that they are found when they move."""
    plan = PlanEditor(plan_path(folder)).plan
    known = {}
    for _, file in plan.files():
        path = resolve(file, folder)
        if path.is_file():
            known[file] = f"{path.stat().st_size} {identity(path)}"
    store.save("files", "", known)


def _forget_withdrawn(folder: Path, store: Store) -> None:
    """Delete from the work folder whatever may hold a withdrawn clip."""
    plan = PlanEditor(plan_path(folder)).plan
    in_use = {file for _, file in plan.files()}
    known = store.last("files") or {}
    gone = [row.partition(" ")[2] for file, row in known.items() if file not in in_use]
    for key in gone:
        store.forget(f"clip-{key}")
        store.forget(f"look-{key}")
        store.forget(f"playing-{key}")
    kept = {row.partition(" ")[2] for file, row in known.items() if file in in_use}
    store.keep_only_samples(kept)
    forget_listening(store)
    for name in ("sync", "preview"):
        store.forget(name)
    with system_errors(folder):
        keep_only_clips(folder / WORK_FOLDER / TILE_FOLDER, kept)
        for kind in ("*.mp4", "*.html", "*.jpg", "*.vtt"):
            for path in (folder / "preview").glob(kind):
                path.unlink(missing_ok=True)
        for path in (folder / WORK_FOLDER / SEGMENT_FOLDER).glob("*"):
            if path.is_file():
                path.unlink(missing_ok=True)
    _remember_files(folder, store)
