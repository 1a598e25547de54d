"""Who leads when, made calm enough to look at: nobody is large for only a moment."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from syncvid.timeline import Lead


def follow(
    leads: Sequence[Lead],
    shown: Collection[int],
    from_s: float,
    to_s: float,
    first: int,
    least_s: float,
) -> list[tuple[float, int]]:
    """Say from when on which voice is large, in a stretch of the music.

    Whoever leads stays large until the next one leads.  Leads that are shorter than `least_s` are
    passed over, the shortest first, so that leads of one voice that they part are one again.

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
    held = _within(leads, shown, from_s, to_s)
    while held:
        shortest = min(held, key=lambda lead: lead.to_s - lead.from_s)
        if shortest.to_s - shortest.from_s >= least_s:
            break
        held = _joined([lead for lead in held if lead is not shortest])
    turns = [(lead.from_s, lead.voice) for lead in held]
    if not turns or (turns[0][0] - from_s >= least_s and turns[0][1] != first):
        return [(from_s, first), *turns]
    return [(from_s, turns[0][1]), *turns[1:]]


def _within(
    leads: Sequence[Lead], shown: Collection[int], from_s: float, to_s: float
) -> list[Lead]:
    """Return the leads of those who are shown, in a stretch, one after the other."""
    clipped = [
        Lead(max(from_s, lead.from_s), min(to_s, lead.to_s), lead.voice)
        for lead in sorted(leads, key=lambda lead: (lead.from_s, lead.to_s))
        if lead.voice in shown and lead.to_s > from_s and lead.from_s < to_s
    ]
    ends = [*(lead.from_s for lead in clipped[1:]), to_s]
    return _joined(
        [replace(lead, to_s=min(lead.to_s, end)) for lead, end in zip(clipped, ends, strict=False)]
    )


def _joined(leads: Sequence[Lead]) -> list[Lead]:
    """Join leads of one voice that follow each other."""
    joined: list[Lead] = []
    for lead in leads:
        if joined and joined[-1].voice == lead.voice:
            joined[-1] = replace(joined[-1], to_s=lead.to_s)
        else:
            joined.append(lead)
    return joined
