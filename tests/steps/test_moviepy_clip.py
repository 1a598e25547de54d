"""The video as a clip of moviepy: judged by planted numbers, the mix, and moviepy's own writer."""

from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import av
import numpy as np
import psutil
import pytest
import soundfile

import syncvid
from syncvid.errors import ProductionError
from syncvid.media.moviepy_clip import HeardClip
from syncvid.media.rgb import RgbConverter
from syncvid.media.sound import SoundFile
from syncvid.media.still_out import planes_to_rgb
from syncvid.picture.canvas import Canvas
from syncvid.production.material import Material
from syncvid.segments import Tiles
from syncvid.steps import Look
from syncvid.steps.moviepy_clip import Pictures
from tests.segments.films import quartet

from .conftest import Searches
from .films import lag_samples, make_films, numbers_in, numbers_of, samples_of, write_plan

# As the README has it: moviepy writes colours by BT.601 and says nothing of it.
BT709 = [
    *("-vf", "scale=out_color_matrix=bt709:out_range=tv"),
    *("-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709"),
]


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("films")
    make_films(folder)
    return folder


@pytest.fixture
def material(films: Path, tmp_path: Path, searches: Searches) -> Material:
    # Places are pinned: no search is needed, and none is made.
    folder = tmp_path / "round"
    shutil.copytree(films, folder)
    return write_plan(folder, picture='title_s = 1.0\nbackground = "#a03050"\n')


def open_files(folder: Path) -> list[str]:
    """Return the files of a folder that this process has open."""
    paths = [Path(entry.path) for entry in psutil.Process().open_files()]
    return [path.name for path in paths if path.is_relative_to(folder)]


def test_each_moment_shows_the_picture_on_screen_in_any_order(tmp_path: Path) -> None:
    composition = quartet(tmp_path, seconds=3.0)
    pictures = Pictures(composition, Tiles())
    # Film 0 starts with the music, film 1 half a second before it; 30 pictures a second.
    for at_s, number in ((0.0, 0), (0.0333, 0), (1 / 30, 1), (2.9, 87), (0.5, 15), (0.49, 14)):
        rgb = pictures.at(at_s)
        assert rgb.shape == (216, 384, 3)
        assert rgb.dtype == np.uint8
        assert numbers_in(rgb, composition)[:2] == [number, number + 15]
    assert open_files(tmp_path)
    pictures.close()
    assert not open_files(tmp_path)


def test_threads_that_ask_at_once_each_get_their_picture_and_their_sound(tmp_path: Path) -> None:
    composition = quartet(tmp_path, seconds=3.0)
    pictures = Pictures(composition, Tiles())
    moments_s = [(7 * n % 90) / 30 + 0.01 for n in range(60)]
    with ThreadPoolExecutor(4) as pool:
        read = partial(numbers_in, composition=composition)
        found = [read(rgb)[0] for rgb in pool.map(pictures.at, moments_s)]
    pictures.close()
    assert found == [7 * n % 90 for n in range(60)]
    # Each sample of this sound is its own number.
    ramp = np.arange(0.0, 480_000 * 9, 1.0, np.float32)[np.newaxis, :]
    soundfile.write(tmp_path / "ramp.wav", ramp.T / 2**23, 48_000, subtype="FLOAT")
    heard = HeardClip(lambda: SoundFile(tmp_path / "ramp.wav"), 90.0)
    seconds = [(17 * n) % 89 for n in range(40)]
    with ThreadPoolExecutor(4) as pool:
        samples = list(pool.map(lambda s: heard.get_frame(np.arange(2) / 48_000 + s), seconds))
    assert [round(float(pair[0, 0]) * 2**23) for pair in samples] == [48_000 * s for s in seconds]


