"""Several full takes in one file: a player who let the phone run and played the piece again.

A file's place explains one take.  What lies before or after it in the file, outside of the
reference, can only be something else: talk, a false start, or another take.  It is placed by
itself, and it is a take of its own if its playing covers about the same music.  So rests within
the music, and verses that repeat, are never taken for the borders of takes.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.production.results import Finding, Stretch
from syncvid.signals.levels import measure_rms
from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.sync.spread import Clip
from syncvid.timeline import Placement, to_samples

Place = Callable[[Sequence[Audio]], Sequence[Finding]]
"""Finds the places of sounds, each with the clock of its file."""

Compare = Callable[[Audio, Audio], Finding]
"""Finds the place of a sound in another one: takes of one part are more alike than take and mix."""

# Less playing than this is never taken for another take, in seconds.
SHORTEST_TAKE_S = 10.0

# What a further take must have of the playing of the first one to be tried, and how much of the
# music that either covers both must cover.  A false start covers the beginning alone.
TRIED_SHARE = 0.5
FULL_SHARE = 0.7

# A pause between takes is at least this long; one further away than `_FAR_S` from where the
# reference begins or ends weighs less by this much of the distance.
PAUSE_S = 1.5
_FAR_S = 20.0
_DISTANCE_WEIGHT = 0.3

_BY_THE_FIRST = "Placed by another take in the same file:"

# A stretch placed by itself confirms a place that lies no further away than this, in seconds.
_SAME_PLACE_S = 0.050

# Levels are measured in stretches of this length; playing is what reaches this share of the usual
# strength (-20 dB).
_HOP_S = 0.1
_PLAYING = 0.1

# A file with more takes than these is looked into no further.
_MOST_ROUNDS = 8


@dataclass(frozen=True, slots=True)
class FullTake:
    """One of several takes in a file: the stretch that holds it, and what was found of it."""

    stretch: Stretch
    finding: Finding


@dataclass(frozen=True, slots=True)
class _File:
    """A file's sound and what is known of it."""

    samples: Audio
    levels: Floats

    @property
    def end_s(self) -> float:
        return self.samples.size / ANALYSIS_RATE


@dataclass(frozen=True, slots=True)
class _Piece:
    """A stretch of a file with its place, in clip seconds."""

    from_s: float
    to_s: float
    finding: Finding


def find_full_takes(
    files: Sequence[tuple[Clip, Finding]],
    place: Place,
    compare: Compare,
    *,
    reference_s: float,
) -> list[tuple[FullTake, ...]]:
    """Find the files that hold several full takes.

    Parameters
    ----------
    files : sequence of (Clip, Finding)
        Each file, and what was found of it as a whole.
    place : callable
        Places sounds; called for few files, and then for all of them at once.
    compare : callable
        Places a take by another take in the same file, where the reference does not tell.
    reference_s : float
        Length of the reference.

    Returns
    -------
    list of tuple of FullTake
        For each file: its takes in the order of time, two or more; or none, where the file is
        one take.
    """
    known: dict[int, list[_Piece]] = {}
    measured: dict[int, _File] = {}
    open_ends: list[tuple[int, float, float]] = []
    for index, (clip, finding) in enumerate(files):
        samples = clip.samples
        if not _has_room(samples, finding, reference_s):
            continue
        measured[index] = _File(samples, _levels(samples))
        whole = _Piece(0.0, measured[index].end_s, finding)
        known[index], more = _split(index, measured[index], whole, None, reference_s)
        open_ends += more
    for _ in range(_MOST_ROUNDS):
        if not open_ends:
            break
        open_ends = _next_round(open_ends, known, measured, place, compare, reference_s)
    several = {index: pieces for index, pieces in known.items() if len(pieces) > 1}
    settled = _settle(several, measured, place)
    return [settled.get(index, ()) for index in range(len(files))]


def cut_out(samples: Audio, from_s: float, to_s: float) -> Audio:
    """Return a stretch of a sound with silence around it, on the same clock, shape (samples,)."""
    kept = np.zeros_like(samples)
    begin, end = (to_samples(time_s, ANALYSIS_RATE) for time_s in (from_s, to_s))
    kept[begin:end] = samples[begin:end]
    return kept


