"""The engine: right pictures across joints, cache, resuming, stopping, clips that break things."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import psutil
import pytest

from syncvid.errors import Cancelled, RenderError
from syncvid.picture import Composition, Voice, compose, report
from syncvid.production.layouts import Layout
from syncvid.progress import Event, Progress
from syncvid.segments import RenderSummary, render_video
from syncvid.segments import engine as engine_module
from syncvid.segments.staff import memory_is_short, worker_count
from syncvid.timeline import Placement, middle_of_picture_s
from tests.processes import still_at_work
from tests.segments import films
from tests.segments.films import QUICK, RATE, SIZE, Silence, numbers_of, quartet


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("films")


def render(composition: Composition, out: Path, work: Path, **more: object) -> RenderSummary:
    return render_video(
        composition,
        Silence(composition.duration_s),
        out,
        work=work,
        settings=QUICK,
        **more,  # type: ignore[arg-type]
    )


def due(composition: Composition) -> list[list[int]]:
    """Return what each tile must show, from the clock alone: films count 30 pictures a second."""
    rows = []
    for k in range(composition.last):
        reference_s = middle_of_picture_s(k, composition.frame_rate)
        rows.append(
            [
                int(voice.pieces[0].placement.to_clip(reference_s) * 30 + 1e-3)
                if voice.pieces
                else -1
                for voice in composition.voices
            ]
        )
    return rows


def left_behind(folder: Path) -> list[str]:
    """Return what no render leaves in a folder."""
    kept = {".mp4", ".json", ".luma"}
    return [p.name for p in folder.rglob("*") if p.suffix not in kept and p.name != "work"]


def lanes() -> list[psutil.Process]:
    """Return the processes of ours that render."""
    mine = psutil.Process().children(recursive=True)
    return [process for process in mine if "lane_process" in " ".join(process.cmdline())]


def test_every_tile_shows_the_due_picture_across_all_joints(folder: Path, tmp_path: Path) -> None:
    composition = quartet(folder)
    summary = render(composition, tmp_path / "out.mp4", tmp_path / "work")
    assert (summary.segments, summary.reused, summary.pictures) == (4, 0, 210)
    found = numbers_of(tmp_path / "out.mp4", composition)
    wanted = due(composition)
    assert [row[:3] for row in found] == [row[:3] for row in wanted]
    assert not summary.dropped
    assert not summary.notes
    assert not left_behind(tmp_path)
    assert not lanes()


@pytest.mark.parametrize(
    "make",
    [
        lambda: ThreadPoolExecutor(2),
        lambda: ProcessPoolExecutor(1, mp_context=get_context("spawn")),
    ],
    ids=["threads", "a pool of processes"],
)
def test_any_executor_gives_the_same_video(
    folder: Path, tmp_path: Path, make: Callable[[], Executor]
) -> None:
    composition = quartet(folder, seconds=3.0)
    with make() as executor:
        render(composition, tmp_path / "out.mp4", tmp_path / "work", executor=executor)
    found = numbers_of(tmp_path / "out.mp4", composition)
    assert [row[:3] for row in found] == [row[:3] for row in due(composition)]


def test_several_threads_in_a_lane_give_the_same_video(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine_module, "worker_count", lambda compositions, cores: 1)
    monkeypatch.setattr(engine_module, "usable_cores", lambda: 3)
    composition = quartet(folder, seconds=3.0)
    render(composition, tmp_path / "out.mp4", tmp_path / "work")
    found = numbers_of(tmp_path / "out.mp4", composition)
    assert [row[:3] for row in found] == [row[:3] for row in due(composition)]


def test_a_second_render_only_joins(folder: Path, tmp_path: Path) -> None:
    composition = quartet(folder)
    render(composition, tmp_path / "one.mp4", tmp_path / "work")
    again = render(
        composition,
        tmp_path / "two.mp4",
        tmp_path / "work",
        open_clip=films.open_crashing,  # nothing is opened, so it does not matter
    )
    assert again.reused == again.segments == 4
    assert (tmp_path / "one.mp4").read_bytes() == (tmp_path / "two.mp4").read_bytes()


def test_only_the_segments_that_look_different_are_rendered_again(
    folder: Path, tmp_path: Path
) -> None:
    composition = quartet(folder)
    render(composition, tmp_path / "one.mp4", tmp_path / "work")
    first = composition.voices[0]
    # The first clip ends within the second segment (2 to 4 s): all after it changes, too.
    cut = replace(first, pieces=(replace(first.pieces[0], to_s=3.0),))
    ended = replace(composition, voices=(cut, *composition.voices[1:]))
    assert render(ended, tmp_path / "two.mp4", tmp_path / "work").reused == 1
    renamed = (replace(first, label="Another name"), *composition.voices[1:])
    changed = compose(renamed, Layout("grid"), size=SIZE, frame_rate=RATE, duration_s=7.0)
    assert render(changed, tmp_path / "three.mp4", tmp_path / "work").reused == 0


def test_a_longer_piece_keeps_its_beginning(folder: Path, tmp_path: Path) -> None:
    composition = quartet(folder)
    shorter = replace(composition, duration_s=5.0, last=150)
    render(shorter, tmp_path / "one.mp4", tmp_path / "work")
    assert render(composition, tmp_path / "two.mp4", tmp_path / "work").reused == 2


def test_a_lost_segment_is_made_again(folder: Path, tmp_path: Path) -> None:
    composition = quartet(folder)
    render(composition, tmp_path / "out.mp4", tmp_path / "work")
    next((tmp_path / "work").glob("*.mp4")).unlink()
    assert render(composition, tmp_path / "out.mp4", tmp_path / "work").reused == 3


def test_stopping_takes_less_than_a_second_and_leaves_nothing(folder: Path, tmp_path: Path) -> None:
    composition, stop = quartet(folder), threading.Event()
    asked: list[float] = []

    def watch(event: Event) -> None:
        if event.fraction > 0.15 and not asked:
            asked.append(time.monotonic())
            stop.set()

    with pytest.raises(Cancelled):
        render(
            composition,
            tmp_path / "out.mp4",
            tmp_path / "work",
            open_clip=films.open_slowly,
            progress=Progress(watch, stop),
        )
    assert time.monotonic() - asked[0] < 1.0
    assert not left_behind(tmp_path)
    assert not (tmp_path / "out.mp4").exists()
    assert not lanes()


def test_stopping_an_executor_of_the_callers_leaves_nothing(folder: Path, tmp_path: Path) -> None:
    stop = threading.Event()

    def watch(event: Event) -> None:
        if event.fraction > 0.15:
            stop.set()

    with ThreadPoolExecutor(1) as executor, pytest.raises(Cancelled):
        render(
            quartet(folder),
            tmp_path / "out.mp4",
            tmp_path / "work",
            executor=executor,
            open_clip=films.open_slowly,
            progress=Progress(watch, stop),
        )
    assert not left_behind(tmp_path)


def test_stopping_while_joining_leaves_no_half_file(folder: Path, tmp_path: Path) -> None:
    composition, stop = quartet(folder, seconds=3.0), threading.Event()

    def watch(event: Event) -> None:
        if event.note == "joining":
            stop.set()

    with pytest.raises(Cancelled):
        render(composition, tmp_path / "o.mp4", tmp_path / "work", progress=Progress(watch, stop))
    assert not [path for path in tmp_path.iterdir() if path.name != "work"]


def test_progress_only_goes_forward_and_ends_at_one(folder: Path, tmp_path: Path) -> None:
    seen: list[float] = []
    composition = quartet(folder)
    progress = Progress(lambda event: seen.append(event.fraction))
    render(composition, tmp_path / "out.mp4", tmp_path / "work", progress=progress)
    assert seen[-1] == pytest.approx(1.0)
    assert seen == sorted(seen)


KILLED = """
import sys
from pathlib import Path
from tests.segments.films import *
from syncvid.segments import render_video
folder, work = Path(sys.argv[1]), Path(sys.argv[2])
composition = quartet(folder)
print("begun", flush=True)
render_video(composition, Silence(7.0), work.parent / "out.mp4", work=work, settings=QUICK,
             open_clip=open_slowly)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a kill that cannot be caught")
