"""What a command works on: recordings with their parts, the reference, a place for results.

A production and a row of loose clips become the same thing here, so that everything behind it
needs to know only one.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import platformdirs

from syncvid.errors import MediaError, ProductionError
from syncvid.production.captions import Caption, Section
from syncvid.production.files import fingerprint, identity, written_path
from syncvid.production.names import guess_names
from syncvid.production.pins import Pin, pin_of
from syncvid.production.plan import PLAN_FILE, Part, Picture, Plan, Take, resolve
from syncvid.production.results import Stretch
from syncvid.production.sound_plan import PLAIN_PART, PartSound, SoundPlan
from syncvid.production.store import Store
from syncvid.production.toml import read_toml

WORK_FOLDER = "work"

# How many files a search for a moved clip looks at before it gives up.
_SEARCH_LIMIT = 5000


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A file in use.

    Attributes
    ----------
    file : str
        The path as the user wrote it.
    path : Path
        Where it is.
    identity : str
        What it is known by, wherever it lies.
    """

    file: str
    path: Path
    identity: str


@dataclass(frozen=True, slots=True)
class Recording:
    """One take of a part.

    Attributes
    ----------
    source : SourceFile
        The clip.
    part, player : str
        Who plays what; either may be empty.
    take : int
        Number of the take.
    use : bool
        The user wants this take shown.
    focus : (float, float) or None
        What a tile keeps of the picture; None leaves it to the layout.
    stretch : Stretch
        Which part of the file holds it.
    pin : Pin or None
        Where the user has settled that it lies; None leaves it to sync.
    sound : SourceFile or None
        The file of a separate recorder whose sound is used in place of the clip's own.
    picture_shift_ms : float
        By how much its picture comes late behind its sound.
    zoom : float or None
        How much closer a tile looks, around the focus; None leaves it to the layout.
    """

    source: SourceFile
    part: str
    player: str
    take: int
    use: bool = False
    focus: tuple[float, float] | None = None
    stretch: Stretch = field(default_factory=Stretch)
    pin: Pin | None = None
    sound: SourceFile | None = None
    picture_shift_ms: float = 0.0
    zoom: float | None = None

    @property
    def name(self) -> str:
        """What to call it in a message."""
        player = f" ({self.player})" if self.player else ""
        return f"{self.part}{player}, take {self.take}" if self.part else self.source.file

    @property
    def key(self) -> str:
        """What it is known by: the content of its file, and the stretch of it."""
        return f"{self.source.identity}{self.stretch.text}"


@dataclass(frozen=True, slots=True)
class Material:
    """Everything that a command works on.

    Attributes
    ----------
    title : str
        What the piece is called.
    recordings : tuple of Recording
        In score order; withdrawn ones are not among them.
    parts : tuple of (part, player)
        The parts in score order; none for loose clips.
    open_parts : frozenset of (part, player)
        The parts for which no clip was handed in yet.
    mix, guide : SourceFile or None
        The references.
    store : Store
        Where results are kept.
    folder : Path or None
        The production's folder; None for loose clips.
    picture : Picture
        How the video is to look.
    moved : tuple of (file, found)
        Files that were found again elsewhere.
    groups : dict
        The section of each part, by (part, player), where it has one.
    stills : dict
        The image of each part, by (part, player), where it has one.
    background : SourceFile or None
        The image behind the tiles.
    captions : tuple of Caption
        Words for moments of the piece.
    sections : tuple of Section
        The sections of the piece.
    guide_offset_s : float or None
        Where the user has settled that the guide begins on the mix; None leaves it to sync.
    sound : SoundPlan
        How a mix of the clips is to sound.
    part_sounds : dict
        What is said of the sound of each part, by (part, player).
    room : SourceFile or None
        The impulse response that the plan names, if it names one.
    """

    title: str
    recordings: tuple[Recording, ...]
    parts: tuple[tuple[str, str], ...]
    mix: SourceFile | None
    guide: SourceFile | None
    store: Store
    folder: Path | None = None
    picture: Picture = field(default_factory=Picture)
    open_parts: frozenset[tuple[str, str]] = frozenset()
    moved: tuple[tuple[str, str], ...] = ()
    groups: dict[tuple[str, str], str] = field(default_factory=dict)
    stills: dict[tuple[str, str], SourceFile] = field(default_factory=dict)
    background: SourceFile | None = None
    captions: tuple[Caption, ...] = ()
    sections: tuple[Section, ...] = ()
    guide_offset_s: float | None = None
    sound: SoundPlan = field(default_factory=SoundPlan)
    part_sounds: dict[tuple[str, str], PartSound] = field(default_factory=dict)
    room: SourceFile | None = None

    def sound_of(self, part: str, player: str) -> PartSound:
        """Return what is said of the sound of a part."""
        return self.part_sounds.get((part, player), PLAIN_PART)


