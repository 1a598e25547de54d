"""A little film of somebody who claps: hands close fast, meet, rest, and open slowly."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from syncvid.arrays import Audio

RATE = 48_000


def apart(since_s: float) -> float:
    """Return how far the hands are apart, 0 to 1, at a time seen from when they meet."""
    if -0.12 < since_s < 0:
        return (-since_s / 0.12) ** 0.7
    if 0 <= since_s < 0.15:
        return 0.0
    return min(1.0, max(0.0, (since_s - 0.15) / 0.6)) if since_s > 0 else 1.0


def clapping_sound(
    claps_s: Sequence[float], length_s: float, rng: np.random.Generator, *, music: float = 0.0
) -> Audio:
    """Return claps over a quiet room, and perhaps a tone that goes on."""
    times = np.arange(round(length_s * RATE)) / RATE
    sound = 0.001 * rng.standard_normal(times.size)
    sound += music * np.sin(2 * np.pi * 330 * times) * (times > claps_s[-1] + 1.0)
    burst = np.arange(round(0.08 * RATE)) / RATE
    for clap_s in claps_s:
        begin = round(clap_s * RATE)
        clap = 0.5 * rng.standard_normal(burst.size) * np.exp(-burst / 0.012)
        sound[begin : begin + burst.size] += clap
    return sound.astype(np.float32)


def write_clapping(
    path: Path,
    claps_s: Sequence[float],
    rng: np.random.Generator,
    *,
    late_s: float,
    length_s: float = 8.0,
    rate: int = 30,
    seen: bool = True,
) -> Path:
    """Write a film whose picture comes `late_s` behind its sound; a head sways all the time."""
    sound = clapping_sound(claps_s, length_s, rng, music=0.05)
    with av.open(str(path), "w") as out:
        video: Any = out.add_stream(
            "libx264", rate=rate, options={"preset": "ultrafast", "crf": "20"}
        )
        video.width, video.height, video.pix_fmt = 320, 240, "yuv420p"
        audio: Any = out.add_stream("aac", rate=RATE, layout="mono")
        for number in range(round(length_s * rate)):
            at_s = number / rate - late_s
            nearest = min(claps_s, key=lambda clap_s: abs(at_s - clap_s))
            gap = round(90 * apart(at_s - nearest)) if seen else 60
            luma = np.full((240, 320), 90.0)
            sway = round(6 * np.sin(2 * np.pi * 0.4 * at_s))
            luma[20:90, 130 + sway : 190 + sway] = 170
            luma[120:180, 160 - gap - 30 : 160 - gap] = 220
            luma[120:180, 160 + gap : 160 + gap + 30] = 220
            luma += rng.normal(0, 3, luma.shape)
            planes = np.full((360, 320), 128, np.uint8)
            planes[:240] = luma.clip(16, 235).astype(np.uint8)
            picture = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            picture.pts, picture.time_base = number, Fraction(1, rate)
            out.mux(video.encode(picture))
        out.mux(video.encode(None))
        block = av.AudioFrame.from_ndarray(sound[np.newaxis], format="fltp", layout="mono")
        block.sample_rate, block.pts, block.time_base = RATE, 0, Fraction(1, RATE)
        out.mux(audio.encode(block))
        out.mux(audio.encode(None))
    return path
