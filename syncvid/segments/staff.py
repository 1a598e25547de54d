"""How many processes a render takes: as many as there are cores, and as memory allows."""

from __future__ import annotations

import os
from collections.abc import Sequence

from syncvid.picture.composition import Composition

# All processes of a render together should stay below this.
_MEMORY_BUDGET = 1_400 << 20

# Measured, in bytes: the parent; a worker without clips; and, per pixel, an open H.264 decoder with
# its reference pictures (22 MiB for 1080p), and the encoder with its own (154 MiB at 1080p, and
# room for a second thread).
_PARENT_BYTES, _WORKER_BYTES = 150 << 20, 80 << 20
_DECODER_BYTES_PER_PIXEL, _ENCODER_BYTES_PER_PIXEL = 11, 90


def worker_count(compositions: Sequence[Composition], cores: int) -> int:
    """Return how many processes the memory budget allows for, from 1 to `cores`."""
    allowed = (_MEMORY_BUDGET - _PARENT_BYTES) // _worker_bytes(compositions)
    return min(max(1, allowed), max(1, cores))


def memory_is_short(compositions: Sequence[Composition]) -> bool:
    """Tell whether even one process takes more than the memory budget."""
    return _PARENT_BYTES + _worker_bytes(compositions) > _MEMORY_BUDGET


def _worker_bytes(compositions: Sequence[Composition]) -> int:
    """Return about how much memory a process takes."""
    # The outputs show the same clips; each has an encoder.
    clips = sum(width * height for width, height in _most_at_once(compositions[0]))
    canvases = sum(composition.size[0] * composition.size[1] for composition in compositions)
    return _WORKER_BYTES + _DECODER_BYTES_PER_PIXEL * clips + _ENCODER_BYTES_PER_PIXEL * canvases


def _most_at_once(composition: Composition) -> list[tuple[int, int]]:
    """Return the shape of each tile's largest clip: only one of them is open at a time."""
    return [
        max((piece.shape for piece in voice.pieces), key=lambda shape: shape[0] * shape[1])
        for voice in composition.voices
        if voice.pieces
    ]


def usable_cores() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
