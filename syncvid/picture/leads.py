"""Who leads when, made calm enough to look at: nobody is large for only a moment."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Lead:
    """A stretch of the music in which one voice leads.

    Attributes
    ----------
    from_s, to_s : float
        Reference seconds.
    voice : int
        Who leads: an index into the voices.
    """

    from_s: float
    to_s: float
    voice: int


def follow(
    leads: Sequence[Lead],
    shown: Collection[int],
    from_s: float,
    to_s: float,
    first: int,
    least_s: float,
) -> list[tuple[float, int]]:
    """Say from when on which voice is large, in a stretch of the music.

    Whoever leads stays large until the next one leads.  Turns that are shorter than `least_s` are
    taken away, the shortest first; the longer of their neighbours has their time.

    Parameters
    ----------
    leads : sequence of Lead
        In any order; those of voices that are not shown are passed over.
    shown : collection of int
        The voices that are seen.
    from_s, to_s : float
        The stretch in reference seconds; may be infinite.
    first : int
        The voice that is large before anybody leads.
    least_s : float
        The shortest turn.

    Returns
    -------
    list of (float, int)
        Beginning and voice of each turn, the first at `from_s`; two that follow each other differ.

    Examples
    --------
    >>> leads = [Lead(10.0, 20.0, 1), Lead(20.0, 22.0, 2), Lead(22.0, 60.0, 1)]
    >>> follow(leads, {0, 1, 2}, 0.0, 90.0, 0, 4.0)
    [(0.0, 0), (10.0, 1)]
    """
    turns = [(from_s, first)]
    for lead in sorted(leads, key=lambda lead: lead.from_s):
        if lead.voice in shown and lead.to_s > from_s and lead.from_s < to_s:
            begins_s = max(from_s, lead.from_s)
            if begins_s <= turns[-1][0]:
                turns.pop()
            turns.append((begins_s, lead.voice))
    turns = _joined(turns)
    while len(turns) > 1:
        ends = [*(turn[0] for turn in turns[1:]), to_s]
        lengths = [end - turn[0] for turn, end in zip(turns, ends, strict=True)]
        shortest = min(range(len(turns)), key=lengths.__getitem__)
        if lengths[shortest] >= least_s:
            break
        turns = _without(turns, lengths, shortest)
    return turns


def _without(
    turns: list[tuple[float, int]], lengths: Sequence[float], index: int
) -> list[tuple[float, int]]:
    """Take one turn away; the longer of its neighbours has its time."""
    before = lengths[index - 1] if index else -1.0
    after = lengths[index + 1] if index + 1 < len(turns) else -1.0
    left = turns[:index] + turns[index + 1 :]
    if after > before:
        left[index] = (turns[index][0], turns[index + 1][1])
    return _joined(left)


def _joined(turns: Sequence[tuple[float, int]]) -> list[tuple[float, int]]:
    """Join turns of one voice that follow each other."""
    joined: list[tuple[float, int]] = []
    for turn in turns:
        if not joined or joined[-1][1] != turn[1]:
            joined.append(turn)
    return joined
