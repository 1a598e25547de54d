"""The signs of bars that change their order: repeats, endings, jumps and what they lead to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Jump(NamedTuple):
    """A jump to a sign.

    Attributes
    ----------
    to : str or None
        Name of the segno or coda, empty where it has none; None: the beginning.
    times : tuple of int
        Which times through it is taken; empty: as is usual.
    """

    to: str | None = None
    times: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Signs:
    """What stands at one bar and changes the order.

    Attributes
    ----------
    forward : bool
        A repeat begins with it.
    passes : int
        A repeat ends with it, whose bars are played so often in all; 0: none does.
    after_jump : bool
        That repeat is taken again after a jump.
    ending : tuple of int or None
        An ending for these times begins with it; empty: it does not say for which.
    ending_stops : bool
        An ending stops with it.
    segno, coda : str or None
        Name of the sign at its beginning, which may be empty; None: there is none.
    back : tuple of Jump
        Da capo and dal segno at its end.
    to_coda : Jump or None
    fine : tuple of int or None
        The music ends with it, the times that are given; empty: after a jump.
    """

    forward: bool = False
    passes: int = 0
    after_jump: bool = False
    ending: tuple[int, ...] | None = None
    ending_stops: bool = False
    segno: str | None = None
    coda: str | None = None
    back: tuple[Jump, ...] = ()
    to_coda: Jump | None = None
    fine: tuple[int, ...] | None = None
