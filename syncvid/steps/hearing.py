"""Taking clips in: each is opened once, measured, and kept in a small form for analysis."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from typing import Any, TypeVar

import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import SyncvidError
from syncvid.listen import measure_levels, measure_overview
from syncvid.media.probe import MediaInfo, probe
from syncvid.media.sound import read_sound, resample
from syncvid.production.material import SourceFile
from syncvid.production.results import Levels, Overview
from syncvid.production.store import Store
from syncvid.progress import SILENT, Progress
from syncvid.sync import ANALYSIS_RATE

# Raised when what is measured of a clip changes, so that old records are made again.
_HEARING = "hearing/2"

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


@dataclass(frozen=True, slots=True)
class Heard:
    """A file with its facts and, if it has sound, its samples for analysis.

    Attributes
    ----------
    source : SourceFile
        The file.
    facts : Facts
        What is known of it.
    samples : ndarray, shape (samples,), float32, or None
        Mono at `syncvid.sync.ANALYSIS_RATE`.
    is_new : bool
        Whether it was opened just now, and is yet to be kept.
    """

    source: SourceFile
    facts: Facts
    samples: Audio | None
    is_new: bool = False


def hear(source: SourceFile, store: Store) -> Heard:
    """Open a file, or take what is kept of it.

    Raises
    ------
    MediaError
        It cannot be read.
    """
    return _keep(_open(source, store), store)


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
    for answer in side_by_side(jobs, progress, "listening to the clips"):
        if isinstance(answer, SyncvidError):
            problems.append(answer)
        else:
            heard.append(_keep(answer, store))
    return heard, problems


def side_by_side(
    jobs: Sequence[Callable[[], Answer]], progress: Progress, note: str
) -> Iterator[Answer | SyncvidError]:
    """Run jobs in threads and yield their answers in order; an error of ours is an answer too."""

    def careful(job: Callable[[], Answer]) -> Answer | SyncvidError:
        progress.check()
        try:
            return job()
        except SyncvidError as exc:
            return exc

    with ThreadPoolExecutor(os.cpu_count() or 2) as pool:
        for done, answer in enumerate(pool.map(careful, jobs), 1):
            progress.advance(done, len(jobs), note)
            yield answer


def _open(source: SourceFile, store: Store) -> Heard:
    """Take what is kept of a file, or open it."""
    kept = store.load(f"clip-{source.identity}", _HEARING)
    samples = store.load_samples(source.identity) if kept and kept["levels"] else None
    if kept and (samples is not None or not kept["levels"]):
        return Heard(source, _facts_from(kept), samples)
    return Heard(source, *_listen(probe(source.path)), is_new=True)


def _keep(heard: Heard, store: Store) -> Heard:
    """Keep what was heard; a work folder that cannot be written ends the step."""
    if heard.is_new:
        if heard.samples is not None:
            store.save_samples(heard.source.identity, heard.samples)
        store.save(f"clip-{heard.source.identity}", _HEARING, asdict(heard.facts))
    return heard


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
