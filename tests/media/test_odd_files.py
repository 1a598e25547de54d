"""Odd files: unusual rates, sizes that change on the way, tracks in another order, early ends."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from syncvid.media.pictures import Crop, PictureFile
from syncvid.media.probe import probe
from tests.boxes import boxes, rebuilt
from tests.coded_pictures import draw, is_upright, read, turn_by_matrix, write_film
from tests.media.conftest import RATE, write_media

NTSC = 1001


@pytest.mark.parametrize(
    "rate",
    [
        *(Fraction(24_000, NTSC), Fraction(24), Fraction(25), Fraction(30_000, NTSC), Fraction(48)),
        *(Fraction(50), Fraction(60_000, NTSC), Fraction(60), Fraction(100)),
        *(Fraction(120_000, NTSC), Fraction(120)),
    ],
    ids=lambda rate: f"{float(rate):.3f}",
)
@pytest.mark.parametrize("ending", ["mp4", "mkv"])
def test_at_any_rate_the_picture_that_is_due_is_shown(
    tmp_path: Path, rate: Fraction, ending: str
) -> None:
    # A clock that holds the rate exactly, as cameras use it; Matroska rounds to milliseconds.
    times_s = [float(n / rate) for n in range(150)]
    film = write_film(tmp_path / f"film.{ending}", times_s, clock=rate.numerator)
    pictures = PictureFile(probe(film))
    step = 1 / (30 if rate < 60 else 60)
    for k in range(int(times_s[-1] / step) - 1):
        middle_s = (k + 0.5) * step
        if ending == "mkv" and min(abs(time_s - middle_s) for time_s in times_s) < 0.001:
            continue
        due = max(n for n, time_s in enumerate(times_s) if time_s <= middle_s + 1e-6)
        assert read(pictures.planes_at(middle_s, 192, 108)[0]) == due
    pictures.close()


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_pixel_aspect_is_undone_before_turning(tmp_path: Path, turns: int) -> None:
    # Stored pixels are 3/2 wide, so 128 columns (or 72, lying) are 192 (or 108).
    size = (128, 108) if turns % 2 == 0 else (192, 72)
    film = write_film(
        tmp_path / "film.mp4", [n / 30 for n in range(4)], size=size, aspect=Fraction(3, 2),
        turned=turns,
    )  # fmt: skip
    turn_by_matrix(film, turns)
    media = probe(film)
    assert media.video is not None
    assert (media.video.width, media.video.height) == (192, 108)
    pictures = PictureFile(media)
    luma = pictures.planes_at(2.5 / 30, 192, 108)[0]
    pictures.close()
    assert is_upright(luma)
    assert read(luma) == 2


def test_a_change_of_size_and_shape_on_the_way(tmp_path: Path) -> None:
    """As when a phone is turned while it streams: 192 by 108, then 108 by 192, then 96 by 54."""
    path = tmp_path / "film.ts"
    sizes = [(192, 108)] * 10 + [(108, 192)] * 10 + [(96, 54)] * 10
    with av.open(str(path), "w") as out:
        stream: Any = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = *sizes[0], "yuv420p"
        for first in (0, 10, 20):
            width, height = sizes[first]
            encoder: Any = av.CodecContext.create("libx264", "w")
            encoder.width, encoder.height, encoder.pix_fmt = width, height, "yuv420p"
            encoder.time_base, encoder.framerate = Fraction(1, 30), Fraction(30)
            encoder.options = {"crf": "8", "x264-params": "bframes=0:repeat-headers=1"}
            packets = []
            for number in range(first, first + 10):
                grey = np.full((height // 2, width), 128, np.uint8)
                planes = np.concatenate([draw(number, width, height), grey])
                picture = av.VideoFrame.from_ndarray(planes, "yuv420p")
                picture.pts, picture.time_base = number, Fraction(1, 30)
                packets += encoder.encode(picture)
            for packet in packets + encoder.encode(None):
                packet.stream = stream
                out.mux(packet)
    pictures = PictureFile(probe(path))
    for number, (width, height) in enumerate(sizes):
        pictures.advance((number + 0.5) / 30)
        whole, square = pictures.planes_for([Crop(width, height), Crop(108, 108)])
        assert read(whole[0]) == number
        assert is_upright(whole[0])
        # Cropped, never squeezed: the bar at the top of a high picture is cut off.
        assert square[0].shape == (108, 108)
        assert (square[0][4].mean() > 200) == (width > height)
    pictures.close()


def test_pictures_that_end_before_the_sound(tmp_path: Path) -> None:
    sound = np.random.default_rng(0).normal(0, 0.1, 4 * RATE).astype(np.float32)
    media = probe(write_media(tmp_path / "film.mp4", sound, pictures=50))
    assert media.video is not None
    assert media.duration_s == pytest.approx(4.0, abs=0.05)
    assert media.video.end_s == pytest.approx(2.0, abs=0.05)
    pictures = PictureFile(media)
    before, *held = [pictures.planes_at(at, 64, 48)[0].mean() for at in (1.9, 1.99, 3.9)]
    assert pictures.ran_out
    assert pictures.shown_until_s == pytest.approx(49 / 25, abs=0.05)
    # The pictures grow lighter, one by one.
    assert before < held[0] == held[1]
    pictures.close()


def test_a_timecode_track_that_comes_first(tmp_path: Path) -> None:
    """QuickTime: cameras write a `tmcd` track; here it is moved before picture and sound."""
    path = tmp_path / "film.mov"
    times_s = [n / 25 for n in range(50)]
    with av.open(str(path), "w", options={"write_tmcd": "1"}) as out:
        out.metadata["timecode"] = "01:00:00:00"
        stream: Any = out.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 192, 108, "yuv420p"
        for number in range(50):
            grey = np.full((54, 192), 128, np.uint8)
            picture = av.VideoFrame.from_ndarray(np.concatenate([draw(number), grey]), "yuv420p")
            picture.pts, picture.time_base = number, Fraction(1, 25)
            out.mux(stream.encode(picture))
        out.mux(stream.encode(None))
    data = path.read_bytes()
    moov = next(box for box in boxes(data) if box.kind == b"moov")
    tracks = [box for box in boxes(moov.body) if box.kind == b"trak"]
    rest = [box for box in boxes(moov.body) if box.kind != b"trak"]
    assert [b"mhlrtmcd" in track.body for track in tracks] == [False, True]
    # The length stays, so nothing that points into the file has to be changed.
    body = b"".join(box.whole for box in (*rest[:1], *reversed(tracks), *rest[1:]))
    path.write_bytes(rebuilt(data, moov, body))
    with av.open(str(path)) as container:
        assert container.streams[0].type == "data"
    pictures = PictureFile(probe(path))
    for number, time_s in enumerate(times_s):
        assert read(pictures.planes_at(time_s + 0.02, 192, 108)[0]) == number
    pictures.close()
