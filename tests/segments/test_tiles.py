"""The tile cache: what was decoded once is shown again, by time, at any smaller size."""

from __future__ import annotations

import math
import os
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
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
from syncvid.segments import Output, Tiles, paint_still, render_video, render_videos
from syncvid.segments import clips as clips_module
from syncvid.segments.tiles import (
    ClipTiles,
    Mark,
    TileLost,
    clip_folder,
    keep_only_clips,
    pays,
    prune,
    remove_parts,
)
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


def shortened(data: bytes) -> bytes:
    return data[:-1]


def of_another_kind(data: bytes) -> bytes:
    return b"SVT1" + data[4:]


def with_another_table(data: bytes) -> bytes:
    return data.replace(b"1.0", b"9.0", 1)


@pytest.mark.parametrize("damage", [shortened, of_another_kind, with_another_table])
def test_a_damaged_file_holds_nothing(tmp_path: Path, damage: Callable[[bytes], bytes]) -> None:
    kept(tmp_path, [(0.0, 1.0)])
    (path,) = tmp_path.glob("*/*.tiles")
    path.write_bytes(damage(path.read_bytes()))
    assert ClipTiles([tmp_path]).covering(SMALL, [0.5]) is None


def test_a_damaged_picture_is_noticed_and_its_file_deleted(tmp_path: Path) -> None:
    tiles = kept(tmp_path, [(0.0, 1.0), (1.0, 2.0)])
    (path,) = tmp_path.glob("*/*.tiles")
    path.write_bytes(path.read_bytes()[:-40] + bytes(40))
    assert tiles.covering(SMALL, [0.5, 1.5]) == SMALL
    assert tiles.find(SMALL, 0.5).ticks == 0
    with pytest.raises(TileLost):
        tiles.find(SMALL, 1.5)
    assert not path.exists()
    assert tiles.covering(SMALL, [0.5]) is None


def test_files_that_vanish_under_the_reader_are_noticed(tmp_path: Path) -> None:
    tiles = ClipTiles([tmp_path])
    for number in range(8):
        tiles.keep(SMALL, number, (float(number), number + 1.0), 0, planes(20))
        tiles.flush(Mark("origin", "token", number))
    tiles = ClipTiles([tmp_path])
    assert tiles.covering(SMALL, [n + 0.5 for n in range(8)]) == SMALL
    shutil.rmtree(tmp_path / "64x36")
    with pytest.raises(TileLost):
        tiles.find(SMALL, 0.5)


def test_files_with_strange_names_are_passed_over(tmp_path: Path) -> None:
    kept(tmp_path, [(0.0, 1.0)])
    for name in ("a.tiles", "a_b_c_d.tiles", "0_1000_one.tiles"):
        (tmp_path / "64x36" / name).write_bytes(b"?")
    assert ClipTiles([tmp_path]).covering(SMALL, [0.5]) == SMALL


def test_a_render_does_not_see_what_it_kept_itself(tmp_path: Path) -> None:
    kept(tmp_path, [(0.0, 1.0)])
    assert ClipTiles([tmp_path], but_from="origin").covering(SMALL, [0.5]) is None
    assert ClipTiles([tmp_path], but_from="another").covering(SMALL, [0.5]) == SMALL


@given(st.integers(16, 235), st.integers(16, 240))
def test_what_is_read_is_what_was_written(luma: int, chroma: int) -> None:
    colour = np.full((18, 32), chroma, np.uint8)
    given_planes = (np.full((36, 64), luma, np.uint8), colour, colour)
    found = JpegReader().decode(JpegWriter(*SMALL).encode(given_planes), SMALL, SMALL)
    for one, other in zip(given_planes, found, strict=True):
        # ITU-T T.81: the coarsest step of a flat block at quantiser 2 stays within 2 of 255.
        assert np.abs(one.astype(int) - other).max() <= 2


