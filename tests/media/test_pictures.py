"""The right picture at the right time, upright, in the right colours."""

from __future__ import annotations

import itertools
import shutil
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from syncvid.errors import MediaError
from syncvid.media.pictures import Crop, PictureFile, cut_to_fill
from syncvid.media.probe import probe
from tests.coded_pictures import (
    cut_head_by_edit_list,
    is_upright,
    read,
    turn_by_matrix,
    write_film,
    write_planes,
)

STEADY = [n / 30 for n in range(60)]

# A phone in poor light: 30 and 20 pictures a second by turns, and a gap of 0.4 s.
UNSTEADY = list(itertools.accumulate([0.0] + [1 / 30, 0.05, 1 / 30] * 8 + [0.4] + [1 / 30] * 20))


def due(times_s: Sequence[float], clip_s: float) -> int:
    """Return the picture that is on screen at a moment: the last one that has appeared."""
    return max(0, max((n for n, time_s in enumerate(times_s) if time_s <= clip_s), default=0))


def numbers(
    path: Path, moments_s: Sequence[float], size: tuple[int, int] = (192, 108)
) -> list[int]:
    """Return the numbers of the pictures that are shown at some moments."""
    pictures = PictureFile(probe(path))
    try:
        return [read(pictures.planes_at(moment, 192, 108)[0]) for moment in moments_s]
    finally:
        pictures.close()


def some_moments(times_s: Sequence[float]) -> list[float]:
    """Return moments in the order of time that avoid the edges between pictures by 2 ms."""
    moments = np.arange(0.004, times_s[-1], 1 / 47)
    edges = np.asarray(times_s)
    return [float(m) for m in moments if np.abs(edges - m).min() > 0.002]


@pytest.mark.parametrize("times_s", [STEADY, UNSTEADY], ids=["steady", "unsteady"])
@pytest.mark.parametrize("bframes", [0, 3])
def test_every_moment_shows_the_picture_that_is_due(
    tmp_path: Path, times_s: list[float], bframes: int
) -> None:
    film = write_film(tmp_path / "film.mp4", times_s, bframes=bframes)
    moments = some_moments(times_s)
    assert numbers(film, moments) == [due(times_s, moment) for moment in moments]


@pytest.mark.parametrize("ending", ["mp4", "mkv", "ts"])
@pytest.mark.parametrize("open_gop", [False, True], ids=["closed groups", "open groups"])
def test_jumping_about_shows_the_picture_that_is_due(
    tmp_path: Path, ending: str, open_gop: bool
) -> None:
    times_s = [n / 25 for n in range(250)]
    path = tmp_path / f"film.{ending}"
    film = write_film(path, times_s, key_interval=50, bframes=3, open_gop=open_gop)
    pictures = PictureFile(probe(film))
    moments = [9.03, 0.51, 7.77, 7.81, 3.99, 9.97, 0.01, 5.55, 2.02, *np.arange(4.02, 8, 0.2)]
    for moment in moments:
        assert read(pictures.planes_at(moment, 192, 108)[0]) == due(times_s, moment)
    assert pictures.damages == 0
    pictures.close()


def test_a_moment_on_the_edge_belongs_to_the_picture_that_appears(tmp_path: Path) -> None:
    times_s = [n / 60 for n in range(90)]
    film = write_film(tmp_path / "film.mp4", times_s)
    assert numbers(film, [(2 * k + 1) / 60 for k in range(40)]) == list(range(1, 80, 2))


