"""Pictures sampled from a clip: judged by the number that each says of itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from syncvid.errors import MediaError
from syncvid.media.probe import probe
from syncvid.media.samples import sample_pictures
from tests.coded_pictures import is_upright, read, turn_by_matrix, write_film

EVERY_12TH = [number / 30 for number in range(180)]


def test_key_pictures_from_all_over_the_clip(tmp_path: Path) -> None:
    media = probe(write_film(tmp_path / "a.mp4", EVERY_12TH))
    numbers = [read(luma) for luma, _, _ in sample_pictures(media, 5, 192)]
    assert len(numbers) == 5
    assert all(number % 12 == 0 for number in numbers)
    # Due at 0.6, 1.8, 3.0, 4.2 and 5.4 s; each is the last key picture at or before that.
    assert numbers == [12, 48, 84, 120, 156]


def test_only_the_stretch_that_is_asked_for(tmp_path: Path) -> None:
    media = probe(write_film(tmp_path / "a.mp4", EVERY_12TH))
    sampled = sample_pictures(media, 3, 192, from_s=2.0, to_s=4.0)
    assert all(48 <= read(luma) <= 120 for luma, _, _ in sampled)


def test_upright_and_small(tmp_path: Path) -> None:
    path = write_film(tmp_path / "a.mp4", EVERY_12TH, turned=1)
    turn_by_matrix(path, 1)
    ((luma, blue, red), *_) = sample_pictures(probe(path), 4, 96)
    assert luma.shape == (54, 96)
    assert blue.shape == red.shape == (27, 48)
    assert is_upright(luma)


def test_a_clip_with_one_key_picture_gives_one(tmp_path: Path) -> None:
    media = probe(write_film(tmp_path / "a.mp4", EVERY_12TH, key_interval=500))
    assert [read(luma) for luma, _, _ in sample_pictures(media, 7, 192)] == [0]


def test_sound_alone_has_no_pictures(tmp_path: Path) -> None:
    import numpy as np
    import soundfile

    soundfile.write(tmp_path / "a.wav", np.zeros(4800), 48_000)
    with pytest.raises(MediaError, match="no moving picture"):
        sample_pictures(probe(tmp_path / "a.wav"), 3, 96)
