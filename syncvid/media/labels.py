"""What a video file says about itself: title, comment, chapters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Any

from syncvid.timeline import to_milliseconds

_MS = Fraction(1, 1000)


@dataclass(frozen=True, slots=True)
class Chapter:
    """A section of a video that a player can jump to.

    Attributes
    ----------
    start_s : float
        Second of the video at which it begins; it ends where the next one begins.
    title : str
        Its name.
    """

    start_s: float
    title: str


@dataclass(frozen=True, slots=True)
class Labels:
    """What is written into a video file besides picture and sound.

    Attributes
    ----------
    title, comment : str
        May be empty.
    chapters : tuple of Chapter
        In any order; those that begin outside of the video are left out.
    """

    title: str = ""
    comment: str = ""
    chapters: tuple[Chapter, ...] = ()


NO_LABELS = Labels()
"""Nothing."""


def write_labels(container: Any, labels: Labels, duration_s: float) -> None:
    """Hand labels to an open file of PyAV; before the first packet."""
    for key, text in (("title", labels.title), ("comment", labels.comment)):
        if text:
            container.metadata[key] = text
    stretches = chapter_stretches(labels.chapters, duration_s, head=labels.title)
    if stretches:
        container.set_chapters(
            [
                {
                    "id": number,
                    "start": from_ms,
                    "end": to_ms,
                    "time_base": _MS,
                    "metadata": {"title": title},
                }
                for number, (from_ms, to_ms, title) in enumerate(stretches, 1)
            ]
        )


def chapter_stretches(
    chapters: Sequence[Chapter], duration_s: float, *, head: str = ""
) -> tuple[tuple[int, int, str], ...]:
    """Return chapters as (from, to, title) in milliseconds, without gaps over the whole video.

    Of chapters that begin together the one named last counts.  Before the first one there is one
    with the title `head`: measured, ffprobe moves all chapters forward if the first one begins
    later than the video.

    Examples
    --------
    >>> chapter_stretches([Chapter(0.0, "A"), Chapter(2.5, "B"), Chapter(9.0, "C")], 4.0)
    ((0, 2500, 'A'), (2500, 4000, 'B'))
    >>> chapter_stretches([Chapter(1.0, "A")], 4.0, head="Round")
    ((0, 1000, 'Round'), (1000, 4000, 'A'))
    """
    end_ms = to_milliseconds(duration_s)
    titles = {to_milliseconds(chapter.start_s): chapter.title for chapter in chapters}
    starts = sorted(start for start in titles if 0 <= start < end_ms)
    if starts and starts[0] > 0:
        titles[0] = head
        starts.insert(0, 0)
    return tuple((start, stop, titles[start]) for start, stop in pairwise([*starts, end_ms]))
