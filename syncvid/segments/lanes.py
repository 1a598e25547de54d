"""Lanes: processes that each do one thing after another, behind the interface of an executor.

A lane is a fresh Python process of its own, so a file that breaks a decoder takes one lane down and
nothing else; the next task starts the lane anew.  Unlike `multiprocessing`, a lane does not import
the program's main module again, so a script needs no guard around its body, and it ends by itself
when the parent does, however that comes about.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import struct
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future
from typing import Any, BinaryIO, ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")

LENGTH = struct.Struct("<Q")
"""Stands before every message between a lane's parent and its process."""

# How long a process may take to end by itself before it is killed.
_GRACE_S = 0.3

# What a process last wrote to standard error is kept up to this length for the message.
_LAST_WORDS = 500

# Numerical libraries would start threads of their own in each lane, which only cost memory.
_ONE_THREAD = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"), "1"
)


class LaneBroken(BrokenExecutor):
    """A lane's process died at its task."""


class Lane(Executor):
    """One process that does one task after another; a `concurrent.futures.Executor`."""

    def __init__(self) -> None:
        self._tasks: queue.SimpleQueue[tuple[Future[Any], bytes] | None] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._words: BinaryIO | None = None
        self._closed = False
        self._thread = threading.Thread(target=self._serve, name="lane", daemon=True)
        self._thread.start()

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Give the process a task; function and arguments must be picklable."""
        if self._closed:
            raise RuntimeError("the lane is closed")
        future: Future[T] = Future()
        self._tasks.put((future, pickle.dumps((fn, args, kwargs), pickle.HIGHEST_PROTOCOL)))
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the process: after its tasks, or at once with `cancel_futures`."""
        self._closed = True
        if cancel_futures:
            self._end_process(at_once=True)
        self._tasks.put(None)
        if wait:
            self._thread.join()

    def _serve(self) -> None:
        """Hand over tasks one by one and pass on what comes back."""
        while (task := self._tasks.get()) is not None:
            future, message = task
            if not future.set_running_or_notify_cancel():
                continue
            try:
                good, value = self._exchange(message)
            except (OSError, EOFError, ValueError):
                future.set_exception(LaneBroken(self._last_words()))
                self._end_process(at_once=True)
                continue
            if good:
                future.set_result(value)
            else:
                future.set_exception(value)
        self._end_process(at_once=False)

    def _exchange(self, message: bytes) -> tuple[bool, Any]:
        """Send a task to the process and wait for its answer."""
        with self._lock:
            if self._closed and self._process is None:
                raise EOFError
            process = self._process = self._process or self._start()
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(LENGTH.pack(len(message)) + message)
        process.stdin.flush()
        answer: tuple[bool, Any] = pickle.loads(read_message(process.stdout))
        return answer

    def _start(self) -> subprocess.Popen[bytes]:
        """Start the process; it finds the same modules as this one."""
        paths = [path for path in sys.path if path]
        self._words = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the process
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "syncvid.segments.lane_process"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._words,
            env=os.environ | _ONE_THREAD | {"PYTHONPATH": os.pathsep.join(paths)},
        )

    def _last_words(self) -> str:
        """Return how the process ended and what it last wrote to standard error."""
        with self._lock:
            if self._process is None or self._words is None:
                return "it was stopped"
            try:
                code: int | None = self._process.wait(_GRACE_S)
            except subprocess.TimeoutExpired:
                code = None
            self._words.seek(0)
            words = self._words.read().decode("utf-8", "replace").strip()
        return f"exit status {code}{': ' if words else ''}{words[-_LAST_WORDS:]}"

    def _end_process(self, *, at_once: bool) -> None:
        """End the process: by closing its input, or by a kill at once or if it does not listen."""
        with self._lock:
            process, self._process = self._process, None
            words, self._words = self._words, None
        if process is None:
            return
        if at_once:
            process.kill()
        else:
            _close(process.stdin)
        try:
            process.wait(_GRACE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        # Not before the process has ended: somebody may be waiting for its answer.
        for pipe in (process.stdin, process.stdout, words):
            _close(pipe)


def read_message(pipe: Any) -> bytes:
    """Read one message from a pipe.

    Raises
    ------
    EOFError
        The other side is gone.
    """
    head = pipe.read(LENGTH.size)
    if len(head) < LENGTH.size:
        raise EOFError
    (length,) = LENGTH.unpack(head)
    message = pipe.read(length)
    if len(message) < length:
        raise EOFError
    return bytes(message)


def _close(pipe: Any) -> None:
    """Close a pipe, if there is one; its other side may be gone."""
    with contextlib.suppress(OSError):
        if pipe is not None:
            pipe.close()
