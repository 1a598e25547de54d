"""What is worth knowing where several parts are heard from one clip."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

from syncvid.steps.heard_parts import HeardPart, HeardPassage

# What a stem has once, though several parts may name it.
_ONCE = ("gain_db", "muted", "room_db", "clean")


def shared_clips(parts: Sequence[HeardPart]) -> list[str]:
    """Name wishes that a shared stem cannot follow, and clips that sound twice.

    Parameters
    ----------
    parts : sequence of HeardPart
        What is heard.

    Returns
    -------
    list of str
        Sentences for the user.
    """
    remarks = []
    for one, other in combinations(parts, 2):
        if _heard(one) == _heard(other):
            differ = [
                key for key in _ONCE if getattr(one.wishes, key) != getattr(other.wishes, key)
            ]
            if differ:
                remarks.append(
                    f"{one.name} and {other.name} share one clip: {', '.join(differ)} of "
                    f"{one.name} {'count' if len(differ) > 1 else 'counts'} for both."
                )
        else:
            remarks += [
                f"{file} sounds twice, for {one.name} and {other.name} are heard from it in "
                "different ways: let one of them be muted there, or give both the same passages "
                "and shift."
                for file in dict.fromkeys(_twice(one, other))
            ]
    return remarks


def _heard(part: HeardPart) -> list[tuple[object, ...]]:
    """Return what makes the stem of a part."""
    return [
        (_source(passage), passage.line, passage.from_s, passage.to_s, passage.gain_db)
        for passage in part.passages
    ]


def _source(passage: HeardPassage) -> tuple[str, tuple[float, float]]:
    """Return which sound is heard in a passage."""
    assert passage.entry.sound is not None
    return passage.entry.sound.source.identity, passage.entry.sound.take.stretch_s


def _twice(one: HeardPart, other: HeardPart) -> Iterator[str]:
    """Yield the files from which both parts are heard at the same time."""
    if one.wishes.muted or other.wishes.muted:
        return
    for mine in one.passages:
        for theirs in other.passages:
            together_s = min(mine.to_s, theirs.to_s) - max(mine.from_s, theirs.from_s)
            if _source(mine) == _source(theirs) and together_s > 0.0:
                assert mine.entry.sound is not None
                yield mine.entry.sound.source.file