def test_before_the_first_and_after_the_last_picture_these_are_held(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.mp4", STEADY)
    pictures = PictureFile(probe(film))
    assert read(pictures.planes_at(-3.0, 192, 108)[0]) == 0
    assert not pictures.ran_out
    assert read(pictures.planes_at(9.0, 192, 108)[0]) == 59
    assert pictures.ran_out
    assert pictures.shown_until_s == pytest.approx(59 / 30, abs=1e-3)
    pictures.close()


def test_late_sound_does_not_move_the_picture(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.mp4", STEADY, sound_from_s=0.25)
    moments = some_moments(STEADY)
    assert numbers(film, moments) == [due(STEADY, moment) for moment in moments]


def test_a_late_picture_keeps_its_distance_from_the_sound(tmp_path: Path) -> None:
    times_s = [0.3 + time_s for time_s in STEADY]
    film = write_film(tmp_path / "film.mp4", times_s, sound_from_s=0.0)
    moments = [moment for moment in some_moments(times_s) if moment > 0.31]
    assert numbers(film, moments) == [due(times_s, moment) for moment in moments]


@pytest.mark.parametrize("cut_s", [0.1, 0.05 + 1 / 30 / 4, 0.517])
def test_an_edit_list_that_cuts_between_pictures_is_exact(tmp_path: Path, cut_s: float) -> None:
    film = write_film(tmp_path / "film.mp4", STEADY, sound_from_s=0.0)
    cut_head_by_edit_list(film, cut_s)
    moments = [m for m in some_moments([t - cut_s for t in STEADY]) if m < 1.2]
    assert numbers(film, moments) == [due(STEADY, moment + cut_s) for moment in moments]


@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
def test_a_rotated_film_is_shown_upright(tmp_path: Path, quarter_turns: int) -> None:
    film = write_film(tmp_path / "film.mp4", STEADY[:6], turned=quarter_turns)
    turn_by_matrix(film, quarter_turns)
    pictures = PictureFile(probe(film))
    luma = pictures.planes_at(3.5 / 30, 96, 54)[0]
    assert luma.shape == (54, 96)
    assert is_upright(luma)
    assert read(luma) == 3
    pictures.close()


def test_pixel_aspect_is_undone(tmp_path: Path) -> None:
    # 144 stored columns that are each 4/3 wide are 192.
    film = write_film(tmp_path / "film.mp4", STEADY[:4], size=(144, 108), aspect=Fraction(4, 3))
    info = probe(film).video
    assert info is not None
    assert (info.width, info.height) == (192, 108)
    assert numbers(film, [2.5 / 30]) == [2]


@pytest.mark.parametrize("size", [(191, 107), (189, 109)])
def test_odd_sizes_can_be_read(tmp_path: Path, size: tuple[int, int]) -> None:
    # VP9 keeps odd sizes in 4:2:0, where H.264 as written here does not.
    film = write_film(tmp_path / "film.webm", STEADY[:4], size=size, codec="libvpx-vp9")
    assert numbers(film, [0.5 / 30, 2.5 / 30]) == [0, 2]


def test_cropping_keeps_the_focus(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.mp4", STEADY[:3], size=(96, 192))
    pictures = PictureFile(probe(film))
    pictures.advance(0.0)
    crops = [Crop(96, 96, (0.5, 0.0)), Crop(96, 96, (0.5, 1.0))]
    (top, *_), (bottom, *_) = pictures.planes_for(crops)
    pictures.close()
    assert top[4].mean() > 200
    assert bottom[-4].mean() < 40


@pytest.mark.parametrize("shape", [(16, 9), (9, 16), (1, 1), (4, 3), (1079, 607)])
@pytest.mark.parametrize("tile", [(640, 360), (360, 640), (2, 2), (318, 178)])
def test_a_cut_covers_its_tile_and_does_not_stretch(
    shape: tuple[int, int], tile: tuple[int, int]
) -> None:
    cut = cut_to_fill(shape, *tile, (0.3, 0.7))
    assert cut.width >= cut.left + tile[0]
    assert cut.height >= cut.top + tile[1]
    assert min(cut.width - tile[0], cut.height - tile[1]) <= 2
    assert not any(number % 2 for number in (cut.width, cut.height, cut.left, cut.top))
    assert abs(cut.width - cut.height * shape[0] / shape[1]) <= 1 + shape[0] / shape[1]


# Recommendations ITU-R BT.709-6 and BT.601-7, 8 bit, limited range: full red, black, white.
RED_709, RED_601 = (63, 102, 240), (81, 90, 240)
# The same as full range: Y' times 255, colour differences times 255 + 128.
RED_601_FULL = (76, 85, 255)
MATRIX_709, MATRIX_601, UNKNOWN = 1, 6, 2
LIMITED, FULL = 1, 2


def write_colour(
    path: Path, yuv: tuple[int, int, int], *, matrix: int, colour_range: int, size: tuple[int, int]
) -> Path:
    """Write a film of one colour with the given tags, without loss worth speaking of."""
    with av.open(str(path), "w") as out:
        stream: Any = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
        context = stream.codec_context
        context.color_range, context.colorspace = colour_range, matrix
        stream.options = {"crf": "1"}
        for index in range(3):
            picture = av.VideoFrame(*size, "yuv420p")
            for plane, value in zip(picture.planes, yuv, strict=True):
                np.frombuffer(plane, np.uint8)[:] = value
            picture.pts = index
            picture.colorspace, picture.color_range = matrix, colour_range
            out.mux(stream.encode(picture))
        out.mux(stream.encode(None))
    return path


@pytest.mark.parametrize(
    ("stored", "matrix", "colour_range", "size"),
    [
        (RED_709, MATRIX_709, LIMITED, (320, 180)),
        (RED_601, MATRIX_601, LIMITED, (320, 180)),
        (RED_601_FULL, MATRIX_601, FULL, (320, 180)),
        # Untagged: small pictures are taken for BT.601, large ones for BT.709.
        (RED_601, UNKNOWN, LIMITED, (320, 180)),
        (RED_709, UNKNOWN, LIMITED, (1280, 720)),
    ],
    ids=["709", "601", "601 full range", "untagged, small", "untagged, large"],
)
def test_red_arrives_as_red_of_bt709(
    tmp_path: Path,
    stored: tuple[int, int, int],
    matrix: int,
    colour_range: int,
    size: tuple[int, int],
) -> None:
    film = write_colour(
        tmp_path / "red.mp4", stored, matrix=matrix, colour_range=colour_range, size=size
    )
    pictures = PictureFile(probe(film))
    found = [float(plane.mean()) for plane in pictures.planes_at(0.0, 160, 90)]
    pictures.close()
    # One level of rounding in the source, one in the result.
    assert found == pytest.approx(RED_709, abs=2)


@pytest.mark.parametrize(("stored", "expected"), [(0, 16), (255, 235), (128, 126)])
def test_full_range_becomes_limited(tmp_path: Path, stored: int, expected: int) -> None:
    # Y = 16 + 219 / 255 * full-range value (BT.709-6, item 4.6, and its full-range counterpart).
    film = write_colour(
        tmp_path / "grey.mp4",
        (stored, 128, 128),
        matrix=MATRIX_709,
        colour_range=FULL,
        size=(320, 180),
    )
    pictures = PictureFile(probe(film))
    assert pictures.planes_at(0.0, 160, 90)[0].mean() == pytest.approx(expected, abs=1)
    pictures.close()


def test_damage_holds_the_last_good_picture(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.mkv", [n / 30 for n in range(90)], bframes=0)
    damaged = tmp_path / "damaged.mkv"
    with av.open(str(film)) as source, av.open(str(damaged), "w") as out:
        stream = source.streams.video[0]
        target = out.add_stream_from_template(stream)
        for index, packet in enumerate(source.demux(stream)):
            if packet.dts is None:
                continue
            if index == 40:
                broken = av.Packet(b"\x00\x00\x00\x08" + b"\xff" * 8)
                broken.pts, broken.dts, broken.time_base = packet.pts, packet.dts, packet.time_base
                packet = broken
            packet.stream = target
            out.mux(packet)
    pictures = PictureFile(probe(damaged))
    seen = [read(pictures.planes_at((n + 0.5) / 30, 192, 108)[0]) for n in range(90)]
    pictures.close()
    # Key pictures stand at 0, 12, 24 ...: from the damage on, 39 is held until 48.
    assert seen == [n if not 40 <= n < 48 else 39 for n in range(90)]
    assert pictures.damages == 1


def test_a_file_that_breaks_off_ends_where_it_breaks_off(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.ts", [n / 30 for n in range(120)], key_interval=30)
    whole = film.read_bytes()
    film.write_bytes(whole[: len(whole) * 2 // 3])
    pictures = PictureFile(probe(film))
    last = read(pictures.planes_at(3.9, 192, 108)[0])
    assert 60 < last < 100
    assert pictures.ran_out
    pictures.close()


def test_a_file_without_pictures_says_so(tmp_path: Path) -> None:
    path = tmp_path / "sound.m4a"
    with av.open(str(path), "w", format="mp4") as out:
        stream = out.add_stream("aac", rate=48_000)
        block = av.AudioFrame.from_ndarray(np.zeros((1, 4800), np.float32), "fltp", "mono")
        block.sample_rate = 48_000
        out.mux(stream.encode(block))
        out.mux(stream.encode(None))
    with pytest.raises(MediaError, match="no moving picture"):
        PictureFile(probe(path))


def test_a_file_that_is_gone_says_so(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.mp4", STEADY[:5])
    media = probe(film)
    shutil.move(film, tmp_path / "elsewhere.mp4")
    with pytest.raises(FileNotFoundError):
        PictureFile(media)


def test_the_wish_to_stop_is_heard_while_decoding(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.mp4", STEADY)

    def stop() -> None:
        raise KeyError("stop")

    pictures = PictureFile(probe(film), check=stop)
    with pytest.raises(KeyError):
        pictures.advance(1.0)
    pictures.close()


def test_fast_reading_shows_the_same_pictures(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.mp4", STEADY)
    pictures = PictureFile(probe(film), fast=True)
    assert [read(pictures.planes_at((n + 0.5) / 30, 96, 54)[0]) for n in range(60)] == [*range(60)]
    pictures.close()


def test_a_picture_can_be_had_in_two_sizes_and_again(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.mp4", STEADY)
    pictures = PictureFile(probe(film))
    for width, height in ((96, 54), (192, 108), (192, 108), (96, 54)):
        luma = pictures.planes_at(30.5 / 30, width, height)[0]
        assert luma.shape == (height, width)
        assert read(luma) == 30
    assert read(pictures.planes_at(31.5 / 30, 96, 54)[0]) == 31
    pictures.close()


def test_several_tiles_are_made_of_one_decoded_picture(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.mp4", STEADY)
    decoded: list[None] = []
    pictures = PictureFile(probe(film), check=lambda: decoded.append(None))
    pictures.advance(30.5 / 30)
    before = len(decoded)
    crops = [Crop(96, 54), Crop(192, 108), Crop(64, 36)]
    found = pictures.planes_for(crops)
    assert [planes[0].shape for planes in found] == [(54, 96), (108, 192), (36, 64)]
    assert [read(planes[0]) for planes in found] == [30] * 3
    # The same picture and the same crops cost nothing, and what was handed out stays.
    pictures.advance(30.7 / 30)
    assert all(a[0] is b[0] for a, b in zip(found, pictures.planes_for(crops), strict=True))
    assert len(decoded) == before
    pictures.close()


def test_what_was_handed_out_stays_when_another_size_is_asked_for(tmp_path: Path) -> None:
    film = write_film(tmp_path / "film.mp4", STEADY)
    pictures = PictureFile(probe(film))
    pictures.advance(30.5 / 30)
    first = pictures.planes_for([Crop(96, 54)])[0]
    assert read(pictures.planes_for([Crop(192, 108)])[0][0]) == 30
    assert pictures.planes_for([Crop(96, 54)])[0][0] is first[0]
    assert read(first[0]) == 30
    pictures.close()


@pytest.mark.parametrize("turns", [0, 1])
@pytest.mark.parametrize(
    ("focus", "zoom", "seen"),
    [
        # The picture is 192 by 108 with a mark at (144, 27): where it lies in a tile of 96 by 54.
        ((0.75, 0.25), 1.0, (72, 13.5)),
        ((0.75, 0.25), 2.0, (48, 27)),
        ((0.75, 0.25), 4.0, (48, 27)),
        # The picture's edge is not passed: the window of 96 by 54 of 192 by 108 ends there.
        ((1.0, 0.0), 2.0, (48, 27)),
    ],
)
def test_a_zoom_shows_what_lies_around_the_focus(
    tmp_path: Path, turns: int, focus: tuple[float, float], zoom: float, seen: tuple[float, float]
) -> None:
    film = write_spot(tmp_path / "spot.mp4", (144, 27), turned=turns)
    pictures = PictureFile(probe(film))
    pictures.advance(0.0)
    luma = pictures.planes_for([Crop(96, 54, focus, zoom)])[0][0].astype(float) - 16
    pictures.close()
    rows, columns = np.mgrid[0:54, 0:96] + 0.5
    assert luma.shape == (54, 96)
    found = (columns * luma).sum() / luma.sum(), (rows * luma).sum() / luma.sum()
    # Corners lie on even pixels, as 4:2:0 needs.
    assert found == pytest.approx(seen, abs=1.1)


def write_spot(path: Path, at: tuple[int, int], *, turned: int = 0) -> Path:
    """Write a black film of 192 by 108 with a white spot of 12 by 12."""
    luma = np.full((108, 192), 16, np.uint8)
    luma[at[1] - 6 : at[1] + 6, at[0] - 6 : at[0] + 6] = 235
    write_planes(path, [np.rot90(luma, turned)] * 3)
    turn_by_matrix(path, turned)
    return path
