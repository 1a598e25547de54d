"""Segments and the finished file: no seams, sound to the sample, plays everywhere."""

from __future__ import annotations

import itertools
import json
import re
import subprocess
from fractions import Fraction
from pathlib import Path

import av
import imageio_ffmpeg
import numpy as np
import pytest
from numpy.typing import NDArray

from syncvid.arrays import Audio
from syncvid.errors import MediaError, RenderError
from syncvid.media.encode import EncodeSettings, SegmentWriter
from syncvid.media.join import join_segments
from syncvid.timeline import to_samples
from tests.coded_pictures import draw, read

SIZE = (192, 108)
SETTINGS = EncodeSettings(preset="ultrafast", crf=16)


class Clicks:
    """Sound with a click at every half second from 0.25 s on; some channels."""

    def __init__(self, duration_s: float, channels: int = 2) -> None:
        self.duration_s = duration_s
        self.samples = np.zeros((channels, round(duration_s * 48_000)), np.float32)
        ring = np.sin(np.arange(480) * 0.9) * np.hanning(480) * 0.7
        for at in range(12_000, self.samples.shape[1] - 480, 24_000):
            self.samples[:, at : at + 480] = ring

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        out = self.samples[:, to_samples(from_s, 48_000) : to_samples(to_s, 48_000)]
        assert sample_rate == 48_000
        return out


