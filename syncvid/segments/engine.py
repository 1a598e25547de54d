"""Rendering a composition: segment by segment, what is cached is kept, then joined with the sound.

A clip that cannot be decoded, or that takes a process down twice, is left out: its tile becomes a
card and the summary names it.  Everything else goes on.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import time
import uuid
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from syncvid.errors import MediaError, RenderError
from syncvid.media.check_sound import SoundCheck
from syncvid.media.encode import SOUND_RATE, EncodeSettings
from syncvid.media.errors import media_errors
from syncvid.media.join import join_segments
from syncvid.media.labels import NO_LABELS, Labels
from syncvid.picture.composition import Composition
from syncvid.picture.pieces import Piece
from syncvid.progress import SILENT, Progress
from syncvid.segments.clips import Keeping
from syncvid.segments.crew import Batch, Crew, Failure
from syncvid.segments.cutting import Segment, cut_into_segments, notes_path
from syncvid.segments.glimpses import glimpses_path, tell_flashes
from syncvid.segments.lanes import Lane
from syncvid.segments.painting import ClipNote, Habits, OpenPictures, open_pictures
from syncvid.segments.scraps import lanes_folder, remove_scraps
from syncvid.segments.staff import usable_cores, worker_count
from syncvid.segments.tiles import prune
from syncvid.segments.worker import PART_ENDING, SegmentJob, Target, release_clips
from syncvid.sources import SoundSource
from syncvid.timeline import FrameRate, clock_text

# Share of the progress that goes to the pictures; joining is the rest.
_PICTURE_SHARE = 0.95

# A process may die this often without a clip to blame before the render is given up.
_MOST_BLANK_CRASHES = 3

# A clip is left out once this many processes have died at it: once may be chance (no memory left).
_CRASHES_TO_BLAME = 2

# Unused segments are kept for another change of mind, up to this size; tiles likewise.  Measured:
# nine tiles of 640x360 for five minutes take about 2.5 GB.
_CACHE_BYTES, _TILE_BYTES = 2 << 30, 6 << 30

# One render adds at most this much to the tiles; what it may show stays until it has ended.
_NEW_TILE_BYTES = 4 << 30


class Dropped(NamedTuple):
    """A clip that was left out.

    Attributes
    ----------
    file : str
        The path as the user gave it.
    reason : str
        Why, in a sentence.
    """

    file: str
    reason: str


@dataclass(frozen=True, slots=True)
class RenderSummary:
    """What a render did.

    Attributes
    ----------
    segments, reused : int
        Segments of the video, and how many of them were in the cache.
    pictures : int
        Output pictures.
    seconds : float
        How long it took.
    composition : Composition
        What the video really shows: without the clips that were left out.
    dropped : tuple of Dropped
        Clips that were left out.
    notes : tuple of str
        What else the user should know, in sentences.
    """

    segments: int
    reused: int
    pictures: int
    seconds: float
    composition: Composition
    dropped: tuple[Dropped, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Output:
    """One video to be made.

    Attributes
    ----------
    composition : Composition
        What it shows.
    out : Path
        The file; it appears only when it is whole.
    settings : EncodeSettings
        Quality and speed.
    labels : Labels
        Title and chapters.
    sample_rate : int
        Of the sound, in Hz.
    """

    composition: Composition
    out: Path
    settings: EncodeSettings
    labels: Labels = NO_LABELS
    sample_rate: int = SOUND_RATE


@dataclass(frozen=True, slots=True)
class Tiles:
    """What is done with the tile cache.

    Attributes
    ----------
    folder : Path or None
        Where it is; None: there is none.
    use_kept : bool
        Whether its tiles may be shown; otherwise every picture comes from its original.
    """

    folder: Path | None = None
    use_kept: bool = True


def render_video(
    composition: Composition,
    sound: SoundSource,
    out: Path,
    *,
    work: Path,
    settings: EncodeSettings | None = None,
    tiles: Tiles = Tiles(),
    executor: Executor | None = None,
    progress: Progress = SILENT,
    open_clip: OpenPictures = open_pictures,
) -> RenderSummary:
    """Render a composition with its sound into an MP4 file; see `render_videos`."""
    (summary,) = render_videos(
        [Output(composition, out, settings or EncodeSettings())],
        sound,
        work=work,
        tiles=tiles,
        executor=executor,
        progress=progress,
        open_clip=open_clip,
    )
    return summary


def render_videos(
    outputs: Sequence[Output],
    sound: SoundSource,
    *,
    work: Path,
    tiles: Tiles = Tiles(),
    executor: Executor | None = None,
    progress: Progress = SILENT,
    open_clip: OpenPictures = open_pictures,
) -> tuple[RenderSummary, ...]:
    """Render compositions of the same music into MP4 files; each clip is decoded once for all.

    Parameters
    ----------
    outputs : sequence of Output
        At least one; of the same voices.
    sound : SoundSource
        On the reference clock.
    work : Path
        Folder in which segments are kept for the next time; made if it is not there.
    tiles : Tiles
        The tile cache.
    executor : Executor or None
        Where to render segments; it must see the same folders.  None: processes of this computer.
    progress : Progress
        Told about every few pictures; may raise `Cancelled`.
    open_clip : callable
        Opens a piece's clip; must be picklable.

    Returns
    -------
    tuple of RenderSummary
        One for each output.

    Raises
    ------
    Cancelled
        Nothing half-written is left, and no process.
    RenderError
        Encoding or joining failed.
    MediaError
        A file cannot be written, or the sound cannot be read.
    """
    started = time.monotonic()
    with media_errors(work, doing="write"):
        work.mkdir(parents=True, exist_ok=True)
    remove_scraps(work, tiles.folder)
    there = set(work.glob("*.mp4"))
    render = _Render(outputs, work, tiles, executor, open_clip)
    with _work_errors(work):
        made = render.finish_segments(progress.part(_PICTURE_SHARE))
    joining = progress.part(1.0 - _PICTURE_SHARE)
    checks = [
        _join(output, files, sound, joining.part(1.0 / len(outputs)))
        for output, files in zip(outputs, made, strict=True)
    ]
    _prune(work, [path for files in made for path, _ in files])
    if tiles.folder is not None:
        prune(tiles.folder, _TILE_BYTES)
    return tuple(
        RenderSummary(
            segments=len(files),
            reused=sum(path in there for path, _ in files),
            pictures=composition.picture_count,
            seconds=time.monotonic() - started,
            composition=composition,
            dropped=tuple(render.dropped),
            notes=(
                *_tell([path for path, _ in files], composition),
                *tell_flashes(files, composition.frame_rate),
                *check.sentences(),
            ),
        )
        for composition, files, check in zip(render.compositions, made, checks, strict=True)
    )


@contextlib.contextmanager
def _work_errors(work: Path) -> Iterator[None]:
    """Put into our words what goes wrong with the work folder, here or in a worker."""
    try:
        with media_errors(work, doing="write"):
            yield
    except MediaError as exc:
        if work.is_dir():
            raise
        raise MediaError(
            "The work folder was deleted while it was in use.",
            where=str(work),
            fix="Run the same command again.",
        ) from exc


def _join(
    output: Output, files: Sequence[tuple[Path, int]], sound: SoundSource, progress: Progress
) -> SoundCheck:
    """Write the finished file of one output; return what became of its sound."""
    composition = output.composition
    return join_segments(
        files,
        Path(os.path.abspath(output.out)),
        sound=sound,
        duration_s=composition.to_s - composition.from_s,
        frame_rate=composition.frame_rate,
        settings=output.settings,
        sound_at_s=max(0.0, -composition.from_s),
        sound_from_s=max(0.0, composition.from_s),
        sound_to_s=min(composition.to_s, composition.duration_s),
        sample_rate=output.sample_rate,
        labels=output.labels,
        progress=progress,
    )


Made = list[tuple[Path, int]]
"""The files of an output's segments in order, each with its number of pictures."""