def _has_room(samples: Audio, finding: Finding, reference_s: float) -> bool:
    """Tell whether a file goes on long enough outside of the reference to hold another take."""
    if finding.placement is None:
        return False
    begin_s, end_s = _covered(finding.placement, 0.0, samples.size / ANALYSIS_RATE, reference_s)
    longest_s = max(begin_s, samples.size / ANALYSIS_RATE - end_s)
    return longest_s >= max(SHORTEST_TAKE_S, TRIED_SHARE * (end_s - begin_s) / 2)


def _next_round(
    open_ends: list[tuple[int, float, float]],
    known: dict[int, list[_Piece]],
    measured: dict[int, _File],
    place: Place,
    compare: Compare,
    reference_s: float,
) -> list[tuple[int, float, float]]:
    """Place what lies outside of the known takes; returns what is open after that."""
    sounds = [cut_out(measured[index].samples, a_s, b_s) for index, a_s, b_s in open_ends]
    later: list[tuple[int, float, float]] = []
    found = zip(open_ends, sounds, place(sounds), strict=True)
    for (index, from_s, to_s), sound, finding in found:
        file, first = measured[index], known[index][0]
        if finding.placement is None:
            finding = _by_the_first(sound, file, first, compare)
        if finding.placement is None:
            continue
        piece = _Piece(from_s, to_s, finding)
        pieces, more = _split(index, file, piece, first, reference_s)
        if pieces and _same_music(file, pieces[0], first, reference_s):
            known[index] += pieces
            later += more
    return later


def _by_the_first(sound: Audio, file: _File, first: _Piece, compare: Compare) -> Finding:
    """Place a take by the first take that was found in its file."""
    other = compare(sound, cut_out(file.samples, first.from_s, first.to_s))
    known = first.finding.placement
    if other.placement is None or known is None:
        return other
    place = other.placement.then(known)
    return Finding(
        verdict="check",
        confidence=min(first.finding.confidence, other.confidence),
        reason=f"{_BY_THE_FIRST} {other.reason}",
        offset_s=place.offset_s,
        drift_ppm=place.drift_ppm,
        against=first.finding.against,
    )


def _split(
    index: int, file: _File, piece: _Piece, first: _Piece | None, reference_s: float
) -> tuple[list[_Piece], list[tuple[int, float, float]]]:
    """Split a piece into the take that its place explains, and what is left on either side."""
    placement = piece.finding.placement
    assert placement is not None
    begin_s, end_s = _covered(placement, piece.from_s, piece.to_s, reference_s)
    middle_s = (begin_s + end_s) / 2
    # Music that goes on without a pause beyond the reference is no further take.
    begin_s = _cut(file, begin_s, piece.from_s, middle_s, otherwise_s=piece.from_s)
    end_s = _cut(file, end_s, middle_s, piece.to_s, otherwise_s=piece.to_s)
    take = replace(piece, from_s=begin_s, to_s=end_s)
    enough_s = TRIED_SHARE * _playing_s(file, (first or take).from_s, (first or take).to_s)
    left = [(piece.from_s, begin_s), (end_s, piece.to_s)]
    return [take], [
        (index, a_s, b_s)
        for a_s, b_s in left
        if _playing_s(file, a_s, b_s) >= max(SHORTEST_TAKE_S, enough_s)
    ]


def _covered(
    placement: Placement, from_s: float, to_s: float, reference_s: float
) -> tuple[float, float]:
    """Return the part of a stretch that lies inside the reference, in clip seconds."""
    begin_s = min(max(placement.to_clip(0.0), from_s), to_s)
    return begin_s, max(begin_s, min(placement.to_clip(reference_s), to_s))


