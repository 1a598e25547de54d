"""Making a video fit into a number of megabytes: which settings to try, from what came before.

A step of 6 in crf halves the pictures' bytes, roughly; how large the first try is depends on the
pieces and cannot be known.  So each try corrects the estimate, at a growing distance from the
limit, and the picture is made smaller rather than coarse.
"""

from __future__ import annotations

import contextlib
import math
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from syncvid.errors import RenderError
from syncvid.production.files import system_errors
from syncvid.production.outputs import fit_short_side
from syncvid.timeline import clock_text

MB = 1_000_000
"""Bytes in a megabyte: the smaller of its two meanings, so that a file passes under either."""

MOST_TRIES = 4
"""A fifth try would cost more than it gains."""

# The largest first; below the last one a grid of players cannot be made out.
_SHORT_SIDES_PX = (720, 540, 480, 360, 270, 240)

# Better than 20 is not seen in a small picture; above 33 a smaller picture looks better; above 38
# faces fall apart.
_BEST_CRF, _COARSE_CRF, _WORST_CRF = 20, 33, 38

# Rate of AAC in kbit/s, best first: the first that takes at most this share of the file is used.
_SOUND_KBPS = (128, 112, 96, 80, 64, 48)
_SOUND_SHARE = 0.25

# Measured: 1.6 Mbit/s for nine soft and 5.7 for sixteen sharp noisy tiles, 1080p30 at crf 20.
_USUAL_BPS, _USUAL_CRF = 3_500_000.0, 20

# Bytes of pictures halve for so many steps of crf; and grow with their area to this power.
_HALVING_CRF, _AREA_POWER = 6.0, 0.75

# Halvings between these are believed when two tries show one.
_LEAST_HALVING, _MOST_HALVING = 4.0, 9.0

# Share of the limit that a try aims at, by how many were made before; the last must not miss.
_AIMS = (0.85, 0.9, 0.85, 0.7)

# A try that fills this much of the limit is good enough.
_FULL_ENOUGH = 0.6

# Pictures of almost nothing still take this; less is refused without a try.
_LEAST_PICTURE_BPS = 8_000

# The container's own bytes per second: an index entry for each picture and block of sound.
_INDEX_BPS = 16 * 80.0


@dataclass(frozen=True, slots=True)
class Trial:
    """Settings to be tried.

    Attributes
    ----------
    size : (int, int)
        Width and height in pixels, even.
    crf : int
        Quality of the picture; higher is coarser and smaller.
    sound_kbps : int
        Bit rate of the sound.
    """

    size: tuple[int, int]
    crf: int
    sound_kbps: int


History = Sequence[tuple[Trial, int]]
"""What was tried, each with the bytes that came out."""


def next_settings(
    history: History, limit_bytes: int, *, size: tuple[int, int], duration_s: float
) -> Trial | None:
    """Return what to try next.

    Parameters
    ----------
    history : sequence of (Trial, int)
        What was tried, with the bytes of each file.
    limit_bytes : int
        Most that the file may have.
    size : (int, int)
        Largest size of the picture.
    duration_s : float
        Length of the video.

    Returns
    -------
    Trial or None
        None: the best of those that fit is good enough, or enough was tried.

    Raises
    ------
    RenderError
        Nothing will fit, or nothing of what was tried fits.
    """
    sizes = _sizes(size)
    coarsest = Trial(sizes[-1], _WORST_CRF, _SOUND_KBPS[-1])
    if _is_good(history, limit_bytes, sizes):
        return None
    fits = any(count <= limit_bytes for _, count in history)
    if len(history) >= MOST_TRIES or (coarsest in dict(history) and not fits):
        if fits:
            return None
        raise _hopeless(limit_bytes, history, coarsest, duration_s)
    floor_bps = coarsest.sound_kbps * 1000 + _LEAST_PICTURE_BPS
    if not history and floor_bps * duration_s / 8 > limit_bytes:
        raise _hopeless(limit_bytes, history, coarsest, duration_s)
    aim_bps = limit_bytes * _AIMS[len(history)] * 8 / duration_s
    trial = _aimed(history, aim_bps, sizes, duration_s)
    if trial not in dict(history):
        return trial
    return None if fits else coarsest


@dataclass(frozen=True, slots=True)
class Fitted:
    """A video that fits.

    Attributes
    ----------
    trial : Trial
        How it was made.
    bytes : int
        Its size.
    tries : int
        How many were made.
    """

    trial: Trial
    bytes: int
    tries: int


