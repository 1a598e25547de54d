"""The demo, from end to end, judged by the truth that was written when its clips were made."""

from __future__ import annotations

import itertools
import json
import subprocess
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import imageio_ffmpeg
import numpy as np
import pytest
from scipy import signal

from syncvid.media.check_sound import measure_file
from syncvid.media.probe import probe
from syncvid.media.sound import read_sound
from syncvid.steps import DemoOutcome, run_demo
from syncvid.steps.demo import demo_media

pytestmark = pytest.mark.slow

SIZE = (1280, 720)
RATE = Fraction(30)

# Within half of this around a change of take two pictures are seen at once: layouts/grid.toml.
TAKE_DISSOLVE_S = 0.25


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> DemoOutcome:
    return run_demo(tmp_path_factory.mktemp("demo") / "syncvid demo")


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return json.loads((demo_media() / "truth.json").read_text(encoding="utf-8"))


def test_every_clip_that_belongs_is_within_two_milliseconds(
    demo: DemoOutcome, truth: dict[str, Any]
) -> None:
    found = {Path(clip.file).name: clip.finding for clip in demo.rendered.result.clips}
    assert set(found) == {clip["file"] for clip in truth["clips"]}
    for clip in truth["clips"]:
        finding = found[clip["file"]]
        if not clip["belongs"]:
            assert finding.verdict == "none"
            continue
        assert finding.placement is not None, clip["file"]
        assert abs(finding.placement.drift_ppm - clip["drift_ppm"]) < 3.0, clip["file"]
        heard = [(s["clip_from_s"], s["clip_to_s"]) for s in clip["spans"]] or [
            (clip["overlap_from_s"], clip["overlap_to_s"])
        ]
        for at_s in itertools.chain.from_iterable(heard):
            true_s = clip["offset_s"] + at_s * (1 + clip["drift_ppm"] * 1e-6)
            assert abs(finding.placement.to_reference(at_s) - true_s) < 0.002, clip["file"]


def test_spliced_takes_are_found_where_the_mix_uses_them(
    demo: DemoOutcome, truth: dict[str, Any]
) -> None:
    found = {Path(clip.file).name: clip.finding for clip in demo.rendered.result.clips}
    flutes = [clip for clip in truth["clips"] if clip["part"] == "Flute"]
    assert len(flutes) == 2
    for clip in flutes:
        spans = found[clip["file"]].spans
        edges = [(span.clip_from_s, span.clip_to_s) for span in spans]
        expected = [(span["clip_from_s"], span["clip_to_s"]) for span in clip["spans"]]
        # 250 ms: what a viewer of the tile would notice as playing on too long.
        assert np.array(edges) == pytest.approx(np.array(expected), abs=0.25), clip["file"]


@dataclass(frozen=True)
class Panel:
    """Where the counter of a clip lies in a tile, in output pixels: middles of its cells."""

    columns: Any
    rows: Any
    reach: tuple[int, int]

    def read(self, luma: Any) -> int:
        """Read the Gray-coded number of the source picture that is shown."""
        dx, dy = self.reach
        bits = [
            int(luma[y - dy : y + dy + 1, x - dx : x + dx + 1].mean() > 126)
            for y in self.rows
            for x in self.columns
        ]
        return int("".join(map(str, itertools.accumulate(bits, lambda a, b: a ^ b))), 2)


def panel_of(clip: dict[str, Any], tile: dict[str, Any]) -> Panel:
    """Follow a clip's picture into its tile, as the report says that it is cut.

    The picture covers a rectangle; zoomed, the focus comes to lie in the middle as far as the
    picture reaches; otherwise it keeps its place.
    """
    width, height, counter = clip["width"], clip["height"], clip["counter"]
    rect, zoom = tile["picture"], tile["zoom"]
    scale = max(rect["w"] / width, rect["h"] / height) * zoom
    corner = []
    for focus, whole, kept in zip(
        tile["focus"], (width * scale, height * scale), (rect["w"], rect["h"]), strict=True
    ):
        begin = focus * whole - kept / 2 if zoom > 1.0 else focus * (whole - kept)
        corner.append(min(max(begin, 0.0), whole - kept))
    columns = counter["first_x"] + counter["pitch_x"] * np.arange(counter["columns"])
    rows = counter["first_y"] + counter["pitch_y"] * np.arange(counter["rows"])
    return Panel(
        np.rint(rect["x"] - corner[0] + columns * width * scale - 0.5).astype(int),
        np.rint(rect["y"] - corner[1] + rows * height * scale - 0.5).astype(int),
        (
            max(1, int(counter["pitch_x"] * width * scale / 5)),
            max(1, int(counter["pitch_y"] * height * scale / 5)),
        ),
    )


