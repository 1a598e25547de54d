"""Where a part changes from one take to another: kept sounds in, places of the cuts out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from syncvid.arrays import Audio
from syncvid.mix.levels import level_between
from syncvid.mix.splices import Splice, find_splice
from syncvid.production.mix_made import MadeSplice
from syncvid.production.store import Store
from syncvid.signals.resampling import MARGIN, read_between
from syncvid.steps.hearing import hear
from syncvid.sync import ANALYSIS_RATE
from syncvid.timeline import Bars, clock_text, to_samples

if TYPE_CHECKING:
    from syncvid.steps.heard_parts import HeardPassage

# A splice is looked for so far on either side of its mark, or over half a beat if that is less.
_ROOM_S = 0.35
_ROOM_BEATS = 0.5

# And so much of the passages on both sides.
_ROOM_SHARE = 0.4

# Sound around a mark that is looked at.
_AROUND_S = 1.5

# Takes are compared in loudness over a passage and so much around it.
_COMPARED_S = 8.0


def join_takes(
    passages: Sequence[HeardPassage], store: Store, bars: Bars | None
) -> tuple[list[HeardPassage], list[MadeSplice]]:
    """Find the splices between passages, and make their takes equally loud.

    Parameters
    ----------
    passages : sequence of HeardPassage
        In the order of time; where they meet is where the plan marks the splice.
    store : Store
        Where sounds are kept.
    bars : Bars or None
        Where the bars lie on the reference.

    Returns
    -------
    (list of HeardPassage, list of MadeSplice)
        The passages, meeting at the splices.
    """
    joined = _levelled(passages, [_step_db(*pair, store) for pair in pairwise(passages)])
    splices = []
    for index, (old, new) in enumerate(pairwise(passages)):
        marked_s = (old.to_s + new.from_s) / 2
        before, after = joined[index], joined[index + 1]
        found = _find(old, new, marked_s, store, bars)
        joined[index] = replace(before, to_s=found.at_s)
        joined[index + 1] = replace(after, from_s=found.at_s)
        splices.append(
            MadeSplice(
                at_s=found.at_s,
                marked_s=marked_s,
                fade_s=found.fade_s,
                law=found.law,
                hidden_in=found.hidden_in,
                place=place_text(found.at_s, bars),
            )
        )
    return joined, splices


def place_text(at_s: float, bars: Bars | None) -> str:
    """Return a moment in words: its bar and beat, or the time."""
    if bars is not None and bars.guide_offset_s is not None:
        # A splice lies a little before the attack that it belongs to.
        beat = bars.beats.at(at_s - bars.guide_offset_s + 0.05)
        if beat is not None:
            return f"bar {beat.bar} beat {beat.beat}"
    return clock_text(at_s, decimals=2)


def _levelled(passages: Sequence[HeardPassage], steps_db: Sequence[float]) -> list[HeardPassage]:
    """Give each take one gain, so that they meet as equally loud as goes.

    The take that is heard longest keeps its level.  What is measured where takes meet contradicts
    itself a little; least squares keep that from adding up over many splices.
    """
    takes = list(dict.fromkeys(passage.entry.recording for passage in passages))
    if len(takes) < 2:
        return list(passages)
    which = [takes.index(passage.entry.recording) for passage in passages]
    rows = np.zeros((len(steps_db), len(takes)))
    for row, (old, new) in enumerate(pairwise(which)):
        rows[row, new] += 1.0
        rows[row, old] -= 1.0
    gains_db = np.linalg.lstsq(rows, np.asarray(steps_db), rcond=None)[0]
    lengths_s = np.bincount(which, [_heard_s(passage) for passage in passages])
    gains_db -= gains_db[int(np.argmax(lengths_s))]
    return [
        replace(passage, gain_db=float(gains_db[take]))
        for passage, take in zip(passages, which, strict=True)
    ]


def _heard_s(passage: HeardPassage) -> float:
    """Return for how long a passage is heard: as far as its recording goes."""
    assert passage.entry.sound is not None
    ends_s = [passage.line.to_reference(at) for at in passage.entry.sound.take.stretch_s]
    return max(0.0, min(passage.to_s, ends_s[1]) - max(passage.from_s, ends_s[0]))


def _step_db(old: HeardPassage, new: HeardPassage, store: Store) -> float:
    """Return by how much the later take is to be raised against the one before it."""
    if old.entry == new.entry:
        return 0.0
    middle_s = (old.to_s + new.from_s) / 2
    begin_s = max(old.from_s, middle_s - _COMPARED_S)
    end_s = min(new.to_s, middle_s + _COMPARED_S)
    sounds = [_sound(passage, store, begin_s, end_s) for passage in (old, new)]
    return level_between(sounds[0], sounds[1], sample_rate=ANALYSIS_RATE)


def _find(
    old: HeardPassage, new: HeardPassage, marked_s: float, store: Store, bars: Bars | None
) -> Splice:
    """Find the splice between two passages."""
    from_s, to_s = marked_s - _AROUND_S, marked_s + _AROUND_S
    sounds = [_sound(passage, store, from_s, to_s) for passage in (old, new)]
    room_s = min(_ROOM_S, _ROOM_BEATS * _beat_s(marked_s, bars))
    # The splices at both ends of a short passage must not meet.
    room_s = min(room_s, _ROOM_SHARE * (new.to_s - marked_s), _ROOM_SHARE * (marked_s - old.from_s))
    return find_splice(
        sounds[0],
        sounds[1],
        sample_rate=ANALYSIS_RATE,
        from_s=from_s,
        marked_s=marked_s,
        room_s=max(0.02, room_s),
    )


def _beat_s(at_s: float, bars: Bars | None) -> float:
    """Return the length of the beat at a moment; endless where beats are not known."""
    if bars is None or bars.guide_offset_s is None:
        return math.inf
    guide_s = at_s - bars.guide_offset_s
    times_s = np.array([beat.guide_s for beat in bars.beats.beats])
    after = int(np.clip(np.searchsorted(times_s, guide_s), 1, times_s.size - 1))
    return float(times_s[after] - times_s[after - 1]) if times_s.size > 1 else math.inf


def _sound(passage: HeardPassage, store: Store, from_s: float, to_s: float) -> Audio:
    """Return a recording's kept sound on the reference, shape (samples,)."""
    sounding = passage.entry.sound
    assert sounding is not None
    kept = hear(sounding.source, store).samples
    begin_s, end_s = sounding.take.stretch_s
    first, last = to_samples(begin_s, ANALYSIS_RATE), to_samples(end_s, ANALYSIS_RATE)
    step = 1.0 / passage.line.rate
    start = passage.line.to_clip(from_s) * ANALYSIS_RATE
    count = to_samples(to_s - from_s, ANALYSIS_RATE)
    low = max(0, first, math.floor(start) - MARGIN)
    high = max(low, min(kept.size, last, math.ceil(start + count * step) + MARGIN))
    cut = kept[np.newaxis, low:high]
    heard: Audio = read_between(cut, start=start - low, step=step, count=count)[0]
    return heard
