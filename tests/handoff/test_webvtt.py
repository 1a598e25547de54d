"""WebVTT, read back by a parser written from the standard's text, and by FFmpeg."""

from __future__ import annotations

import html
import math
import re
from pathlib import Path

import av
from hypothesis import given
from hypothesis import strategies as st

from syncvid.handoff.webvtt import Cue, chapters_webvtt, webvtt

Row = tuple[float, float, str]

TIMES = re.compile(
    r"^(?:(\d{2,}):)?([0-5]\d):([0-5]\d)\.(\d{3})[ \t]+-->[ \t]+"
    r"(?:(\d{2,}):)?([0-5]\d):([0-5]\d)\.(\d{3})$"
)


def seconds(hours: str | None, minutes: str, whole: str, thousandths: str) -> float:
    return int(hours or 0) * 3600 + int(minutes) * 60 + int(whole) + int(thousandths) / 1000


def parse(text: str) -> list[Row]:
    """Read a file as in W3C WebVTT, section 6.1 (parser) and 4.1 (syntax), strictly.

    Lines end with CR LF, LF or CR; the head is a line of its own and an empty one; a block ends at
    an empty line; its first line holds the times; the text has no "-->", no bare "&", and no "<".
    """
    lines = re.split("\r\n|\n|\r", text)
    assert lines[0] == "WEBVTT"
    assert lines[1] == ""
    rows: list[Row] = []
    for block in re.split("\n{2,}", "\n".join(lines[2:]).strip("\n")):
        if not block:
            continue
        head, *words = block.split("\n")
        match = TIMES.match(head)
        assert match, head
        assert words
        joined = "\n".join(words)
        assert "-->" not in joined
        assert "<" not in joined
        assert not re.search(r"&(?!amp;|lt;|gt;)", joined)
        begin, end = seconds(*match.groups()[:4]), seconds(*match.groups()[4:])
        assert begin < end
        assert not rows or begin >= rows[-1][0]
        rows.append((begin, end, html.unescape(joined)))
    return rows


def test_times_of_the_standard() -> None:
    """Facts VD14 and VD15: 3661.5 s is 01:01:01.500; 59.9996 s is rounded, then carried."""
    text = webvtt([Cue(59.9996, 3661.5, "x")], duration_s=1e5)
    assert text == "WEBVTT\n\n00:01:00.000 --> 01:01:01.500\nx\n"


def test_a_file_without_cues_is_still_a_file() -> None:
    assert parse(webvtt([], duration_s=10.0)) == []


def test_hostile_words_come_back_as_they_were() -> None:
    words = "1 --> 2 & <b>3</b> &amp; Ünïcødé 東京 -->\nsecond line"
    assert parse(webvtt([Cue(1.0, 2.0, words)], duration_s=9.0)) == [(1.0, 2.0, words)]


def test_line_ends_of_all_kinds_and_empty_lines_do_not_end_a_cue() -> None:
    text = webvtt([Cue(0.0, 1.0, "a\r\n\r\nb\rc\n \nd\n")], duration_s=9.0)
    assert parse(text) == [(0.0, 1.0, "a\nb\nc\nd")]


def test_cues_may_overlap_and_are_put_in_order() -> None:
    cues = [Cue(2.0, 5.0, "late"), Cue(0.5, 4.0, "early"), Cue(0.5, 1.0, "with it")]
    assert [row[2] for row in parse(webvtt(cues, duration_s=9.0))] == ["early", "with it", "late"]


def test_what_lies_outside_of_the_video_is_cut_off() -> None:
    cues = [
        Cue(-math.inf, 2.0, "from before"),
        Cue(8.0, math.inf, "to the end"),
        Cue(-3.0, -1.0, "gone"),
        Cue(11.0, 12.0, "gone too"),
        Cue(4.0, 4.0002, "too short"),
        Cue(5.0, 6.0, " \n "),
    ]
    rows = parse(webvtt(cues, duration_s=10.0))
    assert rows == [(0.0, 2.0, "from before"), (8.0, 10.0, "to the end")]


@given(
    st.lists(
        st.tuples(st.floats(0, 400_000), st.floats(0.002, 50), st.text(max_size=60)), max_size=8
    )
)
def test_whatever_the_words_the_file_is_valid_and_none_is_lost(cues: list[Row]) -> None:
    given_cues = [Cue(at, at + length, text) for at, length, text in cues]
    rows = parse(webvtt(given_cues, duration_s=500_000.0))
    wanted = []
    for _, _, text in cues:
        lines = [line.strip() for line in re.split("\r\n|\n|\r", text.replace("\0", "\ufffd"))]
        wanted += ["\n".join(filter(None, lines))] if any(lines) else []
    assert sorted(row[2] for row in rows) == sorted(wanted)


def test_ffmpeg_reads_the_same_cues(tmp_path: Path) -> None:
    path = tmp_path / "round.vtt"
    cues = [Cue(0.25, 2.0, "Flöte & Horn"), Cue(1.5, 3.125, "two\nlines")]
    path.write_text(webvtt(cues, duration_s=9.0), encoding="utf-8", newline="\n")
    with av.open(str(path)) as container:
        packets = [packet for packet in container.demux(subtitles=0) if packet.size]
        read = [
            (float(p.pts * p.time_base), float(p.duration * p.time_base), bytes(p).decode())
            for p in packets
        ]
    assert read == [(0.25, 1.75, "Flöte &amp; Horn"), (1.5, 1.625, "two\nlines")]


def test_chapters_follow_each_other_to_the_end() -> None:
    text = chapters_webvtt([(7.5, "Trio &\nCoda"), (0.0, "Opening")], duration_s=12.0)
    assert parse(text) == [(0.0, 7.5, "Opening"), (7.5, 12.0, "Trio & Coda")]