def luma_pictures(path: Path) -> Any:
    """Yield every picture's luma, read by a second reader."""
    width, height = SIZE
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", str(path)]
    command += ["-f", "rawvideo", "-pix_fmt", "gray", "-"]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        while len(raw := process.stdout.read(width * height)) == width * height:
            yield np.frombuffer(raw, np.uint8).reshape(height, width)
        process.stdout.close()


def picture_starts_s(path: Path) -> Any:
    """Return the presentation time of every picture of a file, in its own clip seconds."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        starts = sorted(
            Fraction(packet.pts) * packet.time_base
            for packet in container.demux(stream)
            if packet.pts is not None
        )
    zero = probe(path).zero
    return np.array([float(start - zero) for start in starts])


def test_every_output_picture_shows_the_source_picture_that_is_due(
    demo: DemoOutcome, truth: dict[str, Any]
) -> None:
    report = json.loads(demo.rendered.out.with_suffix(".json").read_text())
    clips = {clip["file"]: clip for clip in truth["clips"]}
    found = {Path(c.file).name: c.finding.placement for c in demo.rendered.result.clips}
    tiles = [(Path(tile["file"]).name, tile) for tile in report["tiles"]]
    # The mix is spliced from two takes of the flute: their tiles share a place, in turn.
    assert len({(tile["x"], tile["y"]) for _, tile in tiles}) == 6
    one, other = (tile for _, tile in tiles if tile["part"] == "Flute")
    assert one["to_s"] <= other["from_s"] + 1e-6
    panels = {name: panel_of(clips[name], tile) for name, tile in tiles}
    starts = {name: picture_starts_s(demo_media() / name) for name, _ in tiles}
    compared = 0
    wrong = []
    for index, luma in enumerate(luma_pictures(demo.rendered.out)):
        middle_s = float((index + Fraction(1, 2)) / RATE)
        for name, tile in tiles:
            if not tile["from_s"] <= middle_s < tile["to_s"]:
                continue
            changes = (one["to_s"], other["from_s"]) if tile["part"] == "Flute" else ()
            if any(abs(middle_s - at_s) <= TAKE_DISSOLVE_S / 2 for at_s in changes):
                continue
            clip_s = found[name].to_clip(middle_s)
            due = int(np.searchsorted(starts[name], clip_s + 1e-9, side="right")) - 1
            shown = panels[name].read(luma)
            compared += 1
            if shown != due:
                wrong.append((name, index, shown, due))
    assert not wrong, f"{len(wrong)} of {compared}, such as {wrong[:5]}"
    assert compared > 5 * 1500


def test_the_sound_is_the_mix_to_the_sample(demo: DemoOutcome) -> None:
    heard = read_sound(probe(demo.rendered.out)).samples
    mix = read_sound(probe(demo_media() / "mix.flac")).samples
    for begin in (0, mix.shape[1] - 10 * 48_000):
        one, other = (s[0, begin : begin + 9 * 48_000] for s in (heard, mix))
        tall = signal.correlate(one, other, mode="full", method="fft")
        assert int(tall.argmax()) - (other.size - 1) == 0
        assert np.corrcoef(one, other)[0, 1] > 0.99


def test_the_file_is_what_players_everywhere_can_show(demo: DemoOutcome) -> None:
    data = demo.rendered.out.read_bytes()
    # ISO/IEC 14496-12: the table of the file stands before its data.
    assert 0 < data.find(b"moov") < data.find(b"mdat")
    with av.open(str(demo.rendered.out)) as container:
        video, audio = container.streams.video[0], container.streams.audio[0]
        context = video.codec_context
        assert (context.name, context.profile, context.pix_fmt) == ("h264", "High", "yuv420p")
        # ITU-T H.273: BT.709 is 1 in all three; range 1 is limited.
        assert (context.color_primaries, context.color_trc, context.colorspace) == (1, 1, 1)
        assert context.color_range == 1
        assert video.average_rate == RATE
        assert (audio.codec_context.name, audio.rate, audio.channels) == ("aac", 48_000, 2)


def test_a_second_run_makes_nothing_again(demo: DemoOutcome) -> None:
    folder = demo.material.folder
    assert folder is not None
    again = run_demo(folder)
    assert again.rendered.skipped
    assert again.preview.rendered is not None
    assert again.preview.rendered.skipped


def test_the_preview_and_the_sheet_are_there(demo: DemoOutcome) -> None:
    assert demo.preview.video is not None
    with av.open(str(demo.preview.video)) as container:
        assert container.streams.video[0].height == 360
    sheet = demo.preview.sheet.read_text(encoding="utf-8")
    for words in ("Orchard Round", "Ines", "Jonah", "IMG_2207.mov"):
        assert words in sheet


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> DemoOutcome:
    return run_demo(tmp_path_factory.mktemp("demo") / "own mix", own_mix=True)


def test_without_a_mix_every_clip_that_belongs_is_placed_by_the_guide(
    own: DemoOutcome, truth: dict[str, Any]
) -> None:
    assert own.rendered.result.reference == "guide"
    found = {Path(clip.file).name: clip.finding for clip in own.rendered.result.clips}
    for clip in truth["clips"]:
        finding = found[clip["file"]]
        if not clip["belongs"]:
            assert finding.verdict == "none"
            continue
        assert finding.verdict == "sure", clip["file"]
        assert finding.offset_s == pytest.approx(clip["guide_offset_s"], abs=0.002), clip["file"]


def test_the_own_mix_is_as_loud_as_asked_by_ffmpegs_meter(own: DemoOutcome) -> None:
    """Web video habit of -14 LUFS, EBU R 128's -1 dBTP; meters may differ by 0.1 (Tech 3341)."""
    assert own.mixed is not None
    written = measure_file(own.mixed.made.files[0])
    assert written.loudness_lufs == pytest.approx(-14.0, abs=0.1)
    assert written.true_peak_dbtp <= -0.9


