"""Layouts: where tiles stand over time, and how tiles, captions and cards look.

A layout is a small TOML file.  It is looked for beside ``production.toml`` first, so that a user's
own wins, then among those that come with the package.  The records here are plain, for they cross
to the processes that render; `layout_file` reads and checks the file.
"""

from __future__ import annotations

import importlib.resources
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from syncvid.errors import ProductionError
from syncvid.production.moments import Moment

Arrangement = Literal["grid", "rows", "lead", "facing", "full", "follow"]
Side = Literal["auto", "right", "left", "top", "bottom"]

_NAME = re.compile(r"[^/\\]+")


@dataclass(frozen=True, slots=True)
class CanvasStyle:
    """The ground on which the tiles lie.

    Attributes
    ----------
    background : str
        Colour, ``#rrggbb``.
    margin, gap : float
        Around all tiles and between two, as shares of the shorter side of the picture.
    image : Path or None
        A picture that lies over the colour.
    """

    background: str = "#12100e"
    margin: float = 0.0
    gap: float = 0.0037
    image: Path | None = None


@dataclass(frozen=True, slots=True)
class TileStyle:
    """How a tile shows its recording.

    Attributes
    ----------
    background : str
        Colour where the picture does not fill the tile.
    least_width, least_height : float
        Shares of a picture's width and height that cropping must leave, 0 to 1.
    hold_s, dissolve_s : float
        Seconds that the last picture stays, and that a card takes to come and to go.
    enter : bool
        Whether a tile is there only from the moment at which its part first plays.
    corners : float
        Radius of the corners as a share of the shorter side of a scene's smallest tile, 0 to 0.5.
    equal_heads : float
        How far people are brought to one size, 0 (as filmed) to 1 (equal).
    match : float
        How far exposure and white balance are brought together, 0 (as filmed) to 1.
    take_dissolve_s : float
        Seconds that a change takes from one take, or one place of it, to another; 0 cuts.
    """

    background: str = "#211d19"
    least_width: float = 0.3
    least_height: float = 0.62
    hold_s: float = 0.6
    dissolve_s: float = 0.3
    enter: bool = False
    corners: float = 0.0
    equal_heads: float = 0.5
    match: float = 0.0
    take_dissolve_s: float = 0.25


@dataclass(frozen=True, slots=True)
class CaptionStyle:
    """The names on the tiles.

    Attributes
    ----------
    show : bool
        Whether there are any.
    size : float
        Height of the letters (em) as a share of the tile's height.
    ink, band : str
        Colours of the letters and of the band behind them.
    opacity : float
        Of the band, 0 to 1.
    """

    show: bool = True
    size: float = 0.072
    ink: str = "#fffdf7"
    band: str = "#1f1c18"
    opacity: float = 0.72


@dataclass(frozen=True, slots=True)
class CardStyle:
    """The card that stands in for a player without picture.

    Attributes
    ----------
    background, ink, player, rule : str
        Colours of the card, the part's name, the player's name and the line between them.
    """

    background: str = "#211d19"
    ink: str = "#e9e1d2"
    player: str = "#b5aa98"
    rule: str = "#a3261d"


@dataclass(frozen=True, slots=True)
class PlateStyle:
    """The plates with the title before and the credits after the music.

    Attributes
    ----------
    background, ink, second, rule : str
        Colours of the plate, of title and names, of the subtitle and of what somebody did, and of
        the line.
    """

    background: str = "#12100e"
    ink: str = "#fffdf7"
    second: str = "#b5aa98"
    rule: str = "#a3261d"