def _cut(file: _File, near_s: float, from_s: float, to_s: float, *, otherwise_s: float) -> float:
    """Return where to cut near a moment: in the middle of the longest pause that is not far."""
    quiet = file.levels < _PLAYING * _usual(file.levels)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], quiet, [False]]).astype(np.int8)))
    begins_s, ends_s = edges[::2] * _HOP_S, edges[1::2] * _HOP_S
    middles_s = (begins_s + ends_s) / 2
    away_s = np.maximum(0.0, np.maximum(begins_s - near_s, near_s - ends_s))
    usable = (ends_s - begins_s >= PAUSE_S) & (away_s <= _FAR_S)
    usable &= (middles_s > from_s) & (middles_s < to_s)
    worth = np.where(usable, ends_s - begins_s - _DISTANCE_WEIGHT * away_s, 0.0)
    return float(middles_s[int(np.argmax(worth))]) if worth.max(initial=0.0) > 0 else otherwise_s


def _same_music(file: _File, piece: _Piece, first: _Piece, reference_s: float) -> bool:
    """Tell whether the playing of two pieces covers about the same music."""
    one, other = (_music(file, part, reference_s) for part in (piece, first))
    shared_s = min(one[1], other[1]) - max(one[0], other[0])
    return shared_s >= FULL_SHARE * max(one[1] - one[0], other[1] - other[0], SHORTEST_TAKE_S)


def _music(file: _File, piece: _Piece, reference_s: float) -> tuple[float, float]:
    """Return the reference seconds from the first to the last note of a piece."""
    placement = piece.finding.placement
    assert placement is not None
    first, last = (round(time_s / _HOP_S) for time_s in (piece.from_s, piece.to_s))
    notes = np.flatnonzero(file.levels[first:last] >= _PLAYING * _usual(file.levels))
    if not notes.size:
        return 0.0, 0.0
    ends_s = [piece.from_s + int(hop) * _HOP_S for hop in (notes[0], notes[-1] + 1)]
    begin_s, end_s = (placement.to_reference(time_s) for time_s in ends_s)
    return max(0.0, begin_s), min(reference_s, end_s)


def _settle(
    several: dict[int, list[_Piece]], measured: dict[int, _File], place: Place
) -> dict[int, tuple[FullTake, ...]]:
    """Place the first take of each file by itself too: the others were its rivals."""
    sounds = [
        cut_out(measured[index].samples, pieces[0].from_s, pieces[0].to_s)
        for index, pieces in several.items()
    ]
    again = place(sounds) if sounds else ()
    settled = {}
    for (index, pieces), finding in zip(several.items(), again, strict=True):
        pieces[0] = replace(pieces[0], finding=_better(pieces[0].finding, finding))
        settled[index] = _side_by_side(pieces, measured[index].end_s)
    return settled


def _side_by_side(pieces: Sequence[_Piece], end_s: float) -> tuple[FullTake, ...]:
    """Return takes whose stretches fill the file: each goes on until the next one begins."""
    ordered = sorted(pieces, key=lambda piece: piece.from_s)
    borders_s = [0.0, *(round(piece.from_s, 2) for piece in ordered[1:]), round(end_s, 2)]
    return tuple(
        FullTake(Stretch(begin_s, until_s), piece.finding)
        for piece, (begin_s, until_s) in zip(ordered, itertools.pairwise(borders_s), strict=True)
    )


def _better(whole: Finding, alone: Finding) -> Finding:
    """Return what was found of a take by itself if it confirms its place, else as it was."""
    if whole.placement is None or alone.placement is None:
        return whole
    away_s = abs(whole.placement.offset_s - alone.placement.offset_s)
    return alone if away_s < _SAME_PLACE_S else whole


def _levels(samples: Audio) -> Floats:
    """Return the RMS of every `_HOP_S`, shape (hops,)."""
    return measure_rms(samples, hop=to_samples(_HOP_S, ANALYSIS_RATE))


def _usual(levels: Floats) -> float:
    """Return the strength of a sound's louder half."""
    louder = np.sort(levels)[levels.size // 2 :]
    return float(np.sqrt(np.mean(louder**2))) if louder.size else 0.0


def _playing_s(file: _File, from_s: float, to_s: float) -> float:
    """Return for how long there is playing in a stretch of a file, in seconds."""
    hops = file.levels[round(from_s / _HOP_S) : round(to_s / _HOP_S)]
    usual = _usual(file.levels)
    return float(np.count_nonzero(hops >= _PLAYING * usual) * _HOP_S) if usual > 0 else 0.0
