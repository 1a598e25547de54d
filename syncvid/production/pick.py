"""Which take does the user mean: by its file, or by part, player and take."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePath

from syncvid.errors import ProductionError
from syncvid.production.instruments import plain


@dataclass(frozen=True, slots=True)
class TakeName:
    """What a take is called: its part, player and number, and its file."""

    part: str
    player: str
    take: int
    file: str


def pick_take(wanted: str, takes: Sequence[TakeName], *, where: str = "") -> int:
    """Find the one take that the user names.

    Parameters
    ----------
    wanted : str
        A file as written or by its last name, or part, player and take in any form in which
        syncvid writes them: ``Viola/2``, ``Viola (Anna), take 2``, ``viola 2``, ``Viola``.
    takes : sequence of TakeName
        The takes to choose from.
    where : str
        The production, for messages.

    Returns
    -------
    int
        Index of the take.

    Raises
    ------
    ProductionError
        The name fits no take, or several.

    Examples
    --------
    >>> pick_take("viola 2", [TakeName("Viola", "", 1, "a.mov"), TakeName("Viola", "", 2, "b.mov")])
    1
    """
    for fits in (
        [at for at, take in enumerate(takes) if take.file == wanted],
        [at for at, take in enumerate(takes) if _last(take.file) == _last(wanted)],
        [at for at, take in enumerate(takes) if _words(wanted) in _ways_to_say(take)],
        [at for at, take in enumerate(takes) if _words(wanted) in _short_ways(take)],
    ):
        if len(fits) == 1:
            return fits[0]
        if fits:
            raise ProductionError(
                f"{wanted!r} could be {len(fits)} takes: {_list(takes, fits)}.",
                where=where,
                fix="Name one of them: part/take, such as Viola/2, or the file.",
            )
    raise ProductionError(
        f"{wanted!r} names no take here.",
        where=where,
        fix=f"Known are {_list(takes, range(len(takes)))}." if takes else "Add clips first.",
    )


def take_label(take: TakeName, among: Sequence[TakeName]) -> str:
    """Return what to type for a take: the shortest of part/take, part player/take, and its file."""
    player = f"{take.part} {take.player}/{take.take}" if take.player else ""
    for label in (f"{take.part}/{take.take}", player):
        same = [other for other in among if _words(label) in _ways_to_say(other)]
        if take.part and label and len(same) == 1:
            return label
    return take.file


def _ways_to_say(take: TakeName) -> set[str]:
    """Return the words by which part, player and take name it."""
    part, player, number = plain(take.part), plain(take.player), str(take.take)
    both = {_words(f"{part} {player}"), _words(f"{player} {part}")}
    return {_words(f"{name} {number}") for name in (*both, part)} if part else set()


def _short_ways(take: TakeName) -> set[str]:
    """Return the words that name it where its part has no other take."""
    part, player = plain(take.part), plain(take.player)
    return {_words(part), _words(player), _words(f"{part} {player}")} - {""}


def _words(text: str) -> str:
    """Return a text as plain words: no marks, no case, without the word take."""
    return " ".join(re.findall(r"[^\W_]+", re.sub(r"\btake\b", " ", plain(text))))


def _last(file: str) -> str:
    """Return the last name of a path."""
    return PurePath(file).name


def _list(takes: Sequence[TakeName], chosen: Sequence[int] | range) -> str:
    """Name takes in a row, so that each can be typed."""
    return ", ".join(f"{take_label(takes[at], takes)!r} ({takes[at].file})" for at in chosen)
