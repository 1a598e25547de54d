"""Pieces of one file that follow each other in a tile share one decoder; none is closed in use."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import cast

import numpy as np
import pytest

from syncvid.arrays import Planes
from syncvid.errors import Cancelled, MediaError
from syncvid.media.pictures import Crop
from syncvid.picture import Composition, Piece, Voice, compose
from syncvid.production.layouts import Layout
from syncvid.segments.beacon import Beacon
from syncvid.segments.clips import Pictures, open_pictures
from syncvid.segments.cutting import cut_into_segments
from syncvid.segments.painting import ClipFailed, Habits, Painter
from syncvid.segments.worker import SegmentJob, Target, release_clips, render_segment
from syncvid.timeline import Placement
from tests.segments.films import QUICK, RATE, SIZE, numbers_of, piece_of, quartet, write_film

opened: list[Pictures] = []
closed: list[Pictures] = []


def counted(piece: Piece, fast: bool, check: Callable[[], None]) -> Pictures:
    pictures = open_pictures(piece, fast, check)
    opened.append(pictures)
    close = pictures.close

    def count() -> None:
        closed.append(pictures)
        close()

    pictures.close = count  # type: ignore[method-assign]
    return pictures


@pytest.fixture
def jumping(tmp_path: Path) -> Composition:
    """One tile: a film that jumps back by a second at 1 s and forward again at 2.5 s."""
    film = tmp_path / "film.mp4"
    write_film(film, [n / 30 for n in range(120)])
    whole = piece_of(film)
    pieces = tuple(
        replace(whole, placement=Placement(offset_s), from_s=from_s, to_s=to_s)
        for offset_s, from_s, to_s in ((-1.0, 0.0, 1.0), (0.0, 1.0, 2.5), (-0.5, 2.5, 3.0))
    )
    voices = [Voice("A", "A", pieces)]
    return compose(voices, Layout("full"), size=SIZE, frame_rate=RATE, duration_s=3.0)


def painted(composition: Composition, segments: list[tuple[int, int]]) -> list[bytes]:
    painter = Painter([composition], Habits(counted))
    try:
        found = []
        for first, last in segments:
            painter.begin_segment(first, last, [0])
            for k in range(first, last):
                (canvas,) = painter.paint(k, [0])
                found.append(np.array(canvas.pixels).tobytes())
        return found
    finally:
        painter.close()


def test_one_decoder_goes_from_piece_to_piece(jumping: Composition) -> None:
    opened.clear()
    closed.clear()
    together = painted(jumping, [(0, 60), (60, 90)])
    assert len(opened) == len(closed) == 1
    # Every picture by a painter of its own: nothing is left of what a decoder showed before.
    alone = [painted(jumping, [(k, k + 1)])[0] for k in (0, 29, 30, 31, 60, 74, 75, 89)]
    assert [together[k] for k in (0, 29, 30, 31, 60, 74, 75, 89)] == alone


def test_a_decoder_goes_from_segment_to_segment(jumping: Composition) -> None:
    opened.clear()
    painted(jumping, [(0, 30), (30, 60)])
    assert len(opened) == 1


def test_pieces_that_are_seen_together_have_a_decoder_each(jumping: Composition) -> None:
    (voice,) = jumping.voices
    soft = tuple(replace(piece, dissolve_s=0.2) for piece in voice.pieces)
    opened.clear()
    closed.clear()
    painted(replace(jumping, voices=(replace(voice, pieces=soft),)), [(0, 60), (60, 90)])
    # The third goes on with that of the first.
    assert len(opened) == 2
    assert set(map(id, opened)) == set(map(id, closed))


class Slow:
    """Pictures that take their time, and notice being closed before they are there."""

    damages, ran_out, span_s, shown_until_s = 0, False, (0.0, 0.0), 0.0

    def __init__(self) -> None:
        self.busy = threading.Event()
        self.closed_while_busy = False

    def advance(self, clip_s: float) -> int:
        self.busy.set()
        time.sleep(0.3)
        self.busy.clear()
        return 0

    def planes_for(self, crops: Sequence[Crop]) -> list[Planes]:
        return [
            (
                np.zeros((crop.height, crop.width), np.uint8),
                np.zeros((crop.height // 2, crop.width // 2), np.uint8),
                np.zeros((crop.height // 2, crop.width // 2), np.uint8),
            )
            for crop in crops
        ]

    def close(self) -> None:
        self.closed_while_busy |= self.busy.is_set()


def test_no_clip_is_closed_while_it_is_decoded(tmp_path: Path) -> None:
    film = tmp_path / "film.mp4"
    write_film(film, [n / 30 for n in range(30)])
    voices = [Voice(name, name, (replace(piece_of(film), file=name),)) for name in "AB"]
    composition = compose(voices, Layout("grid"), size=SIZE, frame_rate=RATE, duration_s=1.0)
    slow = Slow()

    def open_one(piece: Piece, fast: bool, check: Callable[[], None]) -> Pictures:
        if piece.file == "B":
            return cast(Pictures, slow)
        slow.busy.wait(5.0)
        raise MediaError("This one cannot be decoded.", where=piece.file)

    painter = Painter([composition], Habits(open_one, threads=2))
    painter.begin_segment(0, 1, [0])
    with pytest.raises(ClipFailed):
        painter.paint(0, [0])
    painter.close()
    assert not slow.closed_while_busy


def test_a_stretch_that_was_stopped_is_right_when_it_is_rendered_again(tmp_path: Path) -> None:
    composition = quartet(tmp_path, seconds=2.0)
    left = iter(range(60))

    def open_one(piece: Piece, fast: bool, check: Callable[[], None]) -> Pictures:
        def stop_once() -> None:
            check()
            if next(left, None) == 59:
                raise Cancelled

        return open_pictures(piece, fast, stop_once)

    beacon = tmp_path / "beacon"
    Beacon.create(beacon, 4).close()
    (segment,) = cut_into_segments(composition, QUICK, tmp_path)
    job = SegmentJob(
        (composition,), (Target(0, segment, QUICK),), Habits(open_one), beacon, "token"
    )
    try:
        with pytest.raises(Cancelled):
            render_segment(job)
        render_segment(job)
    finally:
        release_clips()
    rows = numbers_of(segment.path, composition)
    assert [row[:2] for row in rows] == [[k, k + 15] for k in range(60)]
