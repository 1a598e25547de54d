"""Work that is spread over many clips: order, progress, workers, stopping."""

from __future__ import annotations

import threading
import time
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import nullcontext

import pytest

from syncvid.errors import Cancelled
from syncvid.progress import Event, Progress
from syncvid.sync.spread import spread


def slow_first(number: int) -> int:
    """Square a number; the first ones take longest."""
    time.sleep(0.004 * (5 - number))
    return number**2


@pytest.mark.parametrize("workers", [0, 1, 4])
def test_order_and_progress_do_not_depend_on_workers(workers: int) -> None:
    events: list[Event] = []
    pool: nullcontext[None] | ThreadPoolExecutor = (
        ThreadPoolExecutor(workers) if workers else nullcontext()
    )
    with pool as executor:
        results = spread(slow_first, range(5), Progress(events.append), executor, "squaring")
    assert results == [0, 1, 4, 9, 16]
    assert [event.fraction for event in events] == pytest.approx([0.2, 0.4, 0.6, 0.8, 1.0])
    assert {event.note for event in events} == {"squaring"}


def test_workers_really_work_side_by_side() -> None:
    """Each of two tasks waits for the other: one after the other they would never end."""
    both = threading.Barrier(2, timeout=5.0)

    def meet(_: int) -> bool:
        return both.wait() >= 0

    with ThreadPoolExecutor(2) as executor:
        assert spread(meet, (0, 1), Progress(), executor) == [True, True]


@pytest.mark.parametrize("workers", [None, ThreadPoolExecutor(2)], ids=["alone", "two"])
def test_an_error_of_one_item_is_raised(workers: Executor | None) -> None:
    def fail(number: int) -> int:
        if number == 2:
            raise ValueError("two")
        return number

    with pytest.raises(ValueError, match="two"):
        spread(fail, range(4), Progress(), workers)


def test_stopping_leaves_the_rest_undone() -> None:
    stop = threading.Event()
    done: list[int] = []

    def stop_at_one(number: int) -> None:
        done.append(number)
        if number == 1:
            stop.set()

    with pytest.raises(Cancelled):
        spread(stop_at_one, range(10), Progress(stop=stop), None)
    assert done == [0, 1]


def test_nothing_to_do_is_done_at_once() -> None:
    assert spread(slow_first, (), Progress(), None) == []