def test_after_a_kill_the_workers_end_and_the_next_render_resumes(
    folder: Path, tmp_path: Path
) -> None:
    composition, work = quartet(folder), tmp_path / "work"
    root = Path(__file__).parents[2]
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(folder), str(work)],
        stdout=subprocess.PIPE,
        cwd=root,
        env=os.environ | {"PYTHONPATH": str(root)},
    )
    assert process.stdout is not None
    try:
        process.stdout.readline()
        _wait_until(lambda: len(list(work.glob("*.mp4"))) >= 1)
        workers = psutil.Process(process.pid).children(recursive=True)
        assert workers
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
    assert not still_at_work(workers)
    assert not (tmp_path / "out.mp4").exists()
    summary = render(composition, tmp_path / "out.mp4", work)
    assert 1 <= summary.reused < summary.segments
    assert not left_behind(tmp_path)
    found = numbers_of(tmp_path / "out.mp4", composition)
    assert [row[:3] for row in found] == [row[:3] for row in due(composition)]


def _with_bad_clip(folder: Path, tmp_path: Path) -> Composition:
    """Let the second film bear the bad name."""
    composition = quartet(folder, seconds=3.0)
    good = composition.voices[1].pieces[0]
    bad_path = tmp_path / films.BAD_NAME
    bad_path.write_bytes(good.path.read_bytes())
    bad = replace(good, path=bad_path, file="clips/bad.mp4", identity="bad")
    voices = (composition.voices[0], Voice("Bad", "Bad", (bad,)), *composition.voices[2:])
    return replace(composition, voices=voices)


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a kill that cannot be caught")
def test_a_clip_that_breaks_the_decoder_becomes_a_card(folder: Path, tmp_path: Path) -> None:
    composition = _with_bad_clip(folder, tmp_path)
    out = tmp_path / "out.mp4"
    summary = render(composition, out, tmp_path / "work", open_clip=films.open_crashing)
    assert [dropped.file for dropped in summary.dropped] == ["clips/bad.mp4"]
    assert "decoder" in summary.dropped[0].reason
    found, wanted = numbers_of(out, composition), due(composition)
    assert [(row[0], row[2]) for row in found] == [(row[0], row[2]) for row in wanted]
    assert [row["file"] for row in report(summary.composition)["tiles"]] == [
        "film0.mp4",
        "film2.mp4",
    ]
    assert not lanes()


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a kill that cannot be caught")
def test_a_broken_pool_is_replaced(folder: Path, tmp_path: Path) -> None:
    composition = _with_bad_clip(folder, tmp_path)
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as executor:
        summary = render(
            composition,
            tmp_path / "out.mp4",
            tmp_path / "work",
            executor=executor,
            open_clip=films.open_crashing,
        )
    assert [dropped.file for dropped in summary.dropped] == ["clips/bad.mp4"]


