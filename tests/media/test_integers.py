"""24 bits written as they are: two libraries read back the very same bits, and who made them."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from syncvid.arrays import Integers
from syncvid.errors import MediaError
from syncvid.media.sound_file import write_integers
from syncvid.mix.dither import to_24_bit
from syncvid.production.files import MADE_WITH, refuse_foreign
from tests.refusing import files_end_at

RATE = 48_000
BOTH = pytest.mark.parametrize("ending", [".wav", ".flac"])

# Longer than what is given to the library at a time.
LONG = 250_003


def numbers(channels: int = 2, length: int = LONG) -> Integers:
    """Return every kind of 24 bits, the extremes and the smallest among them."""
    rng = np.random.default_rng(8)
    samples = rng.integers(-(2**23), 2**23, (channels, length))
    samples[:, :5] = (-(2**23), 2**23 - 1, 0, 1, -1)
    return (samples << 8).astype(np.int32)


def by_soundfile(path: Path) -> Integers:
    samples, rate = soundfile.read(path, dtype="int32", always_2d=True)
    assert rate == RATE
    return np.asarray(samples.T)


def by_ffmpeg(path: Path) -> tuple[Integers, dict[str, str]]:
    """Return the samples and the texts of the head as FFmpeg's libraries read them."""
    with av.open(str(path)) as file:
        stream: Any = file.streams.audio[0]
        assert stream.rate == RATE
        blocks = [block.to_ndarray() for block in file.decode(stream)]
        channels = stream.channels
        texts = {key.lower(): text for key, text in {**file.metadata, **stream.metadata}.items()}
    # Interleaved: FFmpeg gives 24 bits as the upper ones of 32.
    whole = np.concatenate(blocks, axis=1)
    assert whole.dtype == np.int32
    return whole.reshape(-1, channels).T, texts


@BOTH
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("length", [1, 4096, LONG])
def test_every_bit_comes_back(ending: str, channels: int, length: int, tmp_path: Path) -> None:
    path, samples = tmp_path / f"mix{ending}", numbers(channels, max(5, length))[:, :length]
    write_integers(path, samples, sample_rate=RATE, title="Orchard Round")
    assert np.array_equal(by_soundfile(path), samples)
    back, _ = by_ffmpeg(path)
    assert np.array_equal(back, samples)
    assert soundfile.info(str(path)).subtype == "PCM_24"
    assert os.listdir(tmp_path) == [path.name]


@BOTH
def test_what_was_brought_to_24_bits_is_kept_to_the_last_one(ending: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    samples = to_24_bit(rng.normal(0, 0.2, (2, 30_000)).astype(np.float32))
    write_integers(tmp_path / f"mix{ending}", samples, sample_rate=RATE)
    assert np.array_equal(by_soundfile(tmp_path / f"mix{ending}"), samples)


@BOTH
def test_the_head_says_what_it_is_and_by_whom(ending: str, tmp_path: Path) -> None:
    path, title = tmp_path / f"mix{ending}", "Ein Stück «für» 東京"
    write_integers(path, numbers(), sample_rate=RATE, title=title)
    _, texts = by_ffmpeg(path)
    assert texts["title"] == title
    assert texts.get("comment", texts.get("description")) == MADE_WITH
    write_integers(path, numbers(length=10), sample_rate=RATE)
    _, texts = by_ffmpeg(path)
    assert "title" not in texts
    write_integers(path, numbers(length=10), sample_rate=RATE, title="\0Orchard\n\0 Round")
    assert by_ffmpeg(path)[1]["title"] == "Orchard Round"


@BOTH
@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@example(title="\0")
@given(title=st.text(max_size=40) | st.integers(900, 3000).map(lambda n: "ü" * n))
def test_what_we_wrote_is_known_as_ours_whatever_it_is_called(
    ending: str, title: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("titles") / f"mix{ending}"
    samples = numbers(length=500)
    write_integers(path, samples, sample_rate=RATE, title=title)
    assert MADE_WITH.encode() in path.read_bytes()[:1024]
    refuse_foreign(path)
    assert np.array_equal(by_soundfile(path), samples)
    assert np.array_equal(by_ffmpeg(path)[0], samples)


@BOTH
def test_an_ending_in_capitals(ending: str, tmp_path: Path) -> None:
    path = tmp_path / f"mix{ending.upper()}"
    write_integers(path, numbers(), sample_rate=RATE)
    assert np.array_equal(by_soundfile(path), numbers())


@pytest.mark.parametrize("name", ["mix.mp3", "mix.m4a", "mix.ogg", "mix", ".wav"])
def test_what_cannot_hold_24_bits_is_told(name: str, tmp_path: Path) -> None:
    with pytest.raises(MediaError, match=r"24 bits cannot be kept as .*end with \.wav or \.flac"):
        write_integers(tmp_path / name, numbers(), sample_rate=RATE)
    assert os.listdir(tmp_path) == []


@BOTH
def test_a_folder_that_is_not_there_is_told(ending: str, tmp_path: Path) -> None:
    with pytest.raises(MediaError, match="no such file or folder"):
        write_integers(tmp_path / "gone" / f"mix{ending}", numbers(), sample_rate=RATE)
    assert os.listdir(tmp_path) == []


@BOTH
def test_a_folder_in_the_files_place_is_told(ending: str, tmp_path: Path) -> None:
    (tmp_path / f"mix{ending}").mkdir()
    with pytest.raises(MediaError, match="This is a folder"):
        write_integers(tmp_path / f"mix{ending}", numbers(), sample_rate=RATE)
    assert os.listdir(tmp_path) == [f"mix{ending}"]


@BOTH
def test_where_the_system_refuses_it_says_why_and_the_old_file_stays(
    ending: str, tmp_path: Path
) -> None:
    path = tmp_path / f"mix{ending}"
    write_integers(path, numbers(length=1000), sample_rate=RATE)
    before = path.read_bytes()
    # The library itself says "system error".
    with files_end_at(200_000), pytest.raises(MediaError, match="file too large"):
        write_integers(path, numbers(), sample_rate=RATE)
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == [path.name]


def test_a_disk_without_room_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = shutil.disk_usage(tmp_path)._replace(free=100_000)
    monkeypatch.setattr("syncvid.media.sound_file.shutil.disk_usage", lambda folder: usage)
    with pytest.raises(MediaError, match=r"no room for it: 2 MB are needed, 0 are free.*Make room"):
        write_integers(tmp_path / "mix.wav", numbers(), sample_rate=RATE)
    assert not list(tmp_path.iterdir())


@BOTH
def test_being_stopped_leaves_the_old_file(
    ending: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / f"mix{ending}"
    write_integers(path, numbers(length=1000), sample_rate=RATE)
    before = path.read_bytes()

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(soundfile.SoundFile, "write", stop)
    with pytest.raises(KeyboardInterrupt):
        write_integers(path, numbers(), sample_rate=RATE)
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == [path.name]