def pixels(number: int, size: tuple[int, int] = SIZE) -> NDArray[np.uint8]:
    """Return a whole 4:2:0 picture that says a number."""
    width, height = size
    out = np.full((height * 3 // 2, width), 128, np.uint8)
    out[:height] = draw(number, width, height)
    return out


def write_segments(
    folder: Path, counts: list[int], rate: Fraction, settings: EncodeSettings = SETTINGS
) -> list[tuple[Path, int]]:
    """Write segments whose pictures are numbered through."""
    segments, number = [], 0
    for index, count in enumerate(counts):
        path = folder / f"s{index}.mp4"
        with SegmentWriter(
            path, size=SIZE, frame_rate=rate, settings=settings, key_interval=20
        ) as writer:
            for _ in range(count):
                writer.write(pixels(number))
                number += 1
        segments.append((path, count))
    return segments


def test_heights_that_are_no_multiple_of_four_keep_their_colours(tmp_path: Path) -> None:
    width, height = 192, 110
    canvas = np.full((height * 3 // 2, width), 60, np.uint8)
    u, v = np.split(canvas.reshape(-1)[width * height :], 2)
    u[:], v[:] = 90, 170
    path = tmp_path / "s.mp4"
    with SegmentWriter(
        path, size=(width, height), frame_rate=Fraction(30), settings=SETTINGS, key_interval=20
    ) as writer:
        writer.write(canvas)
    with av.open(str(path)) as container:
        (picture,) = container.decode(video=0)
        assert (picture.width, picture.height) == (width, height)
        planes = picture.to_ndarray().reshape(-1)
    found = np.split(planes, [width * height, width * height * 5 // 4])
    for plane, wanted in zip(found, (60, 90, 170), strict=True):
        assert np.abs(plane.astype(int) - wanted).max() <= 2


def join(
    folder: Path, counts: list[int], rate: Fraction, *, channels: int = 2
) -> tuple[Path, Clicks]:
    """Write a whole video."""
    duration_s = float(sum(counts) / rate)
    sound = Clicks(duration_s, channels)
    out = folder / "out.mp4"
    join_segments(
        write_segments(folder, counts, rate),
        out,
        sound=sound,
        duration_s=duration_s,
        frame_rate=rate,
        settings=SETTINGS,
    )
    return out, sound


def ffmpeg(*arguments: str) -> bytes:
    """Run imageio-ffmpeg's program, a reader of its own build."""
    exe = imageio_ffmpeg.get_ffmpeg_exe()
    command = [exe, "-v", "error", *arguments]
    return subprocess.run(command, capture_output=True, check=True).stdout


@pytest.mark.parametrize("rate", [Fraction(30), Fraction(25), Fraction(30000, 1001)])
def test_another_reader_sees_every_picture_once_in_order(tmp_path: Path, rate: Fraction) -> None:
    counts = [20, 20, 20, 7, 1]
    out, _ = join(tmp_path, counts, rate)
    once_each = ["-fps_mode", "passthrough", "-pix_fmt", "gray", "-f", "rawvideo", "-"]
    raw = ffmpeg("-i", str(out), "-map", "0:v", *once_each)
    pictures = np.frombuffer(raw, np.uint8).reshape(-1, SIZE[1], SIZE[0])
    assert [read(luma) for luma in pictures] == list(range(sum(counts)))


def test_another_reader_finds_no_fault(tmp_path: Path) -> None:
    out, _ = join(tmp_path, [20, 20, 11], Fraction(30))
    exe = imageio_ffmpeg.get_ffmpeg_exe()
    done = subprocess.run(
        [exe, "-v", "warning", "-xerror", "-i", str(out), "-f", "null", "-"],
        capture_output=True,
        check=True,
    )
    assert done.stderr == b""


@pytest.mark.parametrize("rate", [Fraction(30), Fraction(30000, 1001)])
def test_the_rate_is_constant_across_joints(tmp_path: Path, rate: Fraction) -> None:
    out, _ = join(tmp_path, [20, 20, 20, 3], rate)
    with av.open(str(out)) as container:
        stream = container.streams.video[0]
        times = [picture.pts * picture.time_base for picture in container.decode(stream)]
        assert stream.average_rate == rate
    assert times == [k / rate for k in range(63)]
    with av.open(str(out)) as container:
        packets = [p for p in container.demux(video=0) if p.dts is not None]
    dts = [packet.dts for packet in packets]
    assert all(later > earlier for earlier, later in itertools.pairwise(dts))


def test_every_segment_starts_with_a_key_picture(tmp_path: Path) -> None:
    out, _ = join(tmp_path, [20, 20, 20], Fraction(30))
    with av.open(str(out)) as container:
        keys = [
            round(float(packet.pts * packet.time_base) * 30)
            for packet in container.demux(video=0)
            if packet.is_keyframe and packet.pts is not None
        ]
    assert {0, 20, 40} <= set(keys)


def test_key_pictures_are_no_further_apart_than_asked(tmp_path: Path) -> None:
    ((path, _),) = write_segments(tmp_path, [50], Fraction(30))  # asked: every 20
    with av.open(str(path)) as container:
        keys = [i for i, picture in enumerate(container.decode(video=0)) if picture.key_frame]
    assert keys == [0, 20, 40]


def test_codec_colour_and_sound_are_what_plays_everywhere(tmp_path: Path) -> None:
    """ITU-T H.273: 1 is BT.709 in each of the three fields, range 1 is limited."""
    folder = tmp_path / "high"
    folder.mkdir()
    segments = write_segments(folder, [8], Fraction(30), EncodeSettings())
    out = tmp_path / "out.mp4"
    join_segments(
        segments,
        out,
        sound=Clicks(8 / 30),
        duration_s=8 / 30,
        frame_rate=Fraction(30),
        settings=EncodeSettings(),
    )
    with av.open(str(out)) as container:
        video, audio = container.streams.video[0], container.streams.audio[0]
        context = video.codec_context
        assert (context.name, video.profile, context.pix_fmt) == ("h264", "High", "yuv420p")
        assert (context.color_primaries, context.color_trc, context.colorspace) == (1, 1, 1)
        assert context.color_range == 1
        assert audio.codec_context.name == "aac"
        assert (audio.codec_context.sample_rate, audio.codec_context.channels) == (48_000, 2)
    text = subprocess.run(
        [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-i", str(out)],
        capture_output=True,
        text=True,
        check=False,
    ).stderr
    assert re.search(r"h264 \(High\).*yuv420p\(tv, bt709, progressive\)", text), text


def test_the_index_comes_before_the_media(tmp_path: Path) -> None:
    """ISO/IEC 14496-12, 4.2: a box is its size in 4 bytes, its type in 4, its content."""
    out, _ = join(tmp_path, [20], Fraction(30))
    data, at, boxes = out.read_bytes(), 0, []
    while at < len(data):
        boxes.append(data[at + 4 : at + 8].decode("latin-1"))
        at += int.from_bytes(data[at : at + 4], "big")
    assert boxes.index("moov") < boxes.index("mdat")


@pytest.mark.parametrize("channels", [1, 2, 6])
def test_sound_lies_where_it_was_to_the_sample(tmp_path: Path, channels: int) -> None:
    out, sound = join(tmp_path, [20] * 5, Fraction(30), channels=channels)
    raw = ffmpeg("-i", str(out), "-map", "0:a", "-f", "f32le", "-")
    heard = np.frombuffer(raw, np.float32).reshape(-1, 2).T
    wanted = sound.samples.mean(axis=0)
    for channel in heard:
        near = wanted[6_000:150_000]
        scores = {lag: float(channel[6_000 + lag : 150_000 + lag] @ near) for lag in range(-40, 41)}
        assert max(scores, key=lambda lag: scores[lag]) == 0
        assert scores[0] / float(near @ near) == pytest.approx(1.0, abs=0.06)
    assert heard.shape[1] == wanted.size


def test_a_missing_picture_is_noticed(tmp_path: Path) -> None:
    segments = write_segments(tmp_path, [5, 5], Fraction(30))
    out = tmp_path / "out.mp4"
    with pytest.raises(RenderError, match="5 pictures instead of 6"):
        join_segments(
            [segments[0], (segments[1][0], 6)],
            out,
            sound=Clicks(0.4),
            duration_s=0.4,
            frame_rate=Fraction(30),
            settings=SETTINGS,
        )
    assert [path.name for path in sorted(tmp_path.iterdir())] == ["s0.mp4", "s1.mp4"]


def test_segments_of_different_encodings_are_not_joined(tmp_path: Path) -> None:
    folder = tmp_path / "other"
    folder.mkdir()
    one = write_segments(tmp_path, [5], Fraction(30))
    other = write_segments(folder, [5], Fraction(30), EncodeSettings(preset="veryfast"))
    with pytest.raises(RenderError, match="different ways"):
        join_segments(
            one + other,
            tmp_path / "out.mp4",
            sound=Clicks(1 / 3),
            duration_s=1 / 3,
            frame_rate=Fraction(30),
            settings=SETTINGS,
        )


def test_an_encoder_that_refuses_says_so(tmp_path: Path) -> None:
    with pytest.raises(RenderError, match="'warp'"):
        SegmentWriter(
            tmp_path / "s.mp4",
            size=SIZE,
            frame_rate=Fraction(30),
            settings=EncodeSettings(preset="warp"),
            key_interval=20,
        )


def test_a_place_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    segments = write_segments(tmp_path, [5], Fraction(30))
    with pytest.raises(MediaError, match=re.escape(json.dumps("gone").strip('"'))):
        join_segments(
            segments,
            tmp_path / "gone" / "out.mp4",
            sound=Clicks(1 / 6),
            duration_s=1 / 6,
            frame_rate=Fraction(30),
            settings=SETTINGS,
        )


@pytest.mark.parametrize(
    "name", ["-dash first.mp4", "take2:final.mp4", "100%d %03d.mp4", "東京 🎻.mp4"]
)
def test_awkward_names_can_be_written(tmp_path: Path, name: str) -> None:
    segments = write_segments(tmp_path, [5], Fraction(30))
    join_segments(
        segments,
        tmp_path / name,
        sound=Clicks(1 / 6),
        duration_s=1 / 6,
        frame_rate=Fraction(30),
        settings=SETTINGS,
    )
    assert (tmp_path / name).stat().st_size > 1000
