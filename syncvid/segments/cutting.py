"""Cutting the timeline into segments, and knowing a segment again by all that it shows."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from syncvid.media.encode import ENCODER, EncodeSettings
from syncvid.picture.composition import Composition
from syncvid.picture.record import describe
from syncvid.timeline import FrameRate

# One closed group of pictures: the usual distance of key pictures in files for sharing.  Short
# segments spread well over processes and lose little when something changes.
SEGMENT_S = 2.0

# Raise this when the same composition comes to look different: cached segments are then made anew.
RENDER_VERSION = 7


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of output pictures that is rendered, cached and joined as one.

    Attributes
    ----------
    first, last : int
        Its first picture, and the first one after it, counted on the reference.
    path : Path
        Where it is kept if every picture came from its original; the name is its fingerprint.
    """

    first: int
    last: int
    path: Path

    @property
    def count(self) -> int:
        """How many pictures it holds."""
        return self.last - self.first

    @property
    def kept_path(self) -> Path:
        """Where it is kept if some pictures came from the tile cache."""
        return self.path.with_name(f"{self.path.stem}.tiles.mp4")

    def made(self, *, use_kept: bool) -> Path | None:
        """Return the file that is there; one made from kept tiles only where that is welcome."""
        if self.path.exists():
            return self.path
        return self.kept_path if use_kept and self.kept_path.exists() else None


def notes_path(made: Path) -> Path:
    """Return where to keep what was noticed while a segment's file was made."""
    return made.with_suffix(".json")


def pictures_per_segment(frame_rate: FrameRate) -> int:
    """Return the number of pictures in a segment, which is also the key picture interval.

    Examples
    --------
    >>> pictures_per_segment(FrameRate(30000, 1001))
    60
    """
    return max(1, round(SEGMENT_S * frame_rate))


def cut_into_segments(
    composition: Composition, settings: EncodeSettings, folder: Path
) -> tuple[Segment, ...]:
    """Cut a composition into segments, each under the name of its fingerprint.

    Parameters
    ----------
    composition : Composition
        What the video shows.
    settings : EncodeSettings
        How it is compressed.
    folder : Path
        Where segments are kept.

    Returns
    -------
    tuple of Segment
        In order, without gaps.
    """
    step, last = pictures_per_segment(composition.frame_rate), composition.last
    # Cuts lie at fixed places of the reference: an excerpt, or a piece that got a title, finds the
    # segments of the whole again.
    cuts = range(composition.first // step * step + step, last, step)
    return tuple(
        Segment(begin, end, folder / f"{fingerprint(composition, settings, begin, end)}.mp4")
        for begin, end in pairwise([composition.first, *cuts, last])
    )


def fingerprint(composition: Composition, settings: EncodeSettings, first: int, last: int) -> str:
    """Return a name that changes whenever anything in these pictures does."""
    record = {
        "version": RENDER_VERSION,
        "encoder": ENCODER,
        "settings": settings.of_picture(),
        "shown": describe(composition, first, last),
    }
    return hashlib.sha256(json.dumps(record, sort_keys=True).encode()).hexdigest()[:40]
