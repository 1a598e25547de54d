"""A production of coded films whose places are pinned, so that nothing has to be searched."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import av
import numpy as np
import soundfile
from numpy.typing import NDArray

from syncvid.picture import Composition
from syncvid.production.material import Material, open_production
from tests.coded_pictures import read, write_film

SIZE = (384, 216)
RATE = 48_000
LENGTH_S = 6.0

OFFSETS_S = (0.0, -0.5, -1.01)

_PLAN = """title = "Round"
mix = "mix.wav"
{top}
[picture]
size = "384x216"
frame_rate = "30"
equal_heads = 0.0
{picture}
{parts}{rest}"""

_PART = """[[parts]]
name = "{name}"
[[parts.takes]]
take = 1
file = "film{number}.mp4"
offset_s = {offset_s}
drift_ppm = 0.0
"""


def noise(length_s: float, seed: int = 5) -> NDArray[np.float32]:
    """Return noise, shape (samples, 2): it is the same nowhere twice."""
    rng = np.random.default_rng(seed)
    samples = rng.normal(0, 0.1, (round(length_s * RATE), 2))
    return samples.astype(np.float32)


def make_films(folder: Path) -> None:
    """Write three coded films and a mix."""
    for number, offset_s in enumerate(OFFSETS_S):
        count = round((LENGTH_S - offset_s) * 30) + 5
        times_s = [n / 30 for n in range(count)]
        write_film(folder / f"film{number}.mp4", times_s, key_interval=25, sound_from_s=0.0)
    soundfile.write(folder / "mix.wav", noise(LENGTH_S), RATE, subtype="FLOAT")


def write_plan(folder: Path, *, top: str = "", picture: str = "", rest: str = "") -> Material:
    """Write a plan beside the films and open it."""
    parts = "".join(
        _PART.format(name=f"Part {number}", number=number, offset_s=offset_s)
        for number, offset_s in enumerate(OFFSETS_S)
    )
    text = _PLAN.format(top=top, picture=picture, parts=parts, rest=rest)
    (folder / "production.toml").write_text(text, encoding="utf-8")
    return open_production(folder)


def numbers_in(rgb: NDArray[np.uint8], composition: Composition, scene: int = 0) -> list[int]:
    """Read the numbers that the tiles of a picture show."""
    luma = rgb.astype(float) @ (0.2126, 0.7152, 0.0722) * 219 / 255 + 16
    return _read_all(luma.astype(np.uint8), composition, scene)


def lumas_of(video: Path) -> list[NDArray[np.uint8]]:
    """Return the luma of every picture of a video."""
    lumas = []
    with av.open(str(video)) as container:
        for picture in container.decode(video=0):
            plane = picture.planes[0]
            rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
            lumas.append(rows[: plane.height, : plane.width].copy())
    return lumas


def numbers_of(video: Path, composition: Composition, scene: int = 0) -> list[list[int]]:
    """Read the numbers that the tiles of every picture of a video show."""
    return [_read_all(luma, composition, scene) for luma in lumas_of(video)]


def samples_of(video: Path) -> NDArray[np.float32]:
    """Return a video's sound, shape (channels, samples); its first sample is that of second 0."""
    with av.open(str(video)) as container:
        stream = container.streams.audio[0]
        parts, first_s = [], None
        for block in container.decode(stream):
            first_s = block.time if first_s is None else first_s
            parts.append(block.to_ndarray().astype(np.float32))
    samples = np.concatenate(parts, axis=1)
    late = round((first_s or 0.0) * stream.rate)
    return samples[:, -late:] if late < 0 else np.pad(samples, ((0, 0), (late, 0)))


def lag_samples(heard: NDArray[Any], given: NDArray[Any], most: int = 2400) -> int:
    """Return by how many samples one sound comes behind another of the same length."""
    length = min(heard.size, given.size)
    spectra = [np.fft.rfft(x[:length], 2 * length) for x in (heard, given)]
    likeness = np.fft.irfft(spectra[0] * np.conj(spectra[1]))
    lags = np.concatenate((likeness[-most:], likeness[: most + 1]))
    return int(np.argmax(lags)) - most


def _read_all(luma: NDArray[np.uint8], composition: Composition, scene: int) -> list[int]:
    """Read the numbers of all tiles of a scene."""
    rects = [place.rect for place in composition.scenes[scene].places]
    return [read(luma[r.y : r.y + r.height, r.x : r.x + r.width]) for r in rects]
