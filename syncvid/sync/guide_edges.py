"""Which guide a clip holds: where the one in it begins and ends, and whether there is playing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.lazily import fft
from syncvid.signals.attacks import Attacks
from syncvid.sync.behind import Background
from syncvid.sync.click_look import (
    HEARD_HEIGHT,
    LOOK,
    correlate_clicks,
    cut_pieces,
    fit_loudness,
    inside,
)
from syncvid.sync.clicks import FEWEST, Clicks
from syncvid.timeline import Placement

# Beats before and after the guide, and at both of its ends, that are looked at: four bars of four.
# So many must be audible and agree, standing out by so much within so many samples.
EDGE_BEATS = 16
EDGE_FEWEST = 3
PRESENT_HEIGHT = 4.5
CLEAR_CLICK = 5.5
EDGE_NEAR = 16

# A clip is the guide itself if its sound is this much like the clicks, and nearly all that begins
# in it begins with one of them.
ALONE_LIKENESS = 0.5
ALONE_SHARE = 0.9
ALONE_RISE_DB = 6.0
ALONE_NEAR_S = 0.03


def compare_edges(behind: Background, clicks: Clicks, line: Placement) -> tuple[int, int]:
    """Compare where the guide in the background begins and ends with the guide that is known.

    Parameters
    ----------
    behind : Background
        The clip.
    clicks : Clicks
        The guide's clicks.
    line : Placement
        Where the clip lies.

    Returns
    -------
    (int, int)
        Beats by which the guide in the background begins earlier and ends later than the known one;
        negative where it begins later and ends earlier; 0 where that cannot be told.
    """
    times, beats = clicks.times_s, np.arange(1, EDGE_BEATS + 1)
    loudness = fit_loudness(correlate_clicks(behind, clicks, line))
    beyond = (
        times[0] - beats * (times[1] - times[0]),
        times[-1] + beats * (times[-1] - times[-2]),
    )
    within = (times[:EDGE_BEATS], times[::-1][:EDGE_BEATS])
    earlier, later = (
        _heard_run(behind, clicks, line, outside, loudness)
        or -_missing_run(behind, clicks, line, covered, loudness)
        for outside, covered in zip(beyond, within, strict=True)
    )
    return earlier, later


def _heard_run(
    behind: Background, clicks: Clicks, line: Placement, guide_s: Floats, loudness: float
) -> int:
    """Return up to which of some times clicks are heard without a gap."""
    expected, heights = _heights_at(behind, clicks, line, guide_s, loudness)
    audible = expected >= PRESENT_HEIGHT
    return _run(audible, audible & (heights >= PRESENT_HEIGHT))


def _missing_run(
    behind: Background, clicks: Clicks, line: Placement, guide_s: Floats, loudness: float
) -> int:
    """Return up to which of some times clicks that must be heard are not."""
    expected, heights = _heights_at(behind, clicks, line, guide_s, loudness)
    audible = expected >= CLEAR_CLICK
    return _run(audible, audible & (heights < HEARD_HEIGHT))


def _heights_at(
    behind: Background, clicks: Clicks, line: Placement, guide_s: Floats, loudness: float
) -> tuple[Floats, Floats]:
    """Return how far a click of any kind would stand out at guide times, and how far one does."""
    expected, heights = np.zeros(len(guide_s)), np.zeros(len(guide_s))
    order = np.argsort(guide_s)
    for kind in range(len(clicks.shapes)):
        tried = replace(clicks, times_s=guide_s[order], kinds=np.full(len(guide_s), kind))
        rows = correlate_clicks(behind, tried, line)
        at = order[inside(behind.sound, tried, line)]
        deviations = np.sqrt(rows.noise)
        near = rows.values[:, LOOK - EDGE_NEAR : LOOK + EDGE_NEAR + 1].max(axis=1, initial=0.0)
        expected[at] = np.maximum(expected[at], loudness * rows.expected / deviations)
        heights[at] = np.maximum(heights[at], near / deviations)
    return expected, heights


def _run(audible: NDArray[np.bool_], right: NDArray[np.bool_]) -> int:
    """Return up to which beat all that could be heard is right, if that are enough."""
    wrong = np.flatnonzero(audible & ~right)
    stop = int(wrong[0]) if len(wrong) else len(audible)
    good = np.flatnonzero(right[:stop])
    return int(good[-1]) + 1 if len(good) >= EDGE_FEWEST else 0


def is_guide_alone(clip: Audio, line: Placement, clicks: Clicks, attacks: Attacks) -> bool:
    """Return whether a clip at a place holds nothing but the guide.

    Parameters
    ----------
    clip : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`.
    line : Placement
        Where it lies.
    clicks : Clicks
        The guide's clicks.
    attacks : Attacks
        What begins in the clip.

    Returns
    -------
    bool
    """
    at_s = line.offset_s + attacks.times_s[attacks.rises_db >= ALONE_RISE_DB] * line.rate
    if len(at_s) < FEWEST:
        return False
    away_s = np.min(np.abs(at_s[:, None] - clicks.times_s), axis=1)
    if float(np.mean(away_s < ALONE_NEAR_S)) < ALONE_SHARE:
        return False
    clip_s, kinds, pieces = cut_pieces(clip, clicks, line)
    size = int(fft.next_fast_len(pieces.shape[1], real=True))
    shapes = np.conj(fft.rfft(clicks.shapes, size, axis=1))
    lags = fft.irfft(fft.rfft(pieces, size, axis=1) * shapes[kinds], size, axis=1)
    tops = np.abs(lags[:, : 2 * LOOK + 1]).max(axis=1, initial=0.0)
    energy = np.sum(pieces**2, axis=1) * np.sum(clicks.shapes**2, axis=1)[kinds]
    likeness = tops / np.sqrt(np.maximum(energy, 1e-20))
    return len(clip_s) >= FEWEST and float(np.median(likeness)) >= ALONE_LIKENESS
