"""Lanes: an executor whose process may die without harm."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import psutil
import pytest

from syncvid.errors import Cancelled, MediaError
from syncvid.segments.beacon import Beacon
from syncvid.segments.lanes import Lane, LaneBroken


def _fail() -> None:
    raise MediaError("No good.", where="a.mp4", fix="Try again.")


def _shout_and_die() -> None:
    os.write(1, b"this would disturb\n")
    os.write(2, b"the last words\n")
    os._exit(3)


def test_a_lane_does_tasks_in_one_process() -> None:
    with Lane() as lane:
        futures = [lane.submit(os.getpid) for _ in range(3)]
        pids = {future.result(20) for future in futures}
    assert len(pids) == 1
    assert os.getpid() not in pids
    assert not psutil.pid_exists(pids.pop())


def test_an_exception_comes_back_whole() -> None:
    with Lane() as lane, pytest.raises(MediaError, match="Try again") as caught:
        lane.submit(_fail).result(20)
    assert caught.value.where == "a.mp4"


def test_a_process_that_dies_is_told_with_its_last_words_and_replaced() -> None:
    with Lane() as lane:
        with pytest.raises(LaneBroken, match=r"exit status 3: (.|\n)*the last words"):
            lane.submit(_shout_and_die).result(20)
        assert lane.submit(sum, (1, 2)).result(20) == 3


def test_shutting_down_at_once_ends_a_task_that_does_not_listen() -> None:
    lane = Lane()
    future = lane.submit(time.sleep, 60)
    pid = lane.submit(os.getpid)
    time.sleep(0.3)
    begun = time.monotonic()
    lane.shutdown(cancel_futures=True)
    assert time.monotonic() - begun < 1.0
    with pytest.raises(LaneBroken):
        future.result(0)
    assert pid.done()


def test_no_task_after_the_end() -> None:
    lane = Lane()
    lane.shutdown()
    with pytest.raises(RuntimeError):
        lane.submit(os.getpid)


def test_a_beacon_is_seen_from_both_sides(tmp_path: Path) -> None:
    with Beacon.create(tmp_path / "b", 5) as parent, Beacon(tmp_path / "b") as worker:
        worker.pictures = 70_000
        worker.mark(3, 1)
        assert parent.pictures == 70_000
        assert parent.busy() == [(3, 1)]
        worker.mark(0, 0)
        worker.mark(3, None)
        assert parent.busy() == [(0, 0)]
        worker.check()
        parent.ask_to_stop()
        with pytest.raises(Cancelled):
            worker.check()
        worker.clear()
        assert (parent.pictures, parent.busy()) == (0, [])
        with pytest.raises(Cancelled):
            worker.check()


def test_lanes_work_side_by_side() -> None:
    lanes = [Lane(), Lane()]
    try:
        for future in [lane.submit(os.getpid) for lane in lanes]:
            future.result(20)
        begun = time.monotonic()
        for future in [lane.submit(time.sleep, 0.5) for lane in lanes]:
            future.result(20)
        assert time.monotonic() - begun < 0.95
    finally:
        for lane in lanes:
            lane.shutdown()
    assert threading.active_count() >= 1
