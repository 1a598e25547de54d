"""Between which reference seconds there is music, as far as is known before it is mixed."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from syncvid.production.beats import GuideMap
from syncvid.production.material import Material
from syncvid.production.store import Store
from syncvid.steps.heard_parts import HeardPart, HeardPassage
from syncvid.steps.playing import activity_of

# Before the first beat nobody plays, but some come in early, and breathe; a click or clap of the
# count-in is at least a quarter of a second away.
_EARLY_S = 0.20

# Where it is only known when somebody is heard to play, the first note may lie so far before that.
_BEFORE_PLAYING_S = 0.5

# An attack lies at most so long before the moment at which somebody is known to play.
_ATTACK_S = 0.05

# What dies away is heard for so long after it sank to the level at which nobody is known to play.
_DIES_S = 1.0

# So long the last note may ring on.
_RINGS_S = 8.0


@dataclass(frozen=True, slots=True)
class MusicWindow:
    """Where the music lies on the reference.

    Attributes
    ----------
    from_s, to_s : float
        What is mixed: all clips are silent outside.
    music_s : (float, float)
        Where the music begins and ends, coarsely.
    earliest_s : float
        Before this moment nothing is music, whatever is heard.
    latest_s : float
        After this moment nobody plays any more, and only a room rings on.
    """

    from_s: float
    to_s: float
    music_s: tuple[float, float]
    earliest_s: float
    latest_s: float


def music_window(
    material: Material,
    parts: Sequence[HeardPart],
    guide: GuideMap | None,
    guide_offset_s: float | None,
    reference_s: float,
) -> MusicWindow:
    """Find out where the music lies.

    Parameters
    ----------
    material : Material
        The recordings.
    parts : sequence of HeardPart
        What is heard of them.
    guide : GuideMap or None
        The guide's beats.
    guide_offset_s : float or None
        Where the guide begins on the reference.
    reference_s : float
        Length of the mix or guide; infinite where the clips are the reference.
    """
    ends_s = [
        passage.line.to_reference(passage.entry.sound.take.stretch_s[1])
        for part in parts
        for passage in part.passages
        if passage.entry.sound is not None
    ]
    # A finished mix is as long as its maker wanted; a guide's last bar rings on.
    longest_s = reference_s if material.mix is not None else reference_s + _RINGS_S
    last_s = min(max(ends_s, default=0.0), longest_s)
    played = [times for part in parts for times in _played(part, material.store)]
    if guide is not None and guide_offset_s is not None and guide.music_to_s > guide.music_from_s:
        music_s = (guide_offset_s + guide.music_from_s, guide_offset_s + guide.music_to_s)
        from_s = music_s[0] - _EARLY_S
        first_s = min([music_s[0], *(begin for begin, _ in played if begin > from_s)])
        # What begins after the last bar is talk.
        played = [times for part in parts for times in _played(part, material.store, music_s[1])]
    elif played:
        music_s = (min(begin for begin, _ in played), max(end for _, end in played))
        from_s, first_s = music_s[0] - _BEFORE_PLAYING_S, music_s[0]
    else:
        return MusicWindow(0.0, last_s, (0.0, last_s), 0.0, last_s)
    to_s = max(min(music_s[1] + _RINGS_S, last_s), from_s + 0.1)
    latest_s = max((end for _, end in played), default=to_s) + _DIES_S
    return MusicWindow(from_s, to_s, music_s, first_s - _ATTACK_S, latest_s)


def _played(
    part: HeardPart, store: Store, until_s: float = math.inf
) -> Iterator[tuple[float, float]]:
    """Yield when a part plays: the first and the last moment of each of its passages."""
    for passage in part.passages:
        times = _played_in(passage, store, until_s)
        if times is not None:
            yield times


def _played_in(passage: HeardPassage, store: Store, until_s: float) -> tuple[float, float] | None:
    """Return the first and last moment at which something is played in a passage.

    What begins after `until_s` does not count; what goes on then does.
    """
    sounding = passage.entry.sound
    activity = activity_of(sounding.source, store) if sounding is not None else None
    if sounding is None or activity is None:
        return None
    begin_s, end_s = sounding.take.stretch_s
    heard = activity.on(passage.line)
    times_s = heard.from_s + np.arange(heard.playing.size) * heard.hop_s
    low_s = max(passage.from_s, passage.line.to_reference(begin_s))
    high_s = min(passage.to_s, passage.line.to_reference(end_s))
    inside = np.flatnonzero(heard.playing & (times_s >= low_s) & (times_s < high_s))
    after = np.flatnonzero(~heard.playing & (times_s >= until_s))
    if after.size:
        inside = inside[inside < after[0]]
    if not inside.size:
        return None
    return float(times_s[inside[0]]), float(times_s[inside[-1]] + heard.hop_s)
