"""What a production says of its picture, laid over the layout that it names."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from syncvid.production.layouts import Layout
from syncvid.production.plan import Picture


def with_overrides(layout: Layout, picture: Picture, image: Path | None = None) -> Layout:
    """Return a layout with what ``[picture]`` of the plan says otherwise.

    Parameters
    ----------
    layout : Layout
        As its file says.
    picture : Picture
        The plan's table.
    image : Path or None
        Where the image behind the tiles lies, if the table names one.

    Returns
    -------
    Layout
    """
    colour = None if picture.background_image else picture.background
    canvas = _said(background=colour, gap=picture.gap, margin=picture.margin, image=image)
    tile = _said(corners=picture.corners, match=picture.match, equal_heads=picture.equal_heads)
    return replace(
        layout,
        canvas=replace(layout.canvas, **canvas),
        tile=replace(layout.tile, **tile),
        caption=replace(layout.caption, **_said(show=picture.names)),
    )


def _said(**values: Any) -> dict[str, Any]:
    """Leave out what was not said."""
    return {name: value for name, value in values.items() if value is not None}
