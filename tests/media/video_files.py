"""Finished videos for tests, and readers that are not ours."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import imageio_ffmpeg
import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.media.check_sound import SoundCheck
from syncvid.media.encode import EncodeSettings, SegmentWriter
from syncvid.media.join import join_segments
from syncvid.timeline import pictures_to_cover, to_samples

RATE = 48_000
SMALL = (64, 36)
QUICK = EncodeSettings(preset="ultrafast", crf=30)


class Given:
    """A sound source made of an array."""

    def __init__(self, samples: Audio, sample_rate: int = RATE) -> None:
        self.samples, self.sample_rate = samples, sample_rate
        self.duration_s = samples.shape[1] / sample_rate

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        assert sample_rate == self.sample_rate
        first, last = to_samples(from_s, sample_rate), to_samples(to_s, sample_rate)
        inside = self.samples[:, max(0, first) : max(0, last)]
        after = max(0, last - first) - inside.shape[1] - max(0, -first)
        return np.pad(inside, ((0, 0), (max(0, -first), max(0, after))))


def noise(rng: np.random.Generator, length_s: float, sample_rate: int = RATE) -> Audio:
    """Return two channels of coloured noise, softer at high frequencies as music is."""
    white = rng.normal(0, 1, (2, round(length_s * sample_rate)))
    spectrum = np.fft.rfft(white)
    hertz = np.fft.rfftfreq(white.shape[1], 1 / sample_rate)
    samples = np.fft.irfft(spectrum / np.sqrt(1 + (hertz / 800) ** 2), white.shape[1])
    return (0.2 * samples / samples.std()).clip(-1, 1).astype(np.float32)


def write_video(
    folder: Path,
    sound: Given,
    *,
    frame_rate: Fraction = Fraction(25),
    duration_s: float | None = None,
    settings: EncodeSettings = QUICK,
    **how: Any,
) -> Path:
    """Write a grey video with a sound, in segments of 50 pictures; return its path."""
    return write_checked(folder, sound, frame_rate, duration_s, settings, **how)[0]


def write_checked(
    folder: Path,
    sound: Given,
    frame_rate: Fraction = Fraction(25),
    duration_s: float | None = None,
    settings: EncodeSettings = QUICK,
    **how: Any,
) -> tuple[Path, SoundCheck]:
    """Write such a video; return its path and what was measured."""
    duration_s = sound.duration_s if duration_s is None else duration_s
    total, segments = pictures_to_cover(duration_s, frame_rate), []
    grey = np.full((SMALL[1] * 3 // 2, SMALL[0]), 128, np.uint8)
    for first in range(0, total, 50):
        path, count = folder / f"s{first}.mp4", min(50, total - first)
        with SegmentWriter(
            path, size=SMALL, frame_rate=frame_rate, settings=settings, key_interval=50
        ) as writer:
            for _ in range(count):
                writer.write(grey)
        segments.append((path, count))
    out = folder / "out.mp4"
    check = join_segments(
        segments,
        out,
        sound=sound,
        duration_s=duration_s,
        frame_rate=frame_rate,
        settings=settings,
        **how,
    )
    return out, check


def heard_by_pyav(path: Path) -> tuple[float, Audio]:
    """Return the second at which the sound begins and its samples, by PyAV alone."""
    with av.open(str(path)) as container:
        blocks = [(b.pts * b.time_base, b.to_ndarray()) for b in container.decode(audio=0)]
    joined = np.concatenate([samples for _, samples in blocks], axis=1)
    if joined.dtype == np.int32:
        joined = joined.astype(np.float64) / 2**31
    return float(blocks[0][0]), joined.astype(np.float32)


def heard_by_ffmpeg(path: Path) -> Audio:
    """Return the samples of the sound, as the program of imageio-ffmpeg decodes them."""
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", str(path), "-map", "0:a"]
    command += ["-f", "f32le", "-"]
    raw = subprocess.run(command, capture_output=True, check=True).stdout
    return np.frombuffer(raw, np.float32).reshape(-1, 2).T


def ffprobe(path: Path, *what: str) -> dict[str, Any]:
    """Ask Debian's ffprobe; where checks are judged it must be there."""
    program = shutil.which("ffprobe")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("ffprobe is missing: apt-get install ffmpeg")
        pytest.skip("ffprobe is not installed (Debian: apt-get install ffmpeg)")
    command = [program, "-v", "error", "-of", "json", *what, str(path)]
    done = subprocess.run(command, capture_output=True, check=True, text=True)
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


def peak_lag(heard: Audio, wanted: Audio, most: int = 200) -> float:
    """Return by how many samples a sound is late, from a parabola through the best correlation."""
    size = 2 * max(heard.size, wanted.size)
    cross = np.fft.irfft(np.fft.rfft(heard, size) * np.conj(np.fft.rfft(wanted, size)), size)
    near = np.roll(cross, most)[: 2 * most + 1]
    best = int(near[1:-1].argmax()) + 1
    before, at, after = near[best - 1 : best + 2]
    return float(best - most + 0.5 * (before - after) / (before - 2 * at + after))
