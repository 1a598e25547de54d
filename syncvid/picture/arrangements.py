"""The arrangements that a layout may name, by one call.

`grid`: all equal.  `rows`: rows by section.  `lead`, `follow`: one large, the others along a side;
in `follow` the large one changes with the music, of which nothing is known here.  `facing`: two
halves.  `full`: one alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from syncvid.picture.cropping import worth
from syncvid.picture.grid import place_cells, place_grid
from syncvid.picture.leading import place_lead
from syncvid.picture.pieces import Rect
from syncvid.picture.rows import place_rows
from syncvid.picture.space import Shape, Space
from syncvid.production.layouts import Arrangement, Side


@dataclass(frozen=True, slots=True)
class Ensemble:
    """Who is to be placed.

    Attributes
    ----------
    shapes : tuple of (int, int) or None
        Upright shape of each clip; None for a card, which fits anything.
    groups : tuple of str
        The section of each; empty where it has none.
    lead : int
        Index of the one who leads.
    pair : (int, int)
        Indices of the two who face each other; equal where there is only one.
    side : str
        Where the others stand beside the one who leads.
    """

    shapes: tuple[Shape | None, ...]
    groups: tuple[str, ...]
    lead: int = 0
    pair: tuple[int, int] = (0, 0)
    side: Side = "auto"


def arrange(arrangement: Arrangement, ensemble: Ensemble, space: Space) -> Mapping[int, Rect]:
    """Place an ensemble.

    Parameters
    ----------
    arrangement : str
        Which of them.
    ensemble : Ensemble
        At least one.
    space : Space
        Where.

    Returns
    -------
    mapping of int to Rect
        The tile of each who is seen; inside the space, on even pixels, none overlapping.

    Raises
    ------
    ProductionError
        The space is too small for so many tiles.
    """
    if arrangement == "full":
        return {ensemble.lead: space.box}
    if arrangement == "facing":
        return _face(ensemble, space)
    if arrangement == "rows":
        return _numbered(place_rows(ensemble.shapes, ensemble.groups, space))
    if arrangement == "grid":
        return _numbered(place_grid(ensemble.shapes, space))
    return _numbered(place_lead(ensemble.shapes, ensemble.lead, ensemble.side, space))


def _face(ensemble: Ensemble, space: Space) -> dict[int, Rect]:
    """Place two in equal halves, beside or above each other, whichever is worth more."""
    one, other = ensemble.pair
    if one == other:
        return {one: space.box}

    def value(halves: Iterable[Rect]) -> float:
        return sum(
            worth(ensemble.shapes[index], half.width, half.height, space.look)
            for index, half in zip(ensemble.pair, halves, strict=True)
        )

    halves = max(place_cells(2, 1, 2, space), place_cells(2, 2, 1, space), key=value)
    return dict(zip(ensemble.pair, halves, strict=True))


def _numbered(rects: Sequence[Rect]) -> dict[int, Rect]:
    """Return the tiles by their index."""
    return dict(enumerate(rects))
