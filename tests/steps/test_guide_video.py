"""The guide as a video, read back by Debian's ffmpeg and ffprobe."""

from __future__ import annotations

import os
import shutil
import subprocess
import threading
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from syncvid.arrays import Audio, Plane, Sound
from syncvid.errors import Cancelled, MediaError, ProductionError, RenderError
from syncvid.picture.flashes import count_flashes
from syncvid.production.beats import GuideMap, Mark
from syncvid.progress import Progress
from syncvid.steps.guide_film import labels_of
from syncvid.steps.guide_video import make_conductor_video, make_guide_video
from syncvid.timeline import Placement
from tests.guide_maps import BarOf, map_of, second_of, steady
from tests.media.video_files import ffprobe, peak_lag
from tests.steps.conftest import RATE, as_heard_by, write_clip

SMALL = (424, 240)


def guide_of(bars: Sequence[BarOf], **options: float) -> GuideMap:
    plain = map_of(bars, **options)  # type: ignore[arg-type]
    marks = [Mark("A", 1, second_of(plain, 1)), Mark("B", 3, second_of(plain, 3))]
    return map_of(bars, marks=marks, **options)  # type: ignore[arg-type]


def sound_of(guide: GuideMap) -> Audio:
    """Return clicks of decaying tones, shape (samples,), the first of a bar higher."""
    samples = np.zeros(round(guide.duration_s * RATE), np.float32)
    at = np.arange(1500)
    for click in guide.clicks:
        pitch_hz = (1800, 1500, 1200, 1200)[click.strength]
        tone = 0.4 * np.sin(2 * np.pi * pitch_hz * at / RATE) * np.exp(-at / 300)
        start = round(click.guide_s * RATE)
        samples[start : start + at.size] += tone.astype(np.float32)
    return samples


def ffmpeg(path: Path, *what: str) -> bytes:
    """Read with Debian's ffmpeg."""
    program = shutil.which("ffmpeg")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("ffmpeg is missing: apt-get install ffmpeg")
        pytest.skip("ffmpeg is not installed (Debian: apt-get install ffmpeg)")
    command = [program, "-v", "error", "-i", str(path), *what, "-"]
    return subprocess.run(command, capture_output=True, check=True).stdout


