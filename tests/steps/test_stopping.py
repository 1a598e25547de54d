"""A render that is stopped from outside: its exit code, its workers, its files, and going on."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import av
import psutil
import pytest

from tests.processes import still_at_work

from .films import LENGTH_S, make_films, write_plan

# Large enough that nobody is done when the first of three segments is.
SIZE, RATE = "1280x720", 60


def ctrl_c(process: subprocess.Popen[str]) -> None:
    """Interrupt as a terminal does: everybody who belongs to the command."""
    os.killpg(process.pid, signal.SIGINT)


STOPS: dict[str, Callable[[subprocess.Popen[str]], None]] = {
    "Ctrl-C": ctrl_c,
    "an interrupt": lambda process: process.send_signal(signal.SIGINT),
    "SIGTERM": lambda process: process.send_signal(signal.SIGTERM),
}


def begin(folder: Path) -> subprocess.Popen[str]:
    """Start a render, in a group of its own."""
    root = Path(__file__).parents[2]
    words = ["render", str(folder), "-o", str(folder / "out.mp4"), "--size", SIZE]
    return subprocess.Popen(
        [sys.executable, "-m", "syncvid", *words, "--fps", str(RATE)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        # Whoever runs the tests in the background has them ignore interrupts, and would pass it on.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        env=os.environ | {"PYTHONPATH": str(root)},
    )


def unfinished(folder: Path) -> list[str]:
    """Return the files that are not whole: parts of segments, of tiles, of the video."""
    ours = ("film", "mix", "production")
    return [
        path.name
        for path in folder.rglob("*")
        if ".part" in path.name or (path.parent == folder and not path.name.startswith(ours))
        if path.name != "work"
    ]


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="needs signals")
@pytest.mark.parametrize("way", STOPS)
def test_a_render_that_is_stopped_leaves_nothing_and_goes_on(way: str, tmp_path: Path) -> None:
    make_films(tmp_path)
    write_plan(tmp_path)
    process = begin(tmp_path)
    try:
        segments = tmp_path / "work" / "segments"
        until_s = time.monotonic() + 120.0
        while not list(segments.glob("*.mp4")):
            assert process.poll() is None, process.communicate()
            assert time.monotonic() < until_s
            time.sleep(0.02)
        workers = psutil.Process(process.pid).children(recursive=True)
        assert workers
        STOPS[way](process)
        _, said = process.communicate(timeout=10.0)
        assert process.returncode == 130, said
        # README: a render that was stopped goes on where it was.
        assert "goes on from what is kept" in said
        assert "Traceback" not in said
        assert not still_at_work(workers)
        assert not unfinished(tmp_path)
        done = len(list(segments.glob("*.mp4")))
        assert 1 <= done < 3
        process = begin(tmp_path)
        told, said = process.communicate(timeout=300.0)
    finally:
        if process.poll() is None:
            process.kill()
            process.communicate()
    assert process.returncode == 0, said
    assert f"({done} of 3 segments were there)" in told
    with av.open(str(tmp_path / "out.mp4")) as container:
        assert sum(1 for _ in container.decode(video=0)) == LENGTH_S * RATE
