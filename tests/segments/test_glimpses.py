"""Flashes of a finished video are told, whether its segments are new or kept."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from syncvid.picture import Composition, Voice, compose
from syncvid.production.layouts import Layout
from syncvid.segments import RenderSummary, render_video
from syncvid.segments.glimpses import glimpses_path, keep_glimpses, read_glimpses, tell_flashes
from tests.segments.films import QUICK, RATE, SIZE, Silence, piece_of, quartet


@pytest.fixture(scope="module")
def flickering(tmp_path_factory: pytest.TempPathFactory) -> Composition:
    """One voice, four seconds; from 1 s to 3 s its whole picture flickers at 10 Hz."""
    path = tmp_path_factory.mktemp("flicker") / "lamp.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30, options={"preset": "ultrafast"})
        assert isinstance(stream, av.VideoStream)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        for k in range(120):
            pixels = np.full((SIZE[1] * 3 // 2, SIZE[0]), 128, np.uint8)
            pixels[: SIZE[1]] = 210 if k % 3 or not 30 <= k < 90 else 40
            container.mux(stream.encode(av.VideoFrame.from_ndarray(pixels, "yuv420p")))
        container.mux(stream.encode(None))
    voices = [Voice("Lamp", "Lamp", (piece_of(path),))]
    return compose(voices, Layout("full"), size=SIZE, frame_rate=RATE, duration_s=4.0)


def render(composition: Composition, folder: Path) -> RenderSummary:
    sound = Silence(composition.duration_s)
    return render_video(composition, sound, folder / "out.mp4", work=folder, settings=QUICK)


def test_a_flickering_clip_is_told_also_from_the_cache(
    flickering: Composition, tmp_path: Path
) -> None:
    """WCAG 2.2, 2.3.1: three flashes in a second are the most."""
    for reused in (0, 2):
        summary = render(flickering, tmp_path)
        assert summary.reused == reused
        assert len(summary.notes) == 1
        assert summary.notes[0].startswith("From 0:01.0 to 0:03.0 of the video 9")


def test_players_do_not_flash(tmp_path: Path) -> None:
    assert render(quartet(tmp_path, seconds=3.0), tmp_path).notes == ()


def test_maps_come_back_as_they_were_kept(tmp_path: Path, rng: np.random.Generator) -> None:
    maps = list(rng.integers(0, 256, (7, 5, 9), np.uint8))
    keep_glimpses(tmp_path / "a.mp4", maps)
    read = read_glimpses(tmp_path / "a.mp4")
    assert read is not None
    assert np.array_equal(read, np.stack(maps))


def test_lost_maps_hide_nothing_of_the_others(tmp_path: Path) -> None:
    flicker = [np.full((4, 4), 235 if k // 3 % 2 else 16, np.uint8) for k in range(60)]
    files = [(tmp_path / f"{name}.mp4", 60) for name in "abc"]
    for path, _ in files:
        keep_glimpses(path, flicker)
    glimpses_path(files[1][0]).write_bytes(b"no maps")
    first, second = tell_flashes(files, Fraction(30))
    assert first.startswith("From 0:00.1 to 0:01.9 ")
    assert second.startswith("From 0:04.1 to 0:05.9 ")
