"""Reading a layout file strictly: what each table may hold, and how it becomes a `Layout`.

Here stand the kinds and ranges of the values; what holds where a key is left out stands with the
records in `layouts`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, field_validator

from syncvid.production.layouts import (
    Arrangement,
    CanvasStyle,
    CaptionStyle,
    CardStyle,
    Layout,
    PlateStyle,
    ScenePlan,
    Side,
    TileStyle,
)
from syncvid.production.strict import (
    At,
    Colour,
    Corners,
    DissolveSeconds,
    Gap,
    Margin,
    Name,
    Seconds,
    Share,
    Strict,
)
from syncvid.production.toml import read_toml


class _Canvas(Strict):
    """The table ``[canvas]``."""

    background: Colour = ""
    margin: Margin = 0.0
    gap: Gap = 0.0


class _Tile(Strict):
    """The table ``[tile]``."""

    background: Colour = ""
    least_width: Share = 0.0
    least_height: Share = 0.0
    hold_s: Annotated[Seconds, Field(ge=0.0, le=60.0)] = 0.0
    dissolve_s: DissolveSeconds = 0.0
    take_dissolve_s: Annotated[Seconds, Field(ge=0.0, le=2.0)] = 0.0
    enter: bool = False
    corners: Corners = 0.0
    equal_heads: Share = 0.0
    match: Share = 0.0


class _Caption(Strict):
    """The table ``[caption]``."""

    show: bool = True
    size: Annotated[float, Field(ge=0.01, le=0.5)] = 0.0
    ink: Colour = ""
    band: Colour = ""
    opacity: Share = 0.0


class _Plate(Strict):
    """The table ``[plate]``."""

    background: Colour = ""
    ink: Colour = ""
    second: Colour = ""
    rule: Colour = ""


class _Card(Strict):
    """The table ``[card]``."""

    background: Colour = ""
    ink: Colour = ""
    player: Colour = ""
    rule: Colour = ""


class _Staging(Strict):
    """What the top of the file and each scene may say of the tiles."""

    arrangement: Arrangement = "grid"
    parts: list[Name] = Field(default_factory=list)
    lead: str = ""
    pair: Annotated[list[Name], Field(max_length=2)] = Field(default_factory=list)
    side: Side = "auto"
    dissolve_s: DissolveSeconds = 0.0

    @field_validator("pair")
    @classmethod
    def _are_two(cls, pair: list[str]) -> list[str]:
        """Refuse one alone."""
        if len(pair) == 1:
            raise ValueError("two parts face each other: name both")
        return pair


class _Scene(_Staging):
    """One entry of ``[[scenes]]``."""

    begins: Annotated[At, Field(alias="from")]
    caption: str = ""
    names: bool = True


class LayoutFile(_Staging):
    """A whole layout file."""

    least_lead_s: Annotated[Seconds, Field(ge=1.0, le=600.0)] = 0.0
    canvas: _Canvas = _Canvas()
    tile: _Tile = _Tile()
    caption: _Caption = _Caption()
    card: _Card = _Card()
    plate: _Plate = _Plate()
    scenes: list[_Scene] = Field(default_factory=list)


def read_layout(path: Path) -> Layout:
    """Read one layout file.

    Raises
    ------
    MediaError
        The file cannot be read.
    ProductionError
        Not TOML, unknown keys, or values of the wrong kind; each is named with its line.
    """
    file, _ = read_toml(path, LayoutFile)
    staging = _staging(file)
    return Layout(
        name=path.stem,
        canvas=CanvasStyle(**file.canvas.given()),
        tile=TileStyle(**file.tile.given()),
        caption=CaptionStyle(**file.caption.given()),
        card=CardStyle(**file.card.given()),
        plate=PlateStyle(**file.plate.given()),
        # What a scene does not say itself it takes over from the top of the file.
        scenes=tuple(ScenePlan(**{**staging, **_staging(scene)}) for scene in file.scenes),
        **staging,
        **_given(file, "least_lead_s"),
    )


def _given(table: Strict, *names: str) -> dict[str, Any]:
    """Return some of the values that were written."""
    return {name: value for name, value in table.given().items() if name in names}


def _staging(table: _Staging) -> dict[str, Any]:
    """Return what a table says of the tiles, lists made unchangeable."""
    wanted = _Scene.model_fields if isinstance(table, _Scene) else _Staging.model_fields
    return {
        name: tuple(value) if isinstance(value, list) else value
        for name, value in table.given().items()
        if name in wanted
    }