def plan_path(folder: Path) -> Path:
    """Return where a production's plan lies.

    Raises
    ------
    ProductionError
        The folder holds no plan.
    """
    path = folder / PLAN_FILE
    if not path.is_file():
        raise ProductionError(
            f"This folder holds no {PLAN_FILE}.",
            where=str(folder),
            fix="Make a production with `syncvid new FOLDER CLIPS...`.",
        )
    return path


def is_production(path: str | os.PathLike[str]) -> bool:
    """Tell whether a path is the folder of a production."""
    return (Path(path) / PLAN_FILE).is_file()


def open_production(folder: Path) -> Material:
    """Read a production's plan and find its files, also those that were moved.

    Raises
    ------
    ProductionError
        No plan, mistakes in it, or paths that are gone; each is named.
    MediaError
        A file is there but refuses to be read.
    """
    plan, _ = read_toml(plan_path(folder), Plan)
    store = Store(folder / WORK_FOLDER)
    finder = _Finder(folder, store, plan)
    recordings = tuple(
        recording
        for part in plan.parts
        for take in part.takes
        if not take.withdrawn
        for recording in [_recording(part, take, finder)]
        if recording
    )
    mix, guide = finder.find(plan.mix, "mix"), finder.find(plan.guide, "guide")
    stills = {
        (part.name, part.player): still
        for part in plan.parts
        if (still := finder.find(part.still, f"`still` of {part.name}"))
    }
    background = finder.find(plan.picture.background_image, "`background` under [picture]")
    room = finder.find(plan.sound.room_file, "`room` under [sound]")
    finder.conclude()
    return Material(
        title=plan.title or folder.resolve().name,
        recordings=recordings,
        parts=tuple(dict.fromkeys((part.name, part.player) for part in plan.parts)),
        mix=mix,
        guide=guide,
        store=store,
        folder=folder,
        picture=plan.picture,
        open_parts=frozenset((p.name, p.player) for p in plan.parts if not p.takes),
        moved=tuple(finder.moved),
        groups={(part.name, part.player): part.group for part in plan.parts if part.group},
        stills=stills,
        background=background,
        captions=tuple(Caption(c.begins, c.ends, c.text, c.show) for c in plan.captions),
        sections=tuple(Section(s.name, s.begins) for s in plan.sections),
        guide_offset_s=plan.guide_offset_s,
        sound=plan.sound,
        part_sounds={(part.name, part.player): part.sound for part in plan.parts},
        room=room,
    )


def _recording(part: Part, take: Take, finder: _Finder) -> Recording | None:
    """Return a take of the plan with its files, or None where its file is gone."""
    what = f"{part.name}, take {take.take}"
    source, sound = finder.find(take.file, what), finder.find(take.sound, f"{what}, its recorder")
    if source is None:
        return None
    return Recording(
        source,
        part.name,
        part.player,
        take.take,
        take.use,
        (take.focus[0], take.focus[1]) if take.focus else None,
        Stretch(take.from_s, take.to_s),
        pin_of(take),
        sound,
        take.picture_shift_ms,
        take.zoom,
    )


def loose_material(
    clips: Sequence[str], *, mix: str | None = None, guide: str | None = None
) -> tuple[Material, list[MediaError]]:
    """Take clips that belong to no production; results go to the user's cache folder.

    Every clip is a part of its own, named by its file.

    Returns
    -------
    (Material, list of MediaError)
        What can be read, and one error for each file that cannot.

    Raises
    ------
    MediaError
        The mix or the guide cannot be read.
    """
    recordings, problems = [], []
    for file, guess in zip(clips, guess_names(clips), strict=True):
        try:
            source = _source(file, Path(file))
        except MediaError as exc:
            problems.append(exc)
            continue
        recordings.append(Recording(source, guess.part, guess.player, guess.take))
    cache = Path(platformdirs.user_cache_dir("syncvid", appauthor=False))
    files = [str(Path(file).absolute()) for file in clips]
    return Material(
        title=Path(mix).stem if mix else "",
        recordings=tuple(recordings),
        parts=(),
        mix=_source(mix, Path(mix)) if mix else None,
        guide=_source(guide, Path(guide)) if guide else None,
        store=Store(cache / fingerprint(files, mix, guide)[:16]),
    ), problems