def test_the_flute_changes_its_take_in_sound_and_picture_near_bar_nine(
    own: DemoOutcome, truth: dict[str, Any]
) -> None:
    """Bars of four quarters at 96: bar 9 begins 20 s after bar 1, which the beat map gives."""
    assert own.mixed is not None
    beats = json.loads((demo_media() / "guide.beats.json").read_text(encoding="utf-8"))
    flute = own.mixed.made.stems[0]
    assert [passage.take for passage in flute.passages] == [1, 2]
    (splice,) = flute.splices
    assert splice.at_s == pytest.approx(beats["music_from_s"] + 20.0, abs=0.3125)
    assert splice.step_ratio is not None
    assert splice.step_ratio <= 1.0
    pieces = own.rendered.cast.voices[0].pieces
    assert [Path(piece.file).name for piece in pieces] == [
        "flute ines 1.mov",
        "Ines_flute_take2.mov",
    ]
    assert pieces[1].from_s == pytest.approx(splice.at_s)


def test_the_video_of_the_own_mix_begins_a_second_before_the_music(own: DemoOutcome) -> None:
    assert own.mixed is not None
    report = json.loads((own.rendered.out.with_suffix(".json")).read_text(encoding="utf-8"))
    made = own.mixed.made
    assert -report["reference_at_s"] == pytest.approx(made.from_s, abs=1 / 30)
    assert report["duration_s"] == pytest.approx(made.to_s - made.from_s, abs=1 / 15)
    beats = json.loads((demo_media() / "guide.beats.json").read_text(encoding="utf-8"))
    assert beats["music_from_s"] - made.from_s == pytest.approx(1.0, abs=0.1)
