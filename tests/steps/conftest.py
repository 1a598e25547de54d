"""A small production with known places: three players, a mix, a clip of another piece."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
import soundfile
from scipy import signal

from syncvid.arrays import Audio
from syncvid.production.results import Finding, Rival
from syncvid.sync import Listened
from syncvid.sync.places import Placed
from syncvid.timeline import Placement

RATE = 48_000
LENGTH_S = 24.0


@dataclass(frozen=True)
class Planted:
    """The truth of one clip: where it was put."""

    path: Path
    place: Placement | None


@dataclass(frozen=True)
class Case:
    """A folder of clips with a mix."""

    folder: Path
    mix: Path
    clips: dict[str, Planted]

    @property
    def files(self) -> list[str]:
        return [str(clip.path) for clip in self.clips.values()]


def melody(rng: np.random.Generator, length_s: float, lowest_hz: float = 220.0) -> Audio:
    """Plucked tones at irregular moments: music of a kind, none of it repeated."""
    samples = np.zeros(round(length_s * RATE))
    at_s = np.arange(round(0.6 * RATE)) / RATE
    begin_s = 0.3
    while begin_s < length_s - 0.7:
        pitch_hz = lowest_hz * 2 ** (rng.integers(0, 24) / 12)
        tone = sum(np.sin(2 * np.pi * pitch_hz * k * at_s) / k for k in (1, 2, 3, 4))
        attack = np.minimum(at_s / 0.005, 1.0)
        note = 0.1 * tone * attack * np.exp(-at_s / 0.15) * rng.uniform(0.5, 1.0)
        start = round(begin_s * RATE)
        samples[start : start + note.size] += note
        begin_s += rng.uniform(0.12, 0.45)
    return samples.astype(np.float32)


def as_heard_by(clip_sound: Audio, place: Placement, clip_length_s: float) -> Audio:
    """Return a performance on the reference clock as a phone with its own clock records it."""
    clip_s = np.arange(round(clip_length_s * RATE)) / RATE
    reference_s = place.offset_s + clip_s * place.rate
    at = reference_s * RATE
    inside = (at >= 0) & (at < clip_sound.size - 1)
    spline = signal.cspline1d(clip_sound.astype(float))
    out = np.zeros(clip_s.size)
    out[inside] = signal.cspline1d_eval(spline, at[inside])
    return out.astype(np.float32)


def write_clip(path: Path, sound: Audio, *, size: tuple[int, int], rate: int = 25) -> None:
    """Write a clip whose picture gets brighter from one second to the next."""
    width, height = size
    with av.open(str(path), "w") as container:
        video = container.add_stream("libx264", rate=rate, options={"preset": "ultrafast"})
        video.width, video.height, video.pix_fmt = width, height, "yuv420p"
        audio = container.add_stream("aac", rate=RATE, layout="mono")
        for index in range(round(sound.size / RATE * rate)):
            planes = np.full((height * 3 // 2, width), 128, np.uint8)
            planes[:height] = 40 + (index * 3) % 160
            picture = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            picture.pts, picture.time_base = index, Fraction(1, rate)
            container.mux(video.encode(picture))
        container.mux(video.encode(None))
        for begin in range(0, sound.size, 1024):
            block = np.ascontiguousarray(sound[np.newaxis, begin : begin + 1024])
            samples = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
            samples.sample_rate, samples.pts = RATE, begin
            samples.time_base = Fraction(1, RATE)
            container.mux(audio.encode(samples))
        container.mux(audio.encode(None))


@pytest.fixture(scope="session")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """Make the clips once; nothing may change them."""
    rng = np.random.default_rng(1859)
    folder = tmp_path_factory.mktemp("clips ö 'n more")
    plan = {
        "flute Ines T1.mp4": (Placement(-3.217, 30.0), 28.0, (160, 90)),
        "Oda_violin_take1.mov": (Placement(-1.75, -45.0), 26.5, (90, 160)),
        "cello (mirre) 1.mp4": (Placement(2.5, 0.0), 18.0, (160, 90)),
    }
    parts = {name: melody(rng, LENGTH_S) for name in plan}
    mix = folder / "mix.wav"
    soundfile.write(mix, sum(parts.values()), RATE, subtype="FLOAT")
    clips = {}
    for name, (place, length_s, size) in plan.items():
        noise = rng.normal(0, 0.002, round(length_s * RATE)).astype(np.float32)
        heard = as_heard_by(parts[name], place, length_s)
        write_clip(folder / name, 0.7 * heard + noise, size=size)
        clips[name] = Planted(folder / name, place)
    other = folder / "IMG_2207.mov"
    write_clip(other, melody(np.random.default_rng(77), 20.0, lowest_hz=187.0), size=(160, 90))
    clips[other.name] = Planted(other, None)
    return Case(folder, mix, clips)


UNSURE = Finding(
    "check", 0.4, "A repeat fits as well.", 3.2, 21.0, "mix", rivals=(Rival(65.0, 0.9),)
)


class Searches:
    """Stands in for the search: counts how often it was asked, and what it was given."""

    def __init__(self) -> None:
        self.count = 0
        self.sounds: dict[str, Any] = {}
        self.answers: dict[str, Finding] = {}

    def __call__(self, clips: Sequence[Listened], **_: object) -> Placed:
        self.count += 1
        self.sounds = {clip.name: clip.samples for clip in clips}
        return Placed("mix", tuple(self.answers.get(clip.name, UNSURE) for clip in clips))


@pytest.fixture
def searches(monkeypatch: pytest.MonkeyPatch) -> Searches:
    found = Searches()
    monkeypatch.setattr("syncvid.steps.syncing.find_places", found)
    return found


@pytest.fixture
def folder(tmp_path: Path, rng: np.random.Generator) -> Path:
    for name in ("mix", "a", "b"):
        soundfile.write(tmp_path / f"{name}.wav", rng.normal(0, 0.1, 16_000 * 20), 16_000)
    made = tmp_path / "round"
    made.mkdir()
    (made / "production.toml").write_text(
        'mix = "../mix.wav"\n[[parts]]\nname = "Viola"  # hers\nplayer = "Anna"\n'
        '[[parts.takes]]\ntake = 1\nfile = "../a.wav"\n'
        '[[parts.takes]]\ntake = 2\nfile = "../b.wav"\n'
    )
    return made