def test_after_an_interrupt_the_right_pictures_follow(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    composition = quartet(tmp_path, seconds=3.0)
    monkeypatch.setattr("syncvid.steps.moviepy_clip.usable_cores", lambda: 1)
    pictures = Pictures(composition, Tiles())
    assert numbers_in(pictures.at(0.01), composition)[0] == 0
    assert pictures._painter is not None
    left = iter(range(10))

    def interrupt() -> None:
        if next(left, None) == 9:
            raise KeyboardInterrupt

    pictures._painter.check = interrupt
    with pytest.raises(KeyboardInterrupt):
        pictures.at(1.01)
    assert numbers_in(pictures.at(1.01), composition)[0] == 30
    pictures.close()


def test_moments_outside_of_the_video_show_its_first_and_last_picture(tmp_path: Path) -> None:
    composition = quartet(tmp_path, seconds=1.0)
    pictures = Pictures(composition, Tiles())
    assert numbers_in(pictures.at(-1.0), composition)[0] == 0
    assert numbers_in(pictures.at(99.0), composition)[0] == 29
    pictures.close()


def test_a_film_that_cannot_be_decoded_is_left_out_and_told(tmp_path: Path) -> None:
    composition = quartet(tmp_path, seconds=1.0)
    (tmp_path / "film1.mp4").write_bytes(b"no film")
    pictures = Pictures(composition, Tiles())
    with pytest.warns(UserWarning, match=r"film1\.mp4 is left out"):
        rgb = pictures.at(0.5)
    # A card is dark, which reads as 0.
    assert numbers_in(rgb, composition)[:3] == [15, 0, 45]
    pictures.close()


def test_colours_are_those_of_the_exact_conversion(rng: np.random.Generator) -> None:
    canvas = Canvas(64, 48)
    for plane, (low, high) in zip(canvas.planes, ((60, 200), (110, 146), (110, 146)), strict=True):
        plane[:] = (
            rng.integers(low, high, (2, 2))
            .repeat(plane.shape[0] // 2, 0)
            .repeat(plane.shape[1] // 2, 1)
        )
    rgb = RgbConverter().convert(canvas.pixels).astype(int)
    exact = planes_to_rgb(canvas.planes).astype(int)
    for rows in (slice(4, 20), slice(28, 44)):
        for columns in (slice(4, 28), slice(36, 60)):
            assert np.abs(rgb - exact)[rows, columns].max() <= 1


@pytest.mark.slow
def test_moviepy_writes_the_pictures_and_the_sound_of_the_video(
    material: Material, tmp_path: Path
) -> None:
    assert material.folder is not None
    summary = syncvid.render(material, material.folder / "ours.mp4").summary
    assert summary is not None
    with syncvid.as_moviepy(material.folder) as clip:
        clip.write_videofile(
            str(tmp_path / "theirs.mp4"),
            audio_codec="aac",
            audio_fps=48_000,
            ffmpeg_params=BT709,
            logger=None,
        )
        assert "mix.wav" in open_files(material.folder)
    assert not open_files(material.folder)
    scene = 1  # behind the title
    ours, theirs = (
        numbers_of(path, summary.composition, scene)
        for path in (material.folder / "ours.mp4", tmp_path / "theirs.mp4")
    )
    assert len(theirs) == 7 * 30
    assert theirs == ours
    assert [row[:2] for row in theirs[60:63]] == [[30, 45], [31, 46], [32, 47]]
    mix, _ = soundfile.read(material.folder / "mix.wav")
    heard = samples_of(tmp_path / "theirs.mp4")
    assert np.abs(heard[:, :47_000]).max() < 1e-3, "the title is silent"
    for channel in (0, 1):
        assert lag_samples(heard[channel, 48_000:], mix[:, channel]) == 0
    assert _background(tmp_path / "theirs.mp4") == pytest.approx(
        _background(material.folder / "ours.mp4"), abs=2
    )


@pytest.mark.slow
def test_a_part_of_the_clip_begins_where_it_should(material: Material, tmp_path: Path) -> None:
    clip = syncvid.as_moviepy(material, size=(256, 144), fps="25")
    assert (clip.size, clip.fps, clip.duration) == ((256, 144), 25.0, 7.0)
    part = clip.subclipped(2.0, 4.0)
    assert np.array_equal(part.get_frame(0.5), clip.get_frame(2.5))
    part.audio.write_audiofile(str(tmp_path / "part.wav"), fps=44_100, logger=None)
    heard, rate = soundfile.read(tmp_path / "part.wav")
    assert (rate, heard.shape) == (44_100, (88_200, 2))
    # One second of title before the mix; every 160th sample at 48 kHz is every 147th at 44.1 kHz.
    mix, _ = soundfile.read(material.folder / "mix.wav")  # type: ignore[operator]
    theirs = np.interp(np.arange(88_200) / 44_100 + 1.0, np.arange(len(mix)) / 48_000, mix[:, 0])
    assert lag_samples(heard[:, 0], theirs) == 0
    clip.close()
    assert not open_files(material.folder or tmp_path)


@pytest.mark.slow
def test_tiles_are_read_but_none_are_made(
    material: Material, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert material.folder is not None
    small, folder = (192, 108), material.folder
    syncvid.render(material, folder / "ours.mp4", look_of=Look(size=small))
    for from_originals in (False, True):
        with syncvid.as_moviepy(material, size=small, from_originals=from_originals) as clip:
            clip.get_frame(3.0)
            opened = [name for name in open_files(folder) if name.startswith("film")]
            assert bool(opened) is from_originals
    shutil.rmtree(material.store.folder / "tiles")
    monkeypatch.delattr("syncvid.segments.tiles.JpegWriter.encode")
    with syncvid.as_moviepy(material, size=small) as clip:
        assert clip.get_frame(3.0).shape == (108, 192, 3)


def test_what_is_no_production_or_no_rate_is_told(material: Material, tmp_path: Path) -> None:
    with pytest.raises(ProductionError, match=r"holds no production\.toml"):
        syncvid.as_moviepy(tmp_path)
    with pytest.raises(ProductionError, match="picture rate"):
        syncvid.as_moviepy(material, fps="fast")
    with pytest.raises(ProductionError, match="even numbers"):
        syncvid.as_moviepy(material, size=(1919, 1080))


def _background(video: Path) -> list[int]:
    """Return Y, U, V of a corner of the picture three seconds in, and how colours are tagged."""
    with av.open(str(video)) as container:
        picture = [p for p, _ in zip(container.decode(video=0), range(91), strict=False)][-1]
        planes = [np.frombuffer(plane, np.uint8) for plane in picture.planes]
        return [*(int(plane[1]) for plane in planes), int(picture.colorspace)]
