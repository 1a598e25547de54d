"""What runs in a lane's process: take a task, do it, answer; end when the parent is gone."""

from __future__ import annotations

import os
import pickle
import queue
import signal
import sys
import threading
from typing import Any, BinaryIO

from syncvid.segments.lanes import LENGTH, read_message


def main() -> None:
    """Serve tasks from standard input until it ends."""
    # The parent decides what an interrupt from the keyboard means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    tasks: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, tasks), daemon=True).start()
    while True:
        answer = _do(tasks.get())
        answers.write(LENGTH.pack(len(answer)) + answer)
        answers.flush()


def _listen(source: BinaryIO, tasks: queue.SimpleQueue[bytes]) -> None:
    """Take in tasks; when the parent is gone, so are we, whatever is being done."""
    try:
        while True:
            tasks.put(read_message(source))
    except (EOFError, OSError):
        os._exit(0)


def _do(message: bytes) -> bytes:
    """Do one task and pack its result, or what it raised."""
    answer: tuple[bool, Any]
    try:
        function, args, kwargs = pickle.loads(message)
        answer = True, function(*args, **kwargs)
    except Exception as exc:  # whatever it is, it belongs to the parent
        answer = False, exc
    return pickle.dumps(answer, pickle.HIGHEST_PROTOCOL)


if __name__ == "__main__":
    main()
