"""All stems together: each at its gain and place, and the one room around them."""

from __future__ import annotations

import mmap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio
from syncvid.mix.panning import place
from syncvid.mix.reverb import memory_samples, reverb_in_part, reverberate, wet_gain
from syncvid.mix.tone import filtered, margin_samples
from syncvid.progress import SILENT, Progress

# Stems are added in stretches of so many samples: what lies between stays small.
_BLOCK = 480_000


@dataclass(frozen=True, slots=True)
class Strand:
    """One stem in the sum.

    Attributes
    ----------
    samples : ndarray, shape (1 or 2, samples), float32
        The stem; it may lie on disk, and is read where it is needed.
    gain : float
        Factor on its samples.
    pan : float
        -1 left to 1 right.
    tone : ndarray, shape (taps,), float32, or None
        A symmetric filter that changes its tone.
    room : float
        Factor on what it sends to the room, against the others.
    """

    samples: Audio
    gain: float = 1.0
    pan: float = 0.0
    tone: Audio | None = None
    room: float = 1.0


@dataclass(frozen=True, slots=True)
class Room:
    """The room that all stems share.

    Attributes
    ----------
    response : ndarray, shape (2, samples), float32
        Its impulse response, as `syncvid.mix.rooms` makes it.
    under_db : float
        By how much its sound lies under the dry one.
    predelay_s, low_cut_hz : float
        How long it waits; below which frequency it is silent.
    """

    response: Audio
    under_db: float
    predelay_s: float = 0.02
    low_cut_hz: float = 150.0

    def gain(self, sample_rate: int) -> float:
        """Return the factor on its sound."""
        return wet_gain(
            self.response,
            sample_rate=sample_rate,
            under_db=self.under_db,
            low_cut_hz=self.low_cut_hz,
        )


def mix_down(
    strands: Sequence[Strand],
    room: Room | None,
    *,
    sample_rate: int,
    progress: Progress = SILENT,
) -> Audio:
    """Add up whole stems and their room.

    Parameters
    ----------
    strands : sequence of Strand
        At least one, all equally long.
    room : Room or None
        None: dry.
    sample_rate : int
        In Hz.
    progress : Progress
        Told how far it is.

    Returns
    -------
    ndarray, shape (2, samples), float32
        As long as the stems, and as the room goes on sounding.
    """
    length = max(strand.samples.shape[1] for strand in strands)
    dry, send = _sums(strands, 0, length, progress)
    if room is None:
        return dry
    wet = reverberate(
        send,
        room.response,
        sample_rate=sample_rate,
        predelay_s=room.predelay_s,
        low_cut_hz=room.low_cut_hz,
    )
    wet *= np.float32(room.gain(sample_rate))
    wet[:, :length] += dry
    return wet


def mix_excerpt(
    strands: Sequence[Strand],
    room: Room | None,
    *,
    first: int,
    last: int,
    sample_rate: int,
) -> tuple[Audio, Audio]:
    """Return an excerpt as it is in the whole, and the same without the room.

    Parameters
    ----------
    strands, room, sample_rate
        As for `mix_down`.
    first, last : int
        Which samples of the stems.

    Returns
    -------
    (ndarray, ndarray), each of shape (2, last - first), float32
    """
    if room is None:
        dry, _ = _sums(strands, first, last, SILENT)
        return dry, dry
    lead = memory_samples(room.response, sample_rate=sample_rate, predelay_s=room.predelay_s)
    lead = min(first, lead)
    dry, send = _sums(strands, first - lead, last, SILENT)
    wet = reverb_in_part(
        send,
        room.response,
        sample_rate=sample_rate,
        lead=lead,
        predelay_s=room.predelay_s,
        low_cut_hz=room.low_cut_hz,
    )
    dry = dry[:, lead:]
    return dry + wet * np.float32(room.gain(sample_rate)), dry


def _sums(
    strands: Sequence[Strand], first: int, last: int, progress: Progress
) -> tuple[Audio, Audio]:
    """Return the dry sum of some samples, and what all together send to the room."""
    dry = np.zeros((2, max(0, last - first)), np.float32)
    # Where all send alike the room hears the dry sum itself.
    alike = all(strand.room == 1.0 for strand in strands)
    send = dry if alike else np.zeros_like(dry)
    for begin in range(first, last, _BLOCK):
        progress.advance(begin - first, last - first, "mixing")
        end = min(begin + _BLOCK, last)
        for strand in strands:
            placed = _block(strand, begin, end)
            there = slice(begin - first, begin - first + placed.shape[1])
            dry[:, there] += placed
            if not alike:
                send[:, there] += placed * np.float32(strand.room)
            _let_go(strand.samples)
    return dry, send


def _let_go(samples: Audio) -> None:
    """Let the system forget what was read of a stem on disk: it is not asked for again soon."""
    mapped = getattr(samples, "_mmap", None)
    if mapped is not None and hasattr(mmap, "MADV_DONTNEED"):
        mapped.madvise(mmap.MADV_DONTNEED)


def _block(strand: Strand, begin: int, end: int) -> Audio:
    """Return some samples of a stem at its gain and place, on two channels."""
    margin = margin_samples(strand.tone) if strand.tone is not None else 0
    low, high = max(0, begin - margin), min(strand.samples.shape[1], end + margin)
    samples = np.asarray(strand.samples[:, low : max(low, high)], np.float32)
    if strand.tone is not None:
        samples = filtered(samples, strand.tone)
    return place(samples[:, begin - low : end - low] * np.float32(strand.gain), strand.pan)
