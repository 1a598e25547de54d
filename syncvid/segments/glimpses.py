"""Glimpses: a small map of luma for each output picture, kept beside its segment.

From them the whole video is searched for flashes that may harm, also where segments come from the
cache and nothing is painted.
"""

from __future__ import annotations

import io
import zlib
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from syncvid.arrays import Plane
from syncvid.picture.flashes import Flashing, FlashMeter
from syncvid.timeline import FrameRate, clock_text

# So many places along the shorter side: every 30th pixel of 1080p.  What may harm covers a quarter
# of the picture, so that finer maps tell no more.
_PLACES = 36

# Stretches that lie closer are told as one; more than a few are not told one by one.
_NEAR_S, _MOST_TOLD = 1.0, 4


def glimpse(luma: Plane) -> Plane:
    """Return the map of an output picture, shape (rows, columns), uint8; a copy.

    Examples
    --------
    >>> glimpse(np.zeros((1080, 1920), np.uint8)).shape
    (36, 64)
    """
    step = max(1, min(luma.shape) // _PLACES)
    return luma[step // 2 :: step, step // 2 :: step].copy()


def glimpses_path(made: Path) -> Path:
    """Return where the maps of a segment's file are kept."""
    return made.with_suffix(".luma")


def keep_glimpses(made: Path, maps: Sequence[Plane]) -> None:
    """Write the maps of a segment; the segment itself is to appear after them."""
    plain = io.BytesIO()
    # Most pixels of a picture are what they were in the one before.
    np.save(plain, np.diff(np.stack(maps), axis=0, prepend=np.uint8(0)), allow_pickle=False)
    glimpses_path(made).write_bytes(zlib.compress(plain.getvalue(), 1))


def read_glimpses(made: Path) -> Plane | None:
    """Return the maps of a segment, shape (pictures, rows, columns); None if they are lost."""
    try:
        plain = zlib.decompress(glimpses_path(made).read_bytes())
        steps = np.load(io.BytesIO(plain), allow_pickle=False)
    except (OSError, zlib.error, ValueError):
        return None
    return np.cumsum(steps, axis=0, dtype=np.uint8)


def tell_flashes(files: Iterable[tuple[Path, int]], frame_rate: FrameRate) -> tuple[str, ...]:
    """Search a whole video for flashes that may harm.

    Parameters
    ----------
    files : iterable of (Path, int)
        The segments in order, each with its number of pictures.
    frame_rate : Fraction
        Pictures per second.

    Returns
    -------
    tuple of str
        What to tell the user; times are those of the video.
    """
    meter = FlashMeter(frame_rate)
    found: list[Flashing] = []
    at = begun_at = 0
    for made, count in files:
        maps = read_glimpses(made)
        if maps is None:
            # What lies before and after is searched by itself.
            found += _shifted(meter, begun_at)
            meter, begun_at = FlashMeter(frame_rate), at + count
        else:
            for luma in maps:
                meter.add(luma)
        at += count
    found += _shifted(meter, begun_at)
    return _sentences(found, frame_rate)


def _shifted(meter: FlashMeter, by: int) -> list[Flashing]:
    """Return what a meter found, counted from the beginning of the video."""
    return [Flashing(f.first + by, f.last + by, f.area, f.rule) for f in meter.found()]


def _sentences(found: Sequence[Flashing], frame_rate: FrameRate) -> tuple[str, ...]:
    """Put stretches into sentences, whatever rule they break."""
    stretches: list[tuple[float, float, float]] = []
    for flashing in sorted(found, key=lambda f: f.first):
        from_s, to_s = float(flashing.first / frame_rate), float(flashing.last / frame_rate)
        area = flashing.area
        if stretches and from_s - stretches[-1][1] < _NEAR_S:
            before = stretches.pop()
            from_s, to_s, area = before[0], max(before[1], to_s), max(before[2], area)
        stretches.append((from_s, to_s, area))
    told = [
        f"From {clock_text(from_s)} to {clock_text(to_s)} of the video {area:.0%} of the picture "
        "flashes more than three times a second, which can trigger seizures: is there a "
        "flickering light in a clip?"
        for from_s, to_s, area in stretches[:_MOST_TOLD]
    ]
    if len(stretches) > _MOST_TOLD:
        told.append(f"It flashes so in {len(stretches) - _MOST_TOLD} more places.")
    return tuple(told)
