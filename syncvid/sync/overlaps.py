"""Takes of one part in one mix: where both seem to be heard, the stronger evidence decides.

Two takes of the same notes by the same player never sound at once in a mix that was spliced from
them, yet a chord of one may fit the other by chance.  So the frames of the mix are given to one of
them along the cheapest path, which also puts the border between them where the evidence changes
sides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import accumulate

import numpy as np

from syncvid.production.results import Finding
from syncvid.sync.hearing import Heard
from syncvid.sync.presence import HOP_S
from syncvid.sync.spans import Located, bridged, cheapest_path, locate, runs_of, to_spans
from syncvid.timeline import Placement

# Two clips that are both heard during this share of what the shorter one has do sound together:
# a doubling, not two takes.
TOGETHER_SHARE = 0.6

# And each is heard there with this share of the other's evidence at least.
TOGETHER_STRENGTH = 0.5

# A frame of a clip that does not reach so far.
OUTSIDE = -3.0


def resolve_takes(
    findings: Sequence[Finding], clips: Sequence[Heard], reference: Heard
) -> list[Finding]:
    """Settle which take of one part is heard where.

    Parameters
    ----------
    findings : sequence of Finding
        Of all takes of one part, by their own sound.
    clips : sequence of Heard
        Their sounds.
    reference : Heard
        The mix.

    Returns
    -------
    list of Finding
        With spans that do not overlap in the mix, unless two clips plainly sound together.  Those
        without spans are left as they are.
    """
    taken = [index for index, finding in enumerate(findings) if finding.spans]
    if len(taken) < 2:
        return list(findings)
    located = [_located(findings[index], clips[index], reference) for index in taken]
    if any(
        _sound_together(one, other)
        for number, one in enumerate(located)
        for other in located[number + 1 :]
    ):
        return list(findings)
    joint = _joint(located)
    ends = [0, *accumulate(len(one.lines) for one in located)]
    settled = list(findings)
    for number, index in enumerate(taken):
        finding = findings[index]
        spans = to_spans(
            joint,
            clips[index].duration_s,
            finding.drift_ppm or 0.0,
            range(ends[number], ends[number + 1]),
        )
        settled[index] = replace(finding, spans=spans or finding.spans)
    return settled


def _located(finding: Finding, clip: Heard, reference: Heard) -> Located:
    """Return what each frame says of a clip on the lines that were found."""
    drift_ppm = finding.drift_ppm or 0.0
    lines = dict.fromkeys(
        Placement(span.offset_s, drift_ppm if span.drift_ppm is None else span.drift_ppm)
        for span in finding.spans
    )
    ordered = sorted(lines, key=lambda line: line.offset_s != finding.offset_s)
    edges = [
        (at_s, level)
        for span in finding.spans
        for at_s, level in (
            (span.clip_from_s - 1e-3, 0.0),
            (span.clip_from_s, 1.0),
            (span.clip_to_s, 1.0),
            (span.clip_to_s + 1e-3, 0.0),
        )
    ]
    times_s, levels = np.array(sorted(edges)).T
    return locate(clip, reference, ordered, (times_s, levels))


def _sound_together(one: Located, other: Located) -> bool:
    """Return whether two clips are heard at the same time, about as well as each other."""
    first, second = _heard_frames(one), _heard_frames(other)
    shared = np.array(sorted(first & second), np.int64)
    if len(shared) <= TOGETHER_SHARE * max(1, min(len(first), len(second))):
        return False
    weaker, stronger = sorted(
        float(located.gains.max(axis=0)[shared - _first_frame(located)].sum())
        for located in (one, other)
    )
    return weaker > TOGETHER_STRENGTH * stronger


def _heard_frames(located: Located) -> set[int]:
    """Return the numbers of the frames at which a clip is heard."""
    start = _first_frame(located)
    return {start + frame for run in located.runs for frame in range(run.first, run.last)}


def _first_frame(located: Located) -> int:
    """Return the number of a scene's first frame on the grid of the reference."""
    # The middle of frame k lies at k + 1/2 hops: rounding would send it either way.
    return int(float(located.times_s[0]) / HOP_S) if len(located.times_s) else 0


def _joint(located: Sequence[Located]) -> Located:
    """Return all clips' lines in one, of which one at a time is heard."""
    starts = [_first_frame(one) for one in located]
    first = min(starts)
    last = max(start + len(one.times_s) for start, one in zip(starts, located, strict=True))
    gains, expected = [], np.zeros(last - first)
    for start, one in zip(starts, located, strict=True):
        here = slice(start - first, start - first + len(one.times_s))
        rows = np.full((len(one.lines), last - first), OUTSIDE)
        rows[:, here] = one.gains
        gains.append(rows)
        expected[here] = np.maximum(expected[here], one.expected)
    stacked = np.vstack(gains)
    lines = tuple(line for one in located for line in one.lines)
    runs = bridged(runs_of(cheapest_path(stacked)), expected)
    earliest = located[starts.index(first)].times_s[0]
    return Located(lines, runs, earliest + HOP_S * np.arange(last - first), stacked, expected)
