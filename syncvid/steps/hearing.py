"""Taking clips in: each is opened once, measured, and kept in a small form for analysis."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from typing import Any, TypeVar

import numpy as np
from threadpoolctl import threadpool_limits

from syncvid.arrays import Audio, give_back_memory
from syncvid.errors import MediaError, ProductionError, SignalError, SyncvidError
from syncvid.listen import measure_levels, measure_overview
from syncvid.media.probe import MediaInfo, probe
from syncvid.media.sound import read_sound, resample
from syncvid.production.material import SourceFile
from syncvid.production.results import Levels, Overview
from syncvid.production.store import Store
from syncvid.progress import SILENT, Progress
from syncvid.sync import ANALYSIS_RATE

# Raised when what is measured of a clip changes, so that old records are made again.
_HEARING = "hearing/3"

Job = TypeVar("Job")
Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a file once it was heard.

    Attributes
    ----------
    duration_s : float
        Length on the clip's clock.
    shape : (int, int) or None
        Width and height of the upright picture; None without picture.
    picture_from_s, picture_to_s : float
        Clip seconds in which there are pictures.
    rotation : int
        Degrees by which the stored picture is turned.
    levels : Levels or None
        Its sound; None without sound.
    overview : Overview or None
        Its sound, to be drawn.
    missing_s : float
        How much of the file is missing at its end.
    """

    duration_s: float
    shape: tuple[int, int] | None
    picture_from_s: float
    picture_to_s: float
    rotation: int
    levels: Levels | None
    overview: Overview | None
    missing_s: float = 0.0

    @property
    def is_still(self) -> bool:
        """Whether it is a photo or a drawing: a picture that lasts no time, and no sound."""
        return self.shape is not None and self.duration_s == 0.0 and self.levels is None


@dataclass(frozen=True, slots=True)
class Heard:
    """A file with its facts; its sound for analysis lies in the store until it is asked for.

    Attributes
    ----------
    source : SourceFile
        The file.
    facts : Facts
        What is known of it.
    store : Store
        Where its sound is kept.
    """

    source: SourceFile
    facts: Facts
    store: Store

    @property
    def name(self) -> str:
        """What to call it in a message: its file."""
        return self.source.file

    @property
    def part(self) -> str:
        """A file alone belongs to no part."""
        return ""

    @property
    def has_sound(self) -> bool:
        """Whether there is anything to listen to."""
        return self.facts.levels is not None

    @property
    def samples(self) -> Audio:
        """Read the sound, shape (samples,), mono at `syncvid.sync.ANALYSIS_RATE`.

        It is read anew each time, so that many long clips need not fit into memory together.

        Raises
        ------
        ProductionError
            It was kept a moment ago and is gone now.
        """
        samples = self.store.load_samples(self.source.identity)
        if samples is None:
            raise ProductionError(
                f"The kept sound of {self.source.file!r} is gone.",
                where=str(self.store.folder),
                fix="Run the same command again; leave the work folder alone meanwhile.",
            )
        return samples


def hear(source: SourceFile, store: Store) -> Heard:
    """Open a file, or take what is kept of it.

    Raises
    ------
    MediaError
        It cannot be read.
    """
    return _keep(source, _open(source, store), store)


def look(source: SourceFile, store: Store) -> Facts:
    """Open a file for its picture alone; what is kept of it serves as well.

    Raises
    ------
    MediaError
        It cannot be read.
    """
    kept = store.load(f"clip-{source.identity}", _HEARING)
    return _facts_from(kept) if kept else _facts(probe(source.path), None, None)


def hear_all(
    sources: Sequence[SourceFile], store: Store, progress: Progress = SILENT
) -> tuple[list[Heard], list[SyncvidError]]:
    """Open files side by side.

    Returns
    -------
    (list of Heard, list of SyncvidError)
        What could be read, in the order of `sources`, and one error for each that could not.
    """
    heard: list[Heard] = []
    problems: list[SyncvidError] = []
    jobs = [partial(_open, source, store) for source in sources]
    answers = side_by_side(jobs, progress, "listening to the clips")
    for source, answer in zip(sources, answers, strict=True):
        if isinstance(answer, SyncvidError):
            problems.append(answer)
        else:
            heard.append(_keep(source, answer, store))
        give_back_memory()
    return heard, problems


def side_by_side(
    jobs: Sequence[Callable[[], Answer]], progress: Progress, note: str
) -> Iterator[Answer | SyncvidError]:
    """Run jobs in threads and yield their answers in order; an error of ours is an answer too.

    There is a thread for every processor already: products of matrices that take more of them only
    wait for each other (measured: three times as long).
    """

    def careful(job: Callable[[], Answer]) -> Answer | SyncvidError:
        progress.check()
        try:
            return job()
        except SyncvidError as exc:
            return exc

    alone = threadpool_limits(limits=1, user_api="blas")
    with alone, ThreadPoolExecutor(os.cpu_count() or 2) as pool:
        for done, answer in enumerate(pool.map(careful, jobs), 1):
            progress.advance(done, len(jobs), note)
            yield answer


def _open(source: SourceFile, store: Store) -> tuple[Facts, Audio | None]:
    """Return what is kept of a file; or open it, and return its sound to be kept as well."""
    kept = store.load(f"clip-{source.identity}", _HEARING)
    if kept and (not kept["levels"] or store.has_samples(source.identity)):
        return _facts_from(kept), None
    try:
        return _listen(probe(source.path))
    except SignalError as exc:
        raise MediaError(
            "Its sound holds values that are no numbers.",
            where=str(source.path),
            fix="Have it exported again.",
        ) from exc


def _keep(source: SourceFile, opened: tuple[Facts, Audio | None], store: Store) -> Heard:
    """Keep what was heard; a work folder that cannot be written ends the step."""
    facts, samples = opened
    if samples is not None:
        store.save_samples(source.identity, samples)
    if store.load(f"clip-{source.identity}", _HEARING) is None:
        store.save(f"clip-{source.identity}", _HEARING, asdict(facts))
    return Heard(source, facts, store)


def _listen(media: MediaInfo) -> tuple[Facts, Audio | None]:
    """Read a file's sound and measure it."""
    samples: Audio | None = None
    levels = overview = None
    if media.sound is not None:
        sound = read_sound(media, mono=True)
        levels = measure_levels(sound.samples[0], sample_rate=sound.sample_rate)
        samples = np.ascontiguousarray(resample(sound, ANALYSIS_RATE).samples[0])
        overview = measure_overview(samples, sample_rate=ANALYSIS_RATE)
    return _facts(media, levels, overview), samples


def _facts(media: MediaInfo, levels: Levels | None, overview: Overview | None) -> Facts:
    """Put together what is known of a file."""
    video = media.video
    return Facts(
        duration_s=media.duration_s,
        shape=(video.width, video.height) if video else None,
        picture_from_s=video.first_s if video else 0.0,
        picture_to_s=video.end_s if video else 0.0,
        rotation=video.rotation if video else 0,
        levels=levels,
        overview=overview,
        missing_s=media.missing_s,
    )


def _facts_from(kept: Any) -> Facts:
    """Read facts back from plain data."""
    shape = kept["shape"]
    overview = kept["overview"]
    return Facts(
        **{
            **kept,
            "shape": (shape[0], shape[1]) if shape else None,
            "levels": Levels(**kept["levels"]) if kept["levels"] else None,
            "overview": Overview(overview["step_s"], tuple(overview["peaks"]))
            if overview
            else None,
        }
    )
