"""The tile cache: what was decoded once is shown again, by time, at any smaller size."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.arrays import Planes
from syncvid.media.jpeg import JpegReader, JpegWriter
from syncvid.picture import Composition, compose
from syncvid.production.layouts import CanvasStyle, Layout
from syncvid.segments import Output, Tiles, render_video, render_videos
from syncvid.segments.tiles import ClipTiles, Mark, pays, prune
from tests.segments import films
from tests.segments.films import QUICK, Silence, numbers_of, quartet

SMALL = (64, 36)


def planes(value: int, size: tuple[int, int] = SMALL) -> Planes:
    width, height = size
    chroma = np.full((height // 2, width // 2), 128, np.uint8)
    return np.full((height, width), value, np.uint8), chroma, chroma


def kept(folder: Path, spans_s: list[tuple[float, float]]) -> ClipTiles:
    tiles = ClipTiles([folder])
    for number, span_s in enumerate(spans_s):
        tiles.keep(SMALL, number, span_s, 0, planes(20 + number))
    tiles.flush(Mark("origin", "token", 1))
    return ClipTiles([folder])


def test_a_picture_is_found_by_any_moment_at_which_it_is_due(tmp_path: Path) -> None:
    tiles = kept(tmp_path, [(-math.inf, 1.0), (1.0, 1.5), (1.5, math.inf)])
    assert tiles.covering(SMALL, [-5.0, 0.0, 1.2, 99.0]) == SMALL
    assert [tiles.find(SMALL, t).ticks for t in (-5.0, 0.999, 1.0, 1.499, 1.5, 99.0)] == [
        0,
        0,
        1,
        1,
        2,
        2,
    ]


def test_a_hole_between_two_pictures_is_no_cover(tmp_path: Path) -> None:
    tiles = kept(tmp_path, [(0.0, 1.0), (1.2, 2.0)])
    assert tiles.covering(SMALL, [0.5, 1.3]) == SMALL
    assert tiles.covering(SMALL, [0.5, 1.1]) is None
    assert tiles.covering(SMALL, [2.0]) is None


def test_only_sizes_that_are_large_enough_serve(tmp_path: Path) -> None:
    tiles = kept(tmp_path, [(0.0, 1.0)])
    assert tiles.covering((32, 18), [0.5]) == SMALL
    assert tiles.covering((66, 36), [0.5]) is None


def test_a_damaged_file_holds_nothing(tmp_path: Path) -> None:
    kept(tmp_path, [(0.0, 1.0)])
    (path,) = tmp_path.glob("*/*.tiles")
    path.write_bytes(path.read_bytes()[:-1])
    assert ClipTiles([tmp_path]).covering(SMALL, [0.5]) is None


@given(st.integers(16, 235), st.integers(16, 240))
def test_what_is_read_is_what_was_written(luma: int, chroma: int) -> None:
    colour = np.full((18, 32), chroma, np.uint8)
    given_planes = (np.full((36, 64), luma, np.uint8), colour, colour)
    found = JpegReader().decode(JpegWriter(*SMALL).encode(given_planes), SMALL, SMALL)
    for one, other in zip(given_planes, found, strict=True):
        # ITU-T T.81: the coarsest step of a flat block at quantiser 2 stays within 2 of 255.
        assert np.abs(one.astype(int) - other).max() <= 2


def test_a_large_picture_does_not_pay() -> None:
    assert pays((960, 540), (1920, 1080))
    assert not pays((1280, 720), (1920, 1080))


def test_what_was_not_used_for_longest_is_deleted_first(tmp_path: Path) -> None:
    folder = tmp_path / "clip"
    kept(folder, [(0.0, 1.0)])
    (path,) = tmp_path.glob("*/*/*.tiles")
    prune(tmp_path, path.stat().st_size)
    assert path.exists()
    prune(tmp_path, path.stat().st_size - 1)
    assert not path.exists()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("films")


def with_gaps(composition: Composition) -> Composition:
    """Return the same music in a layout with smaller tiles."""
    return compose(
        composition.voices,
        Layout("airy", canvas=CanvasStyle(margin=0.05, gap=0.05)),
        size=composition.size,
        frame_rate=composition.frame_rate,
        duration_s=composition.duration_s,
    )


def rendered(
    composition: Composition, out: Path, tiles: Tiles, **more: object
) -> tuple[int, list[list[int]]]:
    summary = render_video(
        composition,
        Silence(composition.duration_s),
        out,
        work=out.parent / "work",
        settings=QUICK,
        tiles=tiles,
        **more,  # type: ignore[arg-type]
    )
    return summary.reused, [row[:3] for row in numbers_of(out, composition)]


@pytest.fixture
def wide(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Composition:
    """Films are hardly larger than the tiles; let keeping them pay."""
    composition = quartet(folder, seconds=3.0)
    larger = [
        replace(voice, pieces=tuple(replace(p, shape=(640, 360)) for p in voice.pieces))
        for voice in composition.voices
    ]
    return compose(
        larger,
        composition.layout,
        size=composition.size,
        frame_rate=composition.frame_rate,
        duration_s=3.0,
    )


def test_another_layout_opens_no_original(wide: Composition, tmp_path: Path) -> None:
    tiles = Tiles(tmp_path / "tiles")
    _, first = rendered(wide, tmp_path / "one.mp4", tiles)
    airy = with_gaps(wide)
    reused, second = rendered(airy, tmp_path / "two.mp4", tiles, open_clip=films.open_refusing_all)
    assert reused == 0
    assert second == first


def test_originals_are_read_again_where_that_is_wished(wide: Composition, tmp_path: Path) -> None:
    folder = tmp_path / "tiles"
    rendered(wide, tmp_path / "one.mp4", Tiles(folder))
    airy = with_gaps(wide)
    rendered(airy, tmp_path / "kept.mp4", Tiles(folder))
    reused, _ = rendered(airy, tmp_path / "two.mp4", Tiles(folder, use_kept=False))
    assert reused == 0
    plain = tmp_path / "plain"
    plain.mkdir()
    rendered(airy, plain / "out.mp4", Tiles())
    assert (plain / "out.mp4").read_bytes() == (tmp_path / "two.mp4").read_bytes()
    # What was made from originals is good enough for everybody.
    assert rendered(airy, tmp_path / "again.mp4", Tiles(folder))[0] == 2


def test_an_excerpt_finds_the_segments_of_the_whole(wide: Composition, tmp_path: Path) -> None:
    rendered(wide, tmp_path / "one.mp4", Tiles())
    part = replace(wide, first=30, last=90)
    reused, found = rendered(part, tmp_path / "two.mp4", Tiles())
    assert reused == 1
    whole = [row[:3] for row in numbers_of(tmp_path / "one.mp4", wide)]
    assert found == whole[30:]


def test_several_videos_decode_each_clip_once(
    wide: Composition, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    large = compose(
        wide.voices, wide.layout, size=(576, 324), frame_rate=wide.frame_rate, duration_s=3.0
    )
    log = tmp_path / "log"
    monkeypatch.setenv(films.LOG, str(log))
    outs = [Output(wide, tmp_path / "a.mp4", QUICK), Output(large, tmp_path / "b.mp4", QUICK)]
    summaries = render_videos(
        outs, Silence(3.0), work=tmp_path / "work", open_clip=films.open_counting
    )
    assert [s.pictures for s in summaries] == [90, 90]
    due = [row[:3] for row in numbers_of(tmp_path / "a.mp4", wide)]
    assert [row[:3] for row in numbers_of(tmp_path / "b.mp4", large)] == due
    # Three clips, 90 pictures each; one more where a lane begins in the middle.
    assert 270 <= len(log.read_bytes()) <= 300