def fit(
    render: Callable[[Trial, Path], object],
    out: Path,
    *,
    limit_mb: float,
    size: tuple[int, int],
    duration_s: float,
) -> Fitted:
    """Make a video until it fits; keep the best that does, remove the others.

    Parameters
    ----------
    render : callable
        Makes the video with given settings under a given name.
    out : Path
        Where the one that fits is put; nothing is put there if there is none.
    limit_mb : float
        Most that it may have, in 10^6 bytes.
    size : (int, int)
        Largest size of the picture.
    duration_s : float
        Length of the video.

    Returns
    -------
    Fitted

    Raises
    ------
    RenderError
        Nothing fits; the message says what would.
    """
    limit_bytes = int(limit_mb * MB)
    history: list[tuple[Trial, int]] = []
    paths: list[Path] = []
    try:
        while trial := next_settings(history, limit_bytes, size=size, duration_s=duration_s):
            paths.append(out.with_name(f".{out.stem} try {len(paths) + 1}{out.suffix}"))
            render(trial, paths[-1])
            with system_errors(paths[-1]):
                history.append((trial, paths[-1].stat().st_size))
        best = max(
            (index for index, (_, count) in enumerate(history) if count <= limit_bytes),
            key=lambda index: history[index][1],
        )
        with system_errors(out):
            os.replace(paths[best], out)
    finally:
        for path in paths:
            # What cannot be removed was never there; an error on the way says why.
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
    return Fitted(*history[best], tries=len(history))


def _sizes(size: tuple[int, int]) -> tuple[tuple[int, int], ...]:
    """Return the sizes to choose from, the largest first."""
    return tuple(dict.fromkeys((size, *(fit_short_side(size, side) for side in _SHORT_SIDES_PX))))


def _is_good(history: History, limit_bytes: int, sizes: Sequence[tuple[int, int]]) -> bool:
    """Tell whether something fits that fills the limit, or that could not be any better."""
    best = Trial(sizes[0], _BEST_CRF, _SOUND_KBPS[0])
    return any(
        count <= limit_bytes and (count >= _FULL_ENOUGH * limit_bytes or trial == best)
        for trial, count in history
    )


def _aimed(
    history: History, aim_bps: float, sizes: Sequence[tuple[int, int]], duration_s: float
) -> Trial:
    """Return the settings whose file should have so many bits per second."""
    sound_kbps = next(
        (kbps for kbps in _SOUND_KBPS if kbps * 1000 <= _SOUND_SHARE * aim_bps), _SOUND_KBPS[-1]
    )
    picture_bps = max(1.0, aim_bps - sound_kbps * 1000 - _INDEX_BPS)
    crf = _WORST_CRF
    for size in sizes:
        crf = math.ceil(_crf_for(picture_bps, size, history, duration_s))
        if crf <= _COARSE_CRF:
            return Trial(size, max(_BEST_CRF, crf), sound_kbps)
    return Trial(sizes[-1], min(crf, _WORST_CRF), sound_kbps)


def _crf_for(
    picture_bps: float, size: tuple[int, int], history: History, duration_s: float
) -> float:
    """Return the crf at which pictures of a size should have so many bits per second."""
    known = [(trial, _picture_bps(trial, count, duration_s)) for trial, count in history]
    usual = Trial((1920, 1080), _USUAL_CRF, 0), _USUAL_BPS
    # What was tried nearest to what is wanted says most, best of all at the same size.
    base, base_bps = min(
        known or [usual],
        key=lambda entry: (entry[0].size != size, abs(math.log2(entry[1] / picture_bps))),
    )
    area = (size[0] * size[1]) / (base.size[0] * base.size[1])
    halvings = math.log2(base_bps * area**_AREA_POWER / picture_bps)
    return base.crf + halvings * _halving_crf(known, base)


def _halving_crf(known: Sequence[tuple[Trial, float]], base: Trial) -> float:
    """Return how many steps of crf halve the bits: as two tries at a size show, or as usual."""
    base_bps = dict(known).get(base, 0.0)
    for trial, bps in known:
        if trial.size == base.size and trial.crf != base.crf and bps != base_bps:
            shown = (trial.crf - base.crf) / math.log2(base_bps / bps)
            return min(max(shown, _LEAST_HALVING), _MOST_HALVING)
    return _HALVING_CRF


def _picture_bps(trial: Trial, count: int, duration_s: float) -> float:
    """Return the bits per second that the pictures of a file take up."""
    return max(1.0, count * 8 / duration_s - trial.sound_kbps * 1000 - _INDEX_BPS)


def _hopeless(
    limit_bytes: int, history: History, coarsest: Trial, duration_s: float
) -> RenderError:
    """Return the error that says what would do."""
    if coarsest in dict(history):
        least = float(dict(history)[coarsest])
    else:
        # Found by asking which rate the coarsest settings need, by what is known so far.
        picture_bps = 1.0
        while _crf_for(picture_bps, coarsest.size, history, duration_s) > coarsest.crf:
            picture_bps *= 1.05
        least = (picture_bps + coarsest.sound_kbps * 1000 + _INDEX_BPS) * duration_s / 8
    least_mb = math.ceil(least / MB * 1.1 * 10) / 10
    return RenderError(
        f"{clock_text(duration_s, decimals=0)} of video does not fit into {limit_bytes / MB:g} MB.",
        fix=f"Allow about {least_mb:g} MB, or choose an excerpt.",
    )
