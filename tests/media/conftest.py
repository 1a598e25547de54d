"""Small files made with known contents, to be compared with what is read of them."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from syncvid.arrays import Audio

RATE = 48_000


def ticks(rng: np.random.Generator, length_s: float) -> Audio:
    """Noise bursts at odd moments: every lag shows in a correlation."""
    samples = np.zeros(round(length_s * RATE), np.float32)
    for at in rng.integers(0, samples.size - 2000, 12):
        samples[at : at + 480] += rng.normal(0, 0.2, 480).astype(np.float32)
    return samples


def write_media(
    path: Path,
    sound: Audio | None,
    *,
    sound_from_s: float = 0.0,
    pictures: int = 0,
    picture_from_s: float = 0.0,
    sound_codec: str = "aac",
    sample_rate: int = RATE,
) -> Path:
    """Write a file with mono sound and grey pictures, each stream starting where it is told to."""
    with av.open(str(path), "w") as container:
        streams = []
        if pictures:
            video = container.add_stream("libx264", rate=25)
            video.width, video.height, video.pix_fmt = 64, 48, "yuv420p"
            streams.append(video)
        if sound is not None:
            audio = container.add_stream(sound_codec, rate=sample_rate, layout="mono")
            streams.append(audio)
        for index in range(pictures):
            grey = np.full((72, 64), 60 + index % 100, np.uint8)
            picture = av.VideoFrame.from_ndarray(grey, format="yuv420p")
            picture.pts = index + round(picture_from_s * 25)
            picture.time_base = Fraction(1, 25)
            container.mux(video.encode(picture))
        if sound is not None:
            for begin in range(0, sound.size, 1024):
                block = np.ascontiguousarray(sound[np.newaxis, begin : begin + 1024])
                samples = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
                samples.sample_rate = sample_rate
                samples.pts = begin + round(sound_from_s * sample_rate)
                samples.time_base = Fraction(1, sample_rate)
                container.mux(audio.encode(samples))
        for stream in streams:
            container.mux(stream.encode(None))
    return path


@pytest.fixture
def made(tmp_path: Path) -> Callable[..., Path]:
    """Return a maker of files in the test's own folder."""

    def make(name: str, sound: Audio | None, **how: object) -> Path:
        return write_media(tmp_path / name, sound, **how)  # type: ignore[arg-type]

    return make
