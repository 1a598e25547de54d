"""Pieces of one file that follow each other in a tile share one decoder."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from syncvid.picture import Composition, Piece, Voice, compose
from syncvid.production.layouts import Layout
from syncvid.segments.clips import Pictures, open_pictures
from syncvid.segments.painting import Habits, Painter
from syncvid.timeline import Placement
from tests.segments.films import RATE, SIZE, piece_of, write_film

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