class _Render:
    """The state of one render: which clips are left out, and who is under suspicion."""

    def __init__(
        self,
        outputs: Sequence[Output],
        work: Path,
        tiles: Tiles,
        executor: Executor | None,
        open_clip: OpenPictures,
    ) -> None:
        self.compositions = [output.composition for output in outputs]
        self.settings = [output.settings for output in outputs]
        self.tiles, self.executor = tiles, executor
        self.work, self.open_clip = work, open_clip
        self.dropped: list[Dropped] = []
        self._crashes: Counter[str] = Counter()
        self._blank_crashes = 0
        self._token = uuid.uuid4().hex[:12]
        self._origin = self._name_origin()

    def finish_segments(self, progress: Progress) -> list[Made]:
        """Render what is not there, leaving out clips that cannot be rendered."""
        while True:
            rows = self._rows()
            batches = self._missing(rows)
            failure = self._render(batches, progress) if batches else None
            if failure is None:
                return [self._files(row) for row in rows]
            self._learn_from(failure)

    def _name_origin(self) -> str:
        """Return what names this render and any that goes on with it: what all is to be shown."""
        names = [segment.path.stem for row in self._rows() for segment in row]
        return hashlib.sha256(" ".join(names).encode()).hexdigest()[:12]

    def _rows(self) -> list[tuple[Segment, ...]]:
        """Return the segments of each output."""
        return [
            cut_into_segments(composition, settings, self.work)
            for composition, settings in zip(self.compositions, self.settings, strict=True)
        ]

    def _files(self, row: Sequence[Segment]) -> Made:
        """Return the files of finished segments."""
        return [
            (segment.made(use_kept=self.tiles.use_kept) or segment.path, segment.count)
            for segment in row
        ]

    def _missing(self, rows: Sequence[Sequence[Segment]]) -> list[Batch]:
        """Return what is to be rendered: the same stretch of all outputs of one rate together."""
        targets: dict[tuple[int, int, int], list[Target]] = {}
        seen: set[Path] = set()
        for index, row in enumerate(rows):
            for segment in row:
                if segment.path in seen or segment.made(use_kept=self.tiles.use_kept):
                    continue
                seen.add(segment.path)
                group = self._group_of(index)
                number = self._groups()[group].index(index)
                target = Target(number, segment, self.settings[index])
                targets.setdefault((group, segment.first, segment.last), []).append(target)
        return [Batch(key[0], tuple(row)) for key, row in sorted(targets.items())]

    def _groups(self) -> list[list[int]]:
        """Return the outputs that can share what is decoded: those of the same rate."""
        rates: dict[FrameRate, list[int]] = {}
        for index, composition in enumerate(self.compositions):
            rates.setdefault(composition.frame_rate, []).append(index)
        return list(rates.values())

    def _group_of(self, index: int) -> int:
        """Return the group of an output."""
        return next(n for n, members in enumerate(self._groups()) if index in members)

    def _render(self, batches: Sequence[Batch], progress: Progress) -> Failure | None:
        """Put a crew to work on what is missing."""
        total = sum(composition.picture_count for composition in self.compositions)
        done = total - sum(batch.count for batch in batches)
        workers, threads = self._staff()
        groups = [
            tuple(self.compositions[index] for index in members) for members in self._groups()
        ]
        with (
            lanes_folder(self.work, self._token) as folder,
            self._lanes(min(workers, len(batches))) as lanes,
        ):
            room = _NEW_TILE_BYTES // len(lanes)
            keeping = Keeping(self.tiles.folder, self.tiles.use_kept, self._origin, room)
            habits = Habits(self.open_clip, threads, self.settings[0].fast, keeping)
            crew = Crew(
                lanes,
                folder,
                max(len(composition.voices) for composition in self.compositions),
                lambda batch, beacon: SegmentJob(
                    groups[batch.group], batch.targets, habits, beacon, self._token
                ),
            )
            return crew.work(batches, progress, done, total)

    def _staff(self) -> tuple[int, int]:
        """Return how many lanes to use, and how many threads in each.

        Memory decides how many processes there are; what cores are left go to threads.  After a
        crash there is one thread, so that only one clip can be to blame.
        """
        cores = usable_cores()
        if self.executor is not None:
            return max(1, int(getattr(self.executor, "_max_workers", cores))), 1
        workers = worker_count(self.compositions, cores)
        careful = self._crashes or self._blank_crashes
        return workers, 1 if careful else max(1, cores // workers)

    @contextlib.contextmanager
    def _lanes(self, count: int) -> Iterator[list[Executor]]:
        """Provide executors, and leave no process and no unfinished file behind."""
        if self.executor is not None:
            yield [self.executor] * count
            for _ in range(count):
                with contextlib.suppress(RuntimeError):
                    self.executor.submit(release_clips)
            return
        lanes = [Lane() for _ in range(count)]
        try:
            yield list(lanes)
        finally:
            for lane in lanes:
                lane.shutdown(wait=False, cancel_futures=True)
            for lane in lanes:
                lane.shutdown()
            for part in self.work.glob(f"*.{self._token}.*{PART_ENDING}"):
                part.unlink(missing_ok=True)

    def _learn_from(self, failure: Failure) -> None:
        """Leave out the clip that made a crew fail, or give up."""
        if failure.path:
            self._drop(failure.path, failure.reason)
            return
        self.executor = None
        voices = self.compositions[0].voices
        suspects = {str(voices[tile].pieces[number].path) for tile, number in failure.suspects}
        self._crashes.update(suspects)
        if not suspects:
            self._blank_crashes += 1
        if self._blank_crashes >= _MOST_BLANK_CRASHES:
            raise RenderError(
                f"A process that renders ended {self._blank_crashes} times: {failure.reason}.",
                fix="Close other programs, there may be too little memory, and render again; "
                "what is done is kept.",
            )
        guilty, crashes = max(self._crashes.items(), key=lambda item: item[1], default=("", 0))
        if crashes >= _CRASHES_TO_BLAME:
            self._drop(guilty, "It breaks the decoder.")
            self._crashes.clear()

    def _drop(self, path: str, reason: str) -> None:
        """Leave a clip out from now on."""
        unwanted = {
            piece.file
            for composition in self.compositions
            for piece in _pieces(composition)
            if str(piece.path) == path
        }
        self.dropped += [Dropped(file, reason) for file in sorted(unwanted)]
        self.compositions = [
            composition.without(lambda piece: str(piece.path) == path)
            for composition in self.compositions
        ]


def _pieces(composition: Composition) -> list[Piece]:
    """Return all pieces."""
    return [piece for voice in composition.voices for piece in voice.pieces]


def _tell(made: Sequence[Path], composition: Composition) -> tuple[str, ...]:
    """Put what was noticed while segments were made, now or earlier, into sentences."""
    files = {str(piece.path): piece.file for piece in _pieces(composition)}
    damages: Counter[str] = Counter()
    ends: dict[str, float] = {}
    for path in made:
        if not notes_path(path).exists():
            continue
        for entry in json.loads(notes_path(path).read_text("utf-8")):
            note = ClipNote(**entry)
            damages[note.path] += note.damages
            if note.ended_s is not None:
                ends[note.path] = min(note.ended_s, ends.get(note.path, note.ended_s))
    told = [
        f"{files.get(path, path)}: its pictures end early, at {clock_text(end_s)} of the clip; "
        "the last one is held."
        for path, end_s in ends.items()
    ]
    told += [
        f"{files.get(path, path)}: the picture is damaged in {count} places; there the last good "
        "one is held."
        for path, count in damages.items()
        if count
    ]
    return tuple(told)


def _prune(work: Path, used: Sequence[Path]) -> None:
    """Delete the segments that have gone unused longest once they take up too much room."""
    keep = set(used)
    unused = sorted(
        ((path.stat().st_mtime, path) for path in work.glob("*.mp4") if path not in keep),
        reverse=True,
    )
    room = _CACHE_BYTES
    for _, path in unused:
        room -= path.stat().st_size
        if room < 0:
            path.unlink(missing_ok=True)
            notes_path(path).unlink(missing_ok=True)
            glimpses_path(path).unlink(missing_ok=True)
