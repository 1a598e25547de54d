"""Edit lists with several cuts: pictures and sound are those of the stretches, to the sample."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from syncvid.media.pictures import PictureFile
from syncvid.media.probe import probe
from syncvid.media.sound import SoundFile, read_sound
from tests.boxes import with_edits
from tests.coded_pictures import read, write_film
from tests.media.conftest import RATE, ticks, write_media
from tests.media.test_sound import lag_samples

TIMES_S = [n / 30 for n in range(120)]

Edits = list[tuple[float | None, float]]

# Where in the film, and for how long: cuts between pictures, back, far ahead, and over the same
# again; lengths in whole milliseconds, the scale of the movie's clock.
JUMPS: Edits = [(0.517, 0.8), (3.0, 0.55), (1.0, 0.4), (1.21, 0.3)]
FROM_THE_HEAD: Edits = [(0.0, 0.45), (2.51, 0.9)]
LATE: Edits = [(None, 0.3), (0.215, 0.5), (None, 0.2), (2.0, 0.6)]


def media_time(edits: Edits, at_s: float) -> float:
    """Return which moment of the film is due; where nothing is, the end of what was before."""
    begin, due = 0.0, edits[0][0] or edits[1][0] or 0.0
    for media_s, length_s in edits:
        if media_s is not None and at_s >= begin:
            due = media_s + min(at_s - begin, length_s - 1e-5)
        begin += length_s
    return due


@pytest.mark.parametrize("edits", [JUMPS, FROM_THE_HEAD, LATE], ids=["jumps", "head", "late"])
@pytest.mark.parametrize("bframes", [0, 3])
def test_pictures_follow_every_cut(tmp_path: Path, edits: Edits, bframes: int) -> None:
    film = write_film(tmp_path / "film.mp4", TIMES_S, bframes=bframes)
    film.write_bytes(with_edits(film.read_bytes(), edits))
    media = probe(film)
    # The film begins where something is presented first.
    zero_s = edits[0][1] if edits[0][0] is None else 0.0
    length_s = sum(length for _, length in edits)
    assert media.duration_s == pytest.approx(length_s - zero_s, abs=1e-6)
    pictures = PictureFile(media)
    for clip_s in np.arange(0.003, length_s - zero_s, 1 / 47):
        due_s = media_time(edits, clip_s + zero_s)
        if min(abs(due_s - time_s) for time_s in TIMES_S) < 0.001:
            continue
        due = max(n for n, time_s in enumerate(TIMES_S) if time_s <= due_s)
        assert read(pictures.planes_at(clip_s, 192, 108)[0]) == due
    pictures.advance(length_s + 1)
    assert pictures.ran_out
    assert pictures.damages == 0
    pictures.close()


@pytest.mark.parametrize("edits", [JUMPS, FROM_THE_HEAD, LATE], ids=["jumps", "head", "late"])
@pytest.mark.parametrize("codec", ["aac", "alac"])
def test_sound_follows_every_cut(
    tmp_path: Path, rng: np.random.Generator, edits: Edits, codec: str
) -> None:
    written = ticks(rng, 4.5)
    path = write_media(tmp_path / "film.mp4", written, pictures=112, sound_codec=codec)
    path.write_bytes(with_edits(path.read_bytes(), edits))
    heard = read_sound(probe(path)).samples[0]
    expected = []
    for media_s, length_s in edits:
        count = round(length_s * RATE)
        first = None if media_s is None else round(media_s * RATE)
        expected.append(np.zeros(count) if first is None else written[first : first + count])
    if edits[0][0] is None:
        expected = expected[1:]
    planted = np.concatenate(expected)
    assert heard.size == planted.size
    begin = 0
    for stretch in expected:
        found = heard[begin : begin + stretch.size]
        if not stretch.any():
            assert np.abs(found[1_000:]).max() < 0.01
        elif codec == "alac":
            assert found == pytest.approx(stretch, abs=1e-4)
        else:
            # Noise does not come through as it was, but where it was.
            assert abs(lag_samples(found, stretch)) < 0.5
        begin += stretch.size


def test_reading_sound_in_pieces_is_reading_at_once(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    path = write_media(tmp_path / "film.mp4", ticks(rng, 4.5), pictures=112)
    path.write_bytes(with_edits(path.read_bytes(), JUMPS))
    whole = read_sound(probe(path)).samples
    file = SoundFile(path)
    pieces = [file.read(at, at + 0.25, RATE) for at in np.arange(0, 2.0, 0.25)]
    assert np.array_equal(np.concatenate(pieces, axis=1), whole[:, : 2 * RATE])


def test_a_cut_that_does_not_jump_is_none(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.mp4", TIMES_S[:30])
    film.write_bytes(with_edits(film.read_bytes(), [(0.0, 0.5), (0.5, 0.5)]))
    assert not probe(film).own_edits