@dataclass(frozen=True, slots=True)
class ScenePlan:
    """What a layout says of one stretch of the music.

    Attributes
    ----------
    begins : Moment or None
        Its beginning; it lasts to the next one's.  None: from the beginning of the piece.
    arrangement : str
        How the tiles are placed.
    parts : tuple of str
        Names of the parts, or of their groups, that are seen; none: all.
    lead : str
        The part that is large; empty: the first.
    pair : tuple of str
        The two parts that face each other; none: the first two.
    side : str
        Where the small tiles stand beside a large one.
    dissolve_s : float
        How long the picture takes to change into this scene; 0 cuts.
    caption : str
        Words at the foot of the picture.
    names : bool
        Whether tiles carry their names, where the layout has any.
    """

    begins: Moment | None = None
    arrangement: Arrangement = "grid"
    parts: tuple[str, ...] = ()
    lead: str = ""
    pair: tuple[str, ...] = ()
    side: Side = "auto"
    dissolve_s: float = 0.4
    caption: str = ""
    names: bool = True


@dataclass(frozen=True, slots=True)
class Layout:
    """A layout file, read and checked.

    Attributes
    ----------
    name : str
        The file's name without its ending.
    canvas, tile, caption, card, plate : records
    arrangement : {"grid", "rows", "lead", "facing", "full", "follow"}
        How the tiles are placed before the first scene.
    canvas, tile, caption, card, plate : records
        The tables of the file.
    parts, lead, pair, side, dissolve_s
        As in `ScenePlan`, before the first scene.
    least_lead_s : float
        Where the picture follows who leads: nobody leads for a shorter time, in seconds.
    scenes : tuple of ScenePlan
        In the order of time.
    """

    name: str
    arrangement: Arrangement = "grid"
    canvas: CanvasStyle = field(default_factory=CanvasStyle)
    tile: TileStyle = field(default_factory=TileStyle)
    caption: CaptionStyle = field(default_factory=CaptionStyle)
    card: CardStyle = field(default_factory=CardStyle)
    plate: PlateStyle = field(default_factory=PlateStyle)
    parts: tuple[str, ...] = ()
    lead: str = ""
    pair: tuple[str, ...] = ()
    side: Side = "auto"
    dissolve_s: float = 0.4
    least_lead_s: float = 4.0
    scenes: tuple[ScenePlan, ...] = ()

    @property
    def opening(self) -> ScenePlan:
        """What holds before the first scene."""
        return ScenePlan(
            None, self.arrangement, self.parts, self.lead, self.pair, self.side, self.dissolve_s
        )


def find_layout(name: str = "grid", folder: Path | None = None) -> Layout:
    """Read the layout of a given name.

    Parameters
    ----------
    name : str
        A layout's name, without the ending ``.toml``.
    folder : Path or None
        The production's folder; a layout there wins over one that comes with the package.

    Returns
    -------
    Layout

    Raises
    ------
    ProductionError
        No layout of that name, or its file is wrong.

    Examples
    --------
    >>> find_layout("grid").arrangement
    'grid'
    """
    bare = name.removesuffix(".toml")
    places = layout_folders(folder)
    if _NAME.fullmatch(bare):
        for place in places:
            path = place / f"{bare}.toml"
            if path.is_file():
                # Imported here: the processes that render read no files, and pydantic takes time.
                from syncvid.production.layout_file import read_layout

                return read_layout(path)
    raise ProductionError(
        f"There is no layout {name!r} in {' or '.join(map(str, places))}.",
        fix=f"Layouts that are there: {', '.join(layout_names(folder)) or 'none'}.",
    )


def layout_names(folder: Path | None = None) -> tuple[str, ...]:
    """Return the names of all layouts that `find_layout` would find, sorted.

    A TOML file beside the production counts if it states an arrangement.
    """
    names = set()
    for place in layout_folders(folder):
        for path in place.glob("*.toml"):
            if place != folder or "arrangement" in _parsed(path.read_text("utf-8")):
                names.add(path.stem)
    return tuple(sorted(names))


def layout_folders(folder: Path | None = None) -> tuple[Path, ...]:
    """Return where layouts are looked for, in that order.

    The package's own lie inside it once it is installed, and beside it in a checkout.
    """
    package = Path(str(importlib.resources.files("syncvid")))
    own = (package / "layouts", package.parent / "layouts")
    return (*((folder,) if folder is not None else ()), *own)


def _parsed(text: str) -> Mapping[str, Any]:
    """Return a TOML document, empty if it is none."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return {}