def pictures_of(path: Path, size: tuple[int, int]) -> NDArray[np.uint8]:
    """Return luma of all pictures, shape (pictures, height, width)."""
    raw = ffmpeg(path, "-map", "0:v:0", "-fps_mode", "passthrough", "-f", "rawvideo",
                 "-pix_fmt", "yuv420p")  # fmt: skip
    width, height = size
    frames = np.frombuffer(raw, np.uint8).reshape(-1, height * 3 // 2, width)
    return frames[:, :height]


def sound_in(path: Path) -> Audio:
    """Return the sound, shape (samples,), one channel of both."""
    raw = ffmpeg(path, "-map", "0:a:0", "-f", "f32le", "-ac", "1", "-ar", str(RATE))
    return np.frombuffer(raw, np.float32)


def changes_in(frames: NDArray[np.uint8]) -> list[int]:
    """Return the pictures that differ from the one before by more than coding does."""
    return [
        number
        for number in range(1, len(frames))
        if np.count_nonzero(np.abs(frames[number].astype(int) - frames[number - 1]) > 90) > 8
    ]


@pytest.mark.parametrize("rate", [Fraction(30), Fraction(30000, 1001)])
def test_each_beat_is_seen_with_its_picture_and_heard_at_its_sample(
    tmp_path: Path, rate: Fraction
) -> None:
    guide = guide_of(steady(4, tempo=133.7, count_in=1), from_s=1.0137)
    sound = sound_of(guide)
    out = tmp_path / "guide.mp4"
    said = make_guide_video(guide, Sound(sound[None], RATE), out, size=SMALL, frame_rate=rate)
    assert said == ()
    frames = pictures_of(out, SMALL)
    # Arithmetic: the beat at t is seen with picture round(t * rate).
    due = [round(beat.guide_s * rate) for beat in guide.beats] + [round(guide.music_to_s * rate)]
    assert changes_in(frames) == due
    heard = sound_in(out)
    assert abs(peak_lag(heard[: sound.size], sound)) < 0.5
    stream = ffprobe(out, "-show_streams", "-count_packets")["streams"][0]
    assert Fraction(stream["r_frame_rate"]) == Fraction(stream["avg_frame_rate"]) == rate
    assert int(stream["nb_read_packets"]) == len(frames) == -(-guide.duration_s * rate // 1)
    assert (stream["width"], stream["height"], stream["pix_fmt"]) == (*SMALL, "yuv420p")


def test_telephones_can_jump_to_any_moment_and_to_sections(tmp_path: Path) -> None:
    guide = guide_of(steady(4, count_in=1))
    out = tmp_path / "guide.mp4"
    make_guide_video(guide, Sound(sound_of(guide)[None], RATE), out, size=SMALL)
    packets = ffprobe(out, "-select_streams", "v:0", "-show_packets")["packets"]
    keys = [float(packet["pts_time"]) for packet in packets if "K" in packet["flags"]]
    assert keys == pytest.approx(np.arange(0.0, guide.duration_s, 2.0), abs=0.001)
    facts = ffprobe(out, "-show_chapters", "-show_format")
    chapters = [
        (round(float(chapter["start_time"]), 3), chapter["tags"]["title"])
        for chapter in facts["chapters"]
    ]
    # A bar of four beats at 120 lasts 2 s; the count-in begins at 1 s.
    assert chapters == [(0.0, "Count-in"), (3.0, "A"), (7.0, "B")]
    assert facts["format"]["tags"]["title"] == "Orchard Round"


@pytest.mark.parametrize("size", [(640, 360), (360, 640)])
def test_the_written_video_does_not_flash(tmp_path: Path, size: tuple[int, int]) -> None:
    bars = [*steady(6, tempo=240.0), BarOf(7, [240, 220, 200, 180], 0, {3: 0.8})]
    guide = guide_of(bars)
    out = tmp_path / "guide.mp4"
    make_guide_video(guide, Sound(sound_of(guide)[None], RATE), out, size=size)
    maps: list[Plane] = [frame[4::8, 4::8].copy() for frame in pictures_of(out, size)]
    assert len(maps) > 200
    assert count_flashes(maps, Fraction(30)) == []


def test_a_picture_that_stays_is_painted_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    guide = guide_of(steady(3, count_in=1))
    painted: list[str] = []
    monkeypatch.setattr(
        "syncvid.picture.beat_drawing.BeatDrawing._paint",
        lambda self, name, content: painted.append(name),
    )
    make_guide_video(guide, Sound(sound_of(guide)[None], RATE), tmp_path / "guide.mp4", size=SMALL)
    # Sixteen beats: beat and row each time, the bar with each bar.
    assert painted.count("beat") == painted.count("row") == len(guide.beats) == 16
    assert painted.count("bar") == 4


def test_sound_that_is_longer_than_its_map_is_heard_to_the_end(tmp_path: Path) -> None:
    guide = guide_of(steady(3, count_in=1))
    longer = np.pad(sound_of(guide), (0, RATE))
    out = tmp_path / "guide.mp4"
    make_guide_video(guide, Sound(longer[None], RATE), out, size=SMALL)
    assert len(pictures_of(out, SMALL)) == round(30 * (guide.duration_s + 1.0))


@pytest.mark.parametrize(
    ("name", "size", "message"),
    [
        ("guide.mov", SMALL, "must be an .mp4"),
        ("guide.mp4", (425, 240), "cannot be 425x240"),
        ("guide.mp4", (64, 36), "cannot be 64x36"),
    ],
)
def test_what_cannot_be_written_is_refused_at_the_door(
    tmp_path: Path, name: str, size: tuple[int, int], message: str
) -> None:
    guide = guide_of(steady(3))
    with pytest.raises(ProductionError, match=message):
        make_guide_video(guide, Sound(sound_of(guide)[None], RATE), tmp_path / name, size=size)
    with pytest.raises(MediaError):
        make_guide_video(guide, Sound(sound_of(guide)[None], RATE), tmp_path / "no" / "g.mp4")
    assert list(tmp_path.iterdir()) == []


def test_stopping_leaves_nothing(tmp_path: Path) -> None:
    guide = guide_of(steady(3))
    stop = threading.Event()
    progress = Progress(lambda event: stop.set() if event.fraction > 0.2 else None, stop)
    with pytest.raises(Cancelled):
        make_guide_video(
            guide, Sound(sound_of(guide)[None], RATE), tmp_path / "g.mp4", size=SMALL,
            progress=progress,
        )  # fmt: skip
    assert list(tmp_path.iterdir()) == []


def test_a_guide_without_sections_has_no_chapters() -> None:
    assert labels_of(map_of(steady(2))).chapters == ()


@pytest.fixture(scope="module")
def conducted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, GuideMap, Audio]:
    """Make a guide, a clip in which it is heard, and one in which nothing is."""
    folder = tmp_path_factory.mktemp("conductor")
    guide = guide_of([*steady(10, tempo=100.0), BarOf(11, [100.0] * 4, 0, {4: 1.0})])
    sound = sound_of(guide)
    soundfile.write(folder / "guide.wav", sound, RATE, subtype="FLOAT")
    rng = np.random.default_rng(1905)
    heard = 0.3 * as_heard_by(sound, Placement(-2.4, 20.0), guide.duration_s + 4.0)
    noise = rng.normal(0, 0.003, heard.size).astype(np.float32)
    write_clip(folder / "conductor.mp4", heard + noise, size=(160, 90))
    write_clip(folder / "free.mp4", noise, size=(160, 90))
    return folder, guide, sound


def conductor_grey(guide_s: float, offset_s: float) -> int:
    """Return the grey of the clip's picture that is due; see `write_clip`."""
    return 40 + (int((guide_s - offset_s) * 25) * 3) % 160


def test_a_conductor_is_placed_by_the_guide_that_is_heard(
    tmp_path: Path, conducted: tuple[Path, GuideMap, Audio]
) -> None:
    folder, guide, sound = conducted
    out = tmp_path / "conducted.mp4"
    said = make_conductor_video(
        folder / "conductor.mp4", folder / "guide.wav", guide, Sound(sound[None], RATE), out,
        size=SMALL, frame_rate=15,
    )  # fmt: skip
    assert all("conductor.mp4" in sentence for sentence in said)
    frames = pictures_of(out, SMALL)
    band = frames[:, 180:]
    due = [round(beat.guide_s * 15) for beat in guide.beats[1:]]
    assert set(due) <= set(changes_in(band))
    for number in range(15, len(frames) - 45, 49):
        # Output picture k shows what is due in its middle; coding is off by a few steps.
        grey = int(np.median(frames[number, 60:120, 190:230]))
        middle_s = (number + 0.5) / 15
        near = [conductor_grey(middle_s + error_s, -2.4) for error_s in (-0.003, 0.0, 0.003)]
        assert min(abs(grey - value) for value in near) <= 3
    assert abs(peak_lag(sound_in(out)[: sound.size], sound)) < 0.5


def test_a_conductor_without_the_guide_is_refused_with_the_reason(
    tmp_path: Path, conducted: tuple[Path, GuideMap, Audio]
) -> None:
    folder, guide, sound = conducted
    with pytest.raises(RenderError, match=r"not to be heard in this clip.*`offset`"):
        make_conductor_video(
            folder / "free.mp4", folder / "guide.wav", guide, Sound(sound[None], RATE),
            tmp_path / "x.mp4", size=SMALL,
        )  # fmt: skip
    assert list(tmp_path.iterdir()) == []


def test_a_conductor_can_be_placed_by_hand(
    tmp_path: Path, conducted: tuple[Path, GuideMap, Audio]
) -> None:
    folder, guide, sound = conducted
    out = tmp_path / "x.mp4"
    make_conductor_video(
        folder / "free.mp4", folder / "guide.wav", guide, Sound(sound[None], RATE), out,
        size=(240, 426), offset_s=-1.0,
        frame_rate=10,
    )  # fmt: skip
    frames = pictures_of(out, (240, 426))
    for number in (15, 100, 207):
        grey = int(np.median(frames[number, 130:150, 110:130]))
        assert abs(grey - conductor_grey((number + 0.5) / 10, -1.0)) <= 3


def test_neither_clip_nor_guide_is_overwritten(
    conducted: tuple[Path, GuideMap, Audio],
) -> None:
    folder, guide, sound = conducted
    with pytest.raises(ProductionError, match="overwrite"):
        make_conductor_video(
            folder / "conductor.mp4", folder / "guide.wav", guide, Sound(sound[None], RATE),
            folder / "conductor.mp4", size=SMALL,
        )  # fmt: skip
