"""A small composition of coded films, and openers of clips that misbehave on purpose."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import MediaError
from syncvid.media.encode import EncodeSettings
from syncvid.media.probe import probe
from syncvid.picture import Composition, Piece, Voice, compose
from syncvid.production.layouts import Layout
from syncvid.segments.clips import Pictures, open_pictures
from syncvid.timeline import Placement
from tests.coded_pictures import read, write_film

RATE = Fraction(30)
SIZE = (384, 216)
QUICK = EncodeSettings(preset="ultrafast", crf=18)
BAD_NAME = "bad.mp4"


class Silence:
    """Sound that is none."""

    def __init__(self, duration_s: float) -> None:
        self.duration_s = duration_s

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        count = round(to_s * sample_rate) - round(from_s * sample_rate)
        return np.zeros((2, count), np.float32)


def piece_of(film: Path, offset_s: float = 0.0, drift_ppm: float = 0.0) -> Piece:
    """Show a film from its first to its last picture."""
    video = probe(film).video
    assert video is not None
    placement = Placement(offset_s, drift_ppm)
    return Piece(
        file=film.name,
        path=film,
        placement=placement,
        from_s=placement.to_reference(video.first_s),
        to_s=placement.to_reference(video.end_s),
        shape=(video.width, video.height),
        identity=film.name,
    )


def quartet(
    folder: Path, *, seconds: float = 7.0, offsets_s: tuple[float, ...] = (0.0, -0.5, -1.01)
) -> Composition:
    """Three coded films and a card in a grid of two by two."""
    voices = []
    for index, offset_s in enumerate(offsets_s):
        film = folder / f"film{index}.mp4"
        if not film.exists():
            times_s = [n / 30 for n in range(round((seconds - offset_s) * 30) + 5)]
            write_film(film, times_s, key_interval=25)
        voices.append(Voice(f"Part {index}", f"Part {index}", (piece_of(film, offset_s),)))
    voices.append(Voice("Absent", "Absent"))
    return compose(voices, Layout("grid"), size=SIZE, frame_rate=RATE, duration_s=seconds)


def numbers_of(video: Path, composition: Composition) -> list[list[int]]:
    """Read the number that each tile shows in each picture of a finished video; -1 for a card."""
    rows = []
    rects = [place.rect for place in composition.scenes[0].places]
    with av.open(str(video)) as container:
        for picture in container.decode(video=0):
            plane = picture.planes[0]
            luma = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
            rows.append([read(luma[r.y : r.y + r.height, r.x : r.x + r.width]) for r in rects])
    return rows


def open_crashing(piece: Piece, fast: bool, check: Callable[[], None]) -> Pictures:
    """Open a clip; the bad one takes the process down as a broken decoder would."""
    if piece.path.name == BAD_NAME and hasattr(signal, "SIGKILL"):
        os.kill(os.getpid(), signal.SIGKILL)
    return open_pictures(piece, fast, check)


def open_refusing(piece: Piece, fast: bool, check: Callable[[], None]) -> Pictures:
    """Open a clip; the bad one cannot be read."""
    if piece.path.name == BAD_NAME:
        raise MediaError("It is a potato.", where=piece.file)
    return open_pictures(piece, fast, check)


class _Slow:
    """A clip whose pictures take their time."""

    def __init__(self, inner: Pictures, check: Callable[[], None]) -> None:
        self._inner, self._check = inner, check

    def advance(self, clip_s: float) -> int:
        time.sleep(0.01)
        self._check()
        return self._inner.advance(clip_s)

    def __getattr__(self, name: str) -> object:
        return getattr(self._inner, name)


def open_slowly(piece: Piece, fast: bool, check: Callable[[], None]) -> Pictures:
    """Open a clip that takes 10 ms for each picture."""
    return _Slow(open_pictures(piece, fast, check), check)  # type: ignore[return-value]


def open_refusing_all(piece: Piece, fast: bool, check: Callable[[], None]) -> Pictures:
    """Open nothing."""
    raise MediaError("Nothing is opened here.", where=piece.file)


LOG = "SYNCVID_TEST_LOG"


class _Counted:
    """A clip that writes a byte for every picture that it goes to."""

    def __init__(self, inner: Pictures) -> None:
        self._inner = inner

    def advance(self, clip_s: float) -> int:
        with Path(os.environ[LOG]).open("ab", buffering=0) as log:
            log.write(b".")
        return self._inner.advance(clip_s)

    def __getattr__(self, name: str) -> object:
        return getattr(self._inner, name)


def open_counting(piece: Piece, fast: bool, check: Callable[[], None]) -> Pictures:
    """Open a clip that counts."""
    return _Counted(open_pictures(piece, fast, check))  # type: ignore[return-value]
