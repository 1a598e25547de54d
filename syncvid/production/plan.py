"""The plan of a production: what ``production.toml`` may say.

The file is the user's.  It names the reference, the parts in score order and their takes; nothing
that a machine found stands in it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, field_validator

from syncvid.errors import SyncvidError
from syncvid.timeline import FrameRate, parse_frame_rate

PLAN_FILE = "production.toml"
PLAN_FORMAT = "syncvid.production/1"

Share = Annotated[float, Field(ge=0.0, le=1.0)]


class _Strict(BaseModel):
    """A table in which an unknown key is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Take(_Strict):
    """One recording of a part.

    Attributes
    ----------
    take : int
        Its number, from 1.
    file : str
        Path of the clip, absolute or from the production's folder.
    use : bool
        Show this take whatever sync prefers.
    withdrawn : bool
        The player took it back: it is in no result.
    focus : (float, float) or None
        What the tile keeps when it crops: shares of the width and height of the upright picture.
    """

    take: Annotated[int, Field(ge=0)] = 1
    file: Annotated[str, Field(min_length=1)]
    use: bool = False
    withdrawn: bool = False
    focus: Annotated[list[Share], Field(min_length=2, max_length=2)] | None = None


class Part(_Strict):
    """One line of the score, and one tile: its name, its player, its takes."""

    name: Annotated[str, Field(min_length=1)]
    player: str = ""
    takes: list[Take] = []


class Picture(_Strict):
    """How the video looks unless the command line says otherwise."""

    layout: str = "grid"
    size: Annotated[str, Field(pattern=r"^\d{2,5}x\d{2,5}$")] = "1920x1080"
    frame_rate: str | int | float = "30"

    @field_validator("frame_rate")
    @classmethod
    def _is_a_rate(cls, value: str | int | float) -> str | int | float:
        """Refuse what is no picture rate."""
        try:
            parse_frame_rate(value)
        except SyncvidError as exc:
            raise ValueError(str(exc)) from exc
        return value

    @property
    def rate(self) -> FrameRate:
        """The picture rate as a fraction."""
        return parse_frame_rate(self.frame_rate)


class Plan(_Strict):
    """A whole ``production.toml``."""

    format: Annotated[str, Field(pattern=r"^syncvid\.production/1$")] = PLAN_FORMAT
    title: str = ""
    mix: str = ""
    guide: str = ""
    picture: Picture = Picture()
    parts: list[Part] = []

    def files(self) -> list[tuple[str, str]]:
        """Return (what it is, path as written) of every file that is in use."""
        named = [("mix", self.mix), ("guide", self.guide)]
        for part in self.parts:
            named += [
                (f"{part.name}, take {take.take}", take.file)
                for take in part.takes
                if not take.withdrawn
            ]
        return [(what, file) for what, file in named if file]


def resolve(file: str, folder: Path) -> Path:
    """Return where a path of the plan points, seen from the production's folder."""
    return Path(file) if Path(file).is_absolute() else folder / file