@pytest.mark.parametrize("size", [(64, 36), (62, 34), (66, 38), (32, 54)])
def test_colours_keep_their_place_at_any_even_size(size: tuple[int, int]) -> None:
    width, height = size
    across = np.arange(width // 2) % 16 < 8
    luma = np.tile(np.linspace(40, 200, width), (height, 1)).astype(np.uint8)
    u = np.tile(np.where(across, 90, 160), (height // 2, 1)).astype(np.uint8)
    v = np.tile(np.linspace(90, 160, width // 2), (height // 2, 1)).astype(np.uint8)
    found = JpegReader().decode(JpegWriter(*size).encode((luma, u, v)), size, size)
    for one, other in zip((luma, u, v), found, strict=True):
        assert np.abs(one.astype(int) - other).mean() < 3


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


def test_what_was_shown_lately_counts_as_used(tmp_path: Path) -> None:
    for name, time_s in (("a", 1000), ("b", 2000)):
        kept(tmp_path / name, [(0.0, 1.0)])
        (path,) = tmp_path.glob(f"{name}/*/*.tiles")
        os.utime(path, (time_s, time_s))
    assert ClipTiles([tmp_path / "a"]).covering(SMALL, [0.5])
    prune(tmp_path, path.stat().st_size)
    assert [file.parts[-3] for file in tmp_path.glob("*/*/*.tiles")] == ["a"]


def test_only_the_tiles_of_some_clips_stay(tmp_path: Path) -> None:
    for identity in ("one", "two"):
        for fast in (True, False):
            kept(clip_folder(tmp_path, identity, fast=fast), [(0.0, 1.0)])
    keep_only_clips(tmp_path, ["one"])
    left = {path.parts[-3] for path in tmp_path.glob("*/*/*.tiles")}
    assert left == {clip_folder(tmp_path, "one", fast=fast).name for fast in (True, False)}
    keep_only_clips(tmp_path / "absent", [])


def test_what_a_killed_render_left_unfinished_goes(tmp_path: Path) -> None:
    kept(tmp_path / "clip", [(0.0, 1.0)])
    for token in ("dead", "alive"):
        (tmp_path / "clip" / "64x36" / f"0_1000_o_1.{token}.part").write_bytes(b"?")
    remove_parts(tmp_path, "dead")
    names = sorted(path.name for path in tmp_path.glob("*/*/*"))
    assert names == ["0_1000_o_1.alive.part", "0_1000_origin_1.tiles"]


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


def damage_all(folder: Path) -> int:
    """Spoil the last picture of each file; return how many there are."""
    paths = list(folder.glob("*/*/*.tiles"))
    for path in paths:
        path.write_bytes(path.read_bytes()[:-200] + bytes(200))
    return len(paths)


def test_damaged_tiles_lead_back_to_the_originals(wide: Composition, tmp_path: Path) -> None:
    tiles = Tiles(tmp_path / "tiles")
    _, first = rendered(wide, tmp_path / "one.mp4", tiles)
    assert damage_all(tmp_path / "tiles") == 6
    before = set((tmp_path / "work").glob("*.mp4"))
    reused, second = rendered(with_gaps(wide), tmp_path / "two.mp4", tiles)
    assert (reused, second) == (0, first)
    made = set((tmp_path / "work").glob("*.mp4")) - before
    assert not [path for path in made if path.name.endswith(".tiles.mp4")]


def test_a_damaged_tile_does_not_spoil_a_still(wide: Composition, tmp_path: Path) -> None:
    tiles = Tiles(tmp_path / "tiles")
    rendered(wide, tmp_path / "one.mp4", tiles)
    damage_all(tmp_path / "tiles")
    found = paint_still(wide, 59, tiles=tiles)
    wanted = paint_still(wide, 59, tiles=Tiles())
    assert all(np.array_equal(one, other) for one, other in zip(found, wanted, strict=True))


def test_a_cache_that_cannot_be_written_is_done_without(wide: Composition, tmp_path: Path) -> None:
    (tmp_path / "tiles").write_text("in the way")
    rendered(wide, tmp_path / "one.mp4", Tiles(tmp_path / "tiles"))
    rendered(wide, tmp_path / "two.mp4", Tiles())
    assert (tmp_path / "one.mp4").read_bytes() == (tmp_path / "two.mp4").read_bytes()


def test_a_disk_that_is_nearly_full_is_left_to_the_video(
    wide: Composition, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(tmp_path)._replace(free=(1 << 30) - 1)
    monkeypatch.setattr(clips_module.shutil, "disk_usage", lambda path: usage)
    with ThreadPoolExecutor(1) as executor:
        rendered(wide, tmp_path / "one.mp4", Tiles(tmp_path / "tiles"), executor=executor)
    assert not list(tmp_path.glob("tiles/*/*"))


def test_one_render_keeps_no_more_than_it_may(
    wide: Composition, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("syncvid.segments.engine._NEW_TILE_BYTES", 1)
    with ThreadPoolExecutor(1) as executor:
        rendered(wide, tmp_path / "one.mp4", Tiles(tmp_path / "tiles"), executor=executor)
    # The first clip's file made the account full.
    assert len(list(tmp_path.glob("tiles/*/*/*"))) == 1


def test_another_clip_under_the_same_name_does_not_show_the_old_one(
    wide: Composition, tmp_path: Path
) -> None:
    tiles = Tiles(tmp_path / "tiles")
    rendered(wide, tmp_path / "one.mp4", tiles)
    for identity in ("another", ""):
        other = [
            replace(voice, pieces=tuple(replace(p, identity=identity) for p in voice.pieces))
            for voice in wide.voices
        ]
        airy = with_gaps(replace(wide, voices=tuple(other)))
        rendered(airy, tmp_path / "two.mp4", tiles)
        assert not list((tmp_path / "work").glob("*.tiles.mp4"))


def test_a_render_that_goes_on_takes_what_an_undisturbed_one_would(
    wide: Composition, tmp_path: Path
) -> None:
    # The last picture of a short clip is due for ever, so its tile would serve what comes after.
    short = tmp_path / "short.mp4"
    films.write_film(short, [n / 30 for n in range(20)])
    piece = replace(films.piece_of(short), to_s=6.0, shape=(1280, 720))
    voices = (replace(wide.voices[0], pieces=(piece,)), wide.voices[3])
    held = compose(voices, wide.layout, size=wide.size, frame_rate=wide.frame_rate, duration_s=6.0)
    tiles = Tiles(tmp_path / "tiles")
    rendered(held, tmp_path / "one.mp4", tiles)
    assert list(tmp_path.glob("tiles/*/*/*"))
    whole = (tmp_path / "one.mp4").read_bytes()
    for path in (tmp_path / "work").glob("*.mp4"):
        path.unlink()
        assert rendered(held, tmp_path / "two.mp4", tiles)[0] == 2
        assert (tmp_path / "two.mp4").read_bytes() == whole