def refuse_sources(material: Material, *targets: Path, keep: Sequence[Path] = ()) -> None:
    """Refuse to write over a clip, the mix, the guide, or another file to `keep`.

    Raises
    ------
    ProductionError
        One of the targets is such a file, under whatever name.
    """
    sources = [recording.source.path for recording in material.recordings]
    sources += [recording.sound.path for recording in material.recordings if recording.sound]
    sources += [source.path for source in (material.mix, material.guide) if source is not None]
    if material.folder is not None:
        plan, _ = read_toml(plan_path(material.folder), Plan)
        takes = [take for part in plan.parts for take in part.takes]
        files = [file for take in takes for file in (take.file, take.sound) if file]
        files += [file for _, file in plan.files()]
        sources += [resolve(file, material.folder) for file in files]
        sources.append(plan_path(material.folder))
    originals = {path.resolve() for path in (*sources, *keep)}
    work = material.store.folder.resolve()
    for target in targets:
        if target.resolve() in originals or target.resolve().is_relative_to(work):
            raise ProductionError(
                "This would overwrite one of the files that are worked on.",
                where=str(target),
                fix="Choose another name.",
            )


def take_file(file: str) -> SourceFile:
    """Take a single file into use.

    Raises
    ------
    MediaError
        It cannot be read.
    """
    return _source(file, Path(file))


def _source(file: str, path: Path) -> SourceFile:
    """Take a file into use."""
    if path.is_dir():
        raise MediaError("This is a folder, not a file.", where=file, fix="Name the files in it.")
    return SourceFile(file, path, identity(path))


class _Finder:
    """Finds a plan's files, and keeps account of those that are gone or moved."""

    def __init__(self, folder: Path, store: Store, plan: Plan) -> None:
        self._folder, self._store, self._plan = folder, store, plan
        known = store.last("files")
        self._known: dict[str, str] = known if isinstance(known, dict) else {}
        self._seen: dict[str, str] = {}
        self._near: dict[int, list[Path]] | None = None
        self._gone: list[str] = []
        self.moved: list[tuple[str, str]] = []

    def find(self, file: str, what: str) -> SourceFile | None:
        """Return a file of the plan, searched for by its identity where its path is gone."""
        if not file:
            return None
        path = resolve(file, self._folder)
        if path.exists():
            source = _source(file, path)
            self._seen[file] = f"{path.stat().st_size} {source.identity}"
            return source
        found = self._search(file)
        if found is None:
            self._gone.append(f"{what}: {file!r}")
            return None
        self._seen[file] = self._known[file]
        self.moved.append((file, written_path(found, self._folder)))
        return _source(file, found)

    def conclude(self) -> None:
        """Remember what the files are known by; raise if any is gone."""
        if self._gone:
            raise ProductionError(
                f"{len(self._gone)} of the files named in {PLAN_FILE} "
                f"{'is' if len(self._gone) == 1 else 'are'} gone: {'; '.join(self._gone)}.",
                where=str(self._folder / PLAN_FILE),
                fix="Put them back, name their new place there, or `syncvid withdraw` them.",
            )
        if self._seen != self._known:
            self._remember()

    def _remember(self) -> None:
        """Keep what the files are known by; a folder that cannot be written just keeps nothing."""
        try:
            self._store.save("files", "", self._seen)
        except MediaError:
            return

    def _search(self, file: str) -> Path | None:
        """Look for a file that was moved, near where it and the others are."""
        size, _, wanted = self._known.get(file, "").partition(" ")
        if not wanted:
            return None
        if self._near is None:
            self._near = _by_size(_nearby(self._folder, self._plan))
        candidates = self._near.get(int(size), [])
        try:
            return next((path for path in candidates if identity(path) == wanted), None)
        except MediaError:
            return None


def _nearby(folder: Path, plan: Plan) -> Iterable[Path]:
    """Walk the places where a moved clip may be: by the production and by the other clips."""
    roots = [folder, folder.parent]
    roots += [resolve(file, folder).parent for _, file in plan.files()]
    roots += [resolve(file, folder).parent.parent for _, file in plan.files()]
    seen: set[Path] = set()
    for root in roots:
        for place, folders, names in os.walk(root):
            folders[:] = [f for f in folders if f != WORK_FOLDER and not f.startswith(".")]
            here = Path(os.path.abspath(place))
            if here in seen:
                folders[:] = []
                continue
            seen.add(here)
            yield from (here / name for name in names)


def _by_size(paths: Iterable[Path]) -> dict[int, list[Path]]:
    """Sort files by their size, so that only likely ones are read."""
    sizes: dict[int, list[Path]] = {}
    for count, path in enumerate(paths):
        if count > _SEARCH_LIMIT:
            break
        try:
            sizes.setdefault(path.stat().st_size, []).append(path)
        except OSError:
            continue
    return sizes


def source_record(source: SourceFile | None) -> Any:
    """Return what of a file enters a fingerprint."""
    return source and source.identity
