"""Layout files: how tiles, captions and cards look, told in a small TOML file.

A layout is looked for beside ``production.toml`` first, so that a user's own wins, then among those
that come with the package.
"""

from __future__ import annotations

import importlib.resources
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from syncvid.errors import ProductionError

Arrangement = Literal["grid"]

_COLOUR = re.compile(r"#[0-9a-fA-F]{6}")
_NAME = re.compile(r"[^/\\]+")

# What a file may hold: table, key, kind of value.  A pair of numbers is the range of a number.
_ARRANGEMENTS = ("grid",)
_TABLES: dict[str, dict[str, str | tuple[float, float]]] = {
    "canvas": {"background": "colour", "margin": (0.0, 0.4), "gap": (0.0, 0.2)},
    "tile": {
        "background": "colour",
        "least_shown": (0.0, 1.0),
        "hold_s": (0.0, 60.0),
        "dissolve_s": (0.0, 10.0),
    },
    "caption": {
        "show": "switch",
        "size": (0.01, 0.5),
        "ink": "colour",
        "band": "colour",
        "opacity": (0.0, 1.0),
    },
    "card": {"background": "colour", "ink": "colour", "player": "colour", "rule": "colour"},
    "plate": {"background": "colour", "ink": "colour", "second": "colour", "rule": "colour"},
}


@dataclass(frozen=True, slots=True)
class CanvasStyle:
    """The ground on which the tiles lie.

    Attributes
    ----------
    background : str
        Colour, ``#rrggbb``.
    margin, gap : float
        Around all tiles and between two, as shares of the shorter side of the picture.
    """

    background: str = "#12100e"
    margin: float = 0.0
    gap: float = 0.0037


@dataclass(frozen=True, slots=True)
class TileStyle:
    """How a tile shows its recording.

    Attributes
    ----------
    background : str
        Colour where the picture does not fill the tile.
    least_shown : float
        Share of a picture that cropping must leave, 0 to 1.
    hold_s, dissolve_s : float
        Seconds that the last picture stays, and then takes to give way to the card.
    """

    background: str = "#211d19"
    least_shown: float = 0.62
    hold_s: float = 0.6
    dissolve_s: float = 0.3


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
class Layout:
    """A layout file, read and checked.

    Attributes
    ----------
    name : str
        The file's name without its ending.
    arrangement : {"grid"}
        How the tiles are placed.
    canvas, tile, caption, card, plate : records
        The tables of the file.
    """

    name: str
    arrangement: Arrangement = "grid"
    canvas: CanvasStyle = field(default_factory=CanvasStyle)
    tile: TileStyle = field(default_factory=TileStyle)
    caption: CaptionStyle = field(default_factory=CaptionStyle)
    card: CardStyle = field(default_factory=CardStyle)
    plate: PlateStyle = field(default_factory=PlateStyle)


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


def read_layout(path: Path) -> Layout:
    """Read one layout file.

    Raises
    ------
    ProductionError
        Not TOML, unknown keys, or values of the wrong kind; each is named with its line.
    """
    try:
        text = path.read_text("utf-8")
        document = tomllib.loads(text)
    except (OSError, UnicodeDecodeError) as exc:
        raise ProductionError(f"The layout cannot be read: {exc}.", where=str(path)) from exc
    except tomllib.TOMLDecodeError as exc:
        raise ProductionError(f"The layout is no valid TOML: {exc}.", where=str(path)) from exc
    faults = list(_faults(document))
    if faults:
        # Imported here: the processes that render read no files, and pydantic takes its time.
        from syncvid.production.toml import line_of

        rows = [f"line {line_of(text, place) or 1}: {complaint}" for place, complaint in faults]
        raise ProductionError(
            "; ".join(rows) + ".", where=str(path), fix="Mend it; grid.toml shows every key."
        )
    return Layout(
        name=path.stem,
        arrangement=document.get("arrangement", "grid"),
        canvas=CanvasStyle(**document.get("canvas", {})),
        tile=TileStyle(**document.get("tile", {})),
        caption=CaptionStyle(**document.get("caption", {})),
        card=CardStyle(**document.get("card", {})),
        plate=PlateStyle(**document.get("plate", {})),
    )


def _parsed(text: str) -> Mapping[str, Any]:
    """Return a TOML document, empty if it is none."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return {}


def _faults(document: Mapping[str, Any]) -> Iterator[tuple[tuple[str, ...], str]]:
    """Yield where in a document something is wrong, and what."""
    for name, value in document.items():
        if name == "arrangement":
            if value not in _ARRANGEMENTS:
                yield (name,), f"arrangement is {value!r}, not one of {', '.join(_ARRANGEMENTS)}"
        elif name not in _TABLES:
            known = ", ".join(("arrangement", *_TABLES))
            yield (name,), f"unknown key {name!r}; a layout has {known}"
        elif not isinstance(value, dict):
            yield (name,), f"{name!r} is a table: write [{name}] on a line of its own"
        else:
            for key, entry in value.items():
                complaint = _complaint(name, key, entry)
                if complaint:
                    yield (name, key), complaint


def _complaint(table: str, key: str, value: object) -> str:
    """Return what is wrong with one entry; empty if nothing is."""
    kind = _TABLES[table].get(key)
    if kind is None:
        return f"unknown key {key!r} in [{table}], which has {', '.join(_TABLES[table])}"
    if kind == "colour":
        good = isinstance(value, str) and _COLOUR.fullmatch(value) is not None
        return "" if good else f"{key} is {value!r}, not a colour like '#a3261d'"
    if kind == "switch":
        return "" if isinstance(value, bool) else f"{key} is {value!r}, not true or false"
    low, high = float(kind[0]), float(kind[1])
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        return f"{key} is {value!r}, not a number between {low:g} and {high:g}"
    return ""
