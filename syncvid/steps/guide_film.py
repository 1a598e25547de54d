"""A guide's video being written: what it is made of, its pictures, its sound, its chapters."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from syncvid.arrays import Audio, Sound
from syncvid.errors import ProductionError, RenderError
from syncvid.media.encode import EncodeSettings, SegmentWriter
from syncvid.media.join import join_segments
from syncvid.media.labels import Chapter, Labels
from syncvid.picture.beat_cards import BeatCard, BeatCards
from syncvid.picture.canvas import Canvas
from syncvid.production.beats import GuideMap
from syncvid.production.files import check_target, system_errors
from syncvid.progress import Progress
from syncvid.segments.cutting import pictures_per_segment
from syncvid.timeline import FrameRate, pictures_to_cover, to_samples

# The least that letters can be drawn on, and the most that telephones play.
_SMALLEST, _LARGEST = 240, 4096

# So many pictures from one report of progress to the next.
_REPORT = 50

# Share of the progress that goes to the pictures; the rest to the sound.
_PICTURES = 0.7


@dataclass(frozen=True, slots=True)
class Film:
    """What a guide video is made of.

    Attributes
    ----------
    guide : GuideMap
    sound : Sound
        Its first sample is guide second 0.
    path : Path
        The file to write.
    size : (int, int)
        Of the whole picture, in pixels.
    frame_rate : Fraction
    claps : bool
        Whether everybody claps the last whole bar of the count-in.
    """

    guide: GuideMap
    sound: Sound
    path: Path
    size: tuple[int, int]
    frame_rate: FrameRate
    claps: bool

    @property
    def duration_s(self) -> float:
        """Length in seconds: that of the guide, and of its sound if that is longer."""
        return max(self.guide.duration_s, self.sound.duration_s)

    @property
    def count(self) -> int:
        """How many pictures it has."""
        return pictures_to_cover(self.duration_s, self.frame_rate)

    def check(self) -> None:
        """Refuse what could not be written.

        Raises
        ------
        ProductionError
            The file is no MP4, or the size cannot be.
        MediaError
            The folder is not there.
        """
        if self.path.suffix.lower() != ".mp4":
            raise ProductionError(
                "The video must be an .mp4 file.",
                where=str(self.path),
                fix=f"Write {self.path.stem}.mp4.",
            )
        if any(side % 2 or not _SMALLEST <= side <= _LARGEST for side in self.size):
            raise ProductionError(
                f"A guide video cannot be {self.size[0]}x{self.size[1]}.",
                where=str(self.path),
                fix=f"Choose even numbers from {_SMALLEST} to {_LARGEST}, as 1280x720.",
            )
        check_target(self.path)

    def cards(self) -> list[BeatCard]:
        """Return what each picture shows; of equal ones the same object."""
        known: dict[BeatCard, BeatCard] = {}
        shown = BeatCards(self.guide, claps=self.claps).pictures(self.count, self.frame_rate)
        return [known.setdefault(card, card) for card in shown]


def write_film(
    film: Film, pictures: Iterable[Canvas], settings: EncodeSettings, progress: Progress
) -> tuple[str, ...]:
    """Encode pictures and sound; return what is to be said of the sound.

    Parameters
    ----------
    film : Film
        What is to be made; checked.
    pictures : iterable of Canvas
        As many as the film has; each is used before the next one is asked for.
    settings : EncodeSettings
        How to compress.
    progress : Progress
        Told how far it is.
    """
    rate, path = film.frame_rate, film.path
    with _folder_beside(path) as folder:
        part, painting = folder / "pictures.mp4", progress.part(_PICTURES)
        with SegmentWriter(
            part,
            size=film.size,
            frame_rate=rate,
            settings=settings,
            key_interval=pictures_per_segment(rate),
        ) as writer:
            for number, canvas in enumerate(pictures):
                if number % _REPORT == 0:
                    painting.advance(number, film.count, "drawing the guide")
                writer.write(canvas.pixels)
        check = join_segments(
            [(part, film.count)],
            path,
            sound=_Given(film.sound),
            duration_s=film.duration_s,
            frame_rate=rate,
            settings=settings,
            sample_rate=film.sound.sample_rate,
            labels=labels_of(film.guide),
            progress=progress.part(1.0 - _PICTURES),
        )
    return check.sentences()


@contextmanager
def _folder_beside(path: Path) -> Iterator[Path]:
    """Provide a folder for what is not finished, on the same disk, and remove it."""
    with system_errors(path.parent):
        folder = tempfile.TemporaryDirectory(dir=path.parent, prefix=".guide-")
    with folder as name:
        yield Path(name)


def labels_of(guide: GuideMap) -> Labels:
    """Return title and chapters of a guide: one for each section, and one for the count-in."""
    chapters = [Chapter(0.0, "Count-in")] if guide.music_from_s > 0.0 else []
    chapters += [Chapter(mark.guide_s, mark.name) for mark in guide.marks if mark.kind == "section"]
    return Labels(
        title=guide.title,
        comment=f"Guide, version {guide.version}",
        chapters=tuple(chapters) if len(chapters) > 1 else (),
    )


class _Given:
    """Sound that is in memory; a `syncvid.sources.SoundSource` at its own rate."""

    def __init__(self, sound: Sound) -> None:
        self._sound = sound

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self._sound.duration_s

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        """Return shape (channels, samples); silence outside of the sound."""
        if sample_rate != self._sound.sample_rate:
            raise RenderError(
                f"The guide has {self._sound.sample_rate} samples a second, not {sample_rate}."
            )
        first, last = to_samples(from_s, sample_rate), to_samples(to_s, sample_rate)
        samples = self._sound.samples
        heard = samples[:, max(0, first) : max(0, last)]
        missing = max(0, last - first - heard.shape[1])
        before = min(missing, max(0, -first))
        return np.pad(heard, ((0, 0), (before, missing - before)))
