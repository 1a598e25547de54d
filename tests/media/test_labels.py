"""What a finished video says about itself, read by Debian's ffprobe."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from syncvid.media.labels import Chapter, Labels
from tests.media.video_files import Given, ffprobe, write_video

LABELS = Labels(
    title="Round no. 2 – für vier",
    comment="東京 & friends",
    chapters=(Chapter(3.5, "Trio"), Chapter(0.0, "Opening"), Chapter(99.0, "Gone")),
)
RATES = [Fraction(30), Fraction(24000, 1001), Fraction(60000, 1001)]


@pytest.fixture
def silence() -> Given:
    return Given(np.zeros((2, 48_000 * 5), np.float32))


def test_ffprobe_reads_title_comment_and_chapters(tmp_path: Path, silence: Given) -> None:
    out = write_video(tmp_path, silence, labels=LABELS)
    told = ffprobe(out, "-show_format", "-show_chapters")
    tags = told["format"]["tags"]
    assert (tags["title"], tags["comment"]) == (LABELS.title, LABELS.comment)
    chapters = [(c["start_time"], c["end_time"], c["tags"]["title"]) for c in told["chapters"]]
    assert chapters == [("0.000000", "3.500000", "Opening"), ("3.500000", "5.000000", "Trio")]


@pytest.mark.parametrize("title", ["Round", ""])
def test_a_first_chapter_behind_a_title_stays_there(
    tmp_path: Path, silence: Given, title: str
) -> None:
    labels = Labels(title=title, chapters=(Chapter(1.25, "Verse"),))
    head, verse = ffprobe(write_video(tmp_path, silence, labels=labels), "-show_chapters")[
        "chapters"
    ]
    assert (head["start_time"], head["tags"]["title"]) == ("0.000000", title)
    assert (verse["start_time"], verse["end_time"]) == ("1.250000", "5.000000")
    assert verse["tags"]["title"] == "Verse"


@pytest.mark.parametrize("rate", RATES, ids=str)
def test_ffprobe_sees_streams_that_play_everywhere(
    tmp_path: Path, silence: Given, rate: Fraction
) -> None:
    """ITU-T H.273: BT.709 in each field, limited range; one rate, on average and by tick."""
    out = write_video(tmp_path, silence, frame_rate=rate, labels=LABELS)
    streams = ffprobe(out, "-show_streams")["streams"]
    video, audio = (next(s for s in streams if s["codec_type"] == k) for k in ("video", "audio"))
    assert (video["codec_name"], video["pix_fmt"]) == ("h264", "yuv420p")
    colours = [video[f"color_{field}"] for field in ("primaries", "transfer", "space", "range")]
    assert colours == ["bt709", "bt709", "bt709", "tv"]
    assert Fraction(video["r_frame_rate"]) == Fraction(video["avg_frame_rate"]) == rate
    assert (video["start_time"], audio["start_time"]) == ("0.000000", "0.000000")
    assert (audio["codec_name"], audio["profile"]) == ("aac", "LC")
    assert (audio["sample_rate"], audio["channels"]) == ("48000", 2)
    assert (video["index"], audio["index"]) == (0, 1)
    assert [stream["tags"]["language"] for stream in (video, audio)] == ["und", "und"]


@pytest.mark.parametrize("rate", RATES, ids=str)
def test_ffprobe_sees_the_same_step_from_each_picture_to_the_next(
    tmp_path: Path, silence: Given, rate: Fraction
) -> None:
    out = write_video(tmp_path, silence, frame_rate=rate, labels=LABELS)
    told = ffprobe(out, "-show_packets", "-show_streams", "-select_streams", "v")
    base = Fraction(told["streams"][0]["time_base"])
    times = sorted(Fraction(packet["pts"]) * base for packet in told["packets"])
    assert times == [k / rate for k in range(len(times))]


def test_the_index_comes_first_with_labels_too(tmp_path: Path, silence: Given) -> None:
    """ISO/IEC 14496-12, 4.2: a box is its size in 4 bytes, its type in 4, its content."""
    data = write_video(tmp_path, silence, labels=LABELS).read_bytes()
    at, boxes = 0, []
    while at < len(data):
        boxes.append(data[at + 4 : at + 8])
        at += int.from_bytes(data[at : at + 4], "big")
    assert boxes.index(b"moov") < boxes.index(b"mdat")


def test_the_same_video_made_twice_is_the_same_file(tmp_path: Path, silence: Given) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    one.mkdir()
    other.mkdir()
    first, second = (write_video(f, silence, labels=LABELS) for f in (one, other))
    assert first.read_bytes() == second.read_bytes()