def test_a_clip_that_cannot_be_read_becomes_a_card(folder: Path, tmp_path: Path) -> None:
    composition = _with_bad_clip(folder, tmp_path)
    summary = render(
        composition, tmp_path / "out.mp4", tmp_path / "work", open_clip=films.open_refusing
    )
    assert summary.dropped == (("clips/bad.mp4", "It is a potato."),)


def test_pictures_that_end_too_early_are_told_also_from_the_cache(
    folder: Path, tmp_path: Path
) -> None:
    composition = quartet(folder, seconds=3.0)
    short = tmp_path / "short.mp4"
    films.write_film(short, [n / 30 for n in range(40)])
    piece = replace(films.piece_of(short), to_s=3.0)
    longer = replace(composition, voices=(Voice("S", "S", (piece,)), *composition.voices[1:]))
    for reused in (0, 2):
        summary = render(longer, tmp_path / "out.mp4", tmp_path / "work")
        assert summary.reused == reused
        assert len(summary.notes) == 1
        assert summary.notes[0].startswith("short.mp4: its pictures end early, at 0:01.3")
    numbers = [row[0] for row in numbers_of(tmp_path / "out.mp4", longer)]
    assert numbers == [min(n, 39) for n in range(90)]


def test_a_clip_with_drift_never_loses_its_place(folder: Path, tmp_path: Path) -> None:
    composition = quartet(folder, seconds=5.0)
    piece = replace(composition.voices[0].pieces[0], placement=Placement(0.0, 9000.0))
    drifting = replace(composition, voices=(Voice("D", "D", (piece,)), *composition.voices[1:]))
    render(drifting, tmp_path / "out.mp4", tmp_path / "work")
    found = numbers_of(tmp_path / "out.mp4", drifting)
    assert [row[0] for row in found] == [row[0] for row in due(drifting)]


def test_processes_that_die_without_a_clip_to_blame_end_the_render(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine_module, "SegmentJob", _die)
    with pytest.raises(RenderError, match="ended 3 times"):
        render(quartet(folder, seconds=3.0), tmp_path / "out.mp4", tmp_path / "work")
    assert not lanes()


def _die(*ignored: object) -> object:
    """Stand in for a job that kills its process when it is unpacked."""
    return _Deadly()


class _Deadly:
    def __reduce__(self) -> tuple[Callable[[int], None], tuple[int]]:
        return os._exit, (7,)


def test_memory_decides_how_many_processes_there_are(folder: Path) -> None:
    composition = quartet(folder)

    def of(count: int, shape: tuple[int, int]) -> Composition:
        piece = replace(composition.voices[0].pieces[0], shape=shape)
        voices = tuple(Voice("A", "A", (piece,)) for _ in range(count))
        return replace(composition, voices=voices, size=(1920, 1080))

    assert worker_count([of(9, (1920, 1080))], 64) == 2
    assert worker_count([of(2, (640, 360))], 2) == 2
    assert worker_count([of(2, (640, 360))], 64) > 2
    assert worker_count([of(40, (3840, 2160))], 64) == 1
    # Where that is too little even for one, the encoder gets a single thread.
    assert memory_is_short([of(64, (1920, 1080))])
    assert not memory_is_short([of(40, (1920, 1080))])


def _wait_until(condition: Callable[[], bool], timeout_s: float = 20.0) -> None:
    """Wait for something that another process does."""
    end = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.02)
