"""What the models of our TOML files have in common: strict tables, colours, shares, moments."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, PlainValidator

from syncvid.production.moments import Moment, parse_moment

_COLOUR = re.compile(r"#[0-9a-fA-F]{6}")


class Strict(BaseModel):
    """A table in which an unknown key is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    def given(self) -> dict[str, Any]:
        """Return what was written, without what was left out."""
        return {name: getattr(self, name) for name in self.model_fields_set}


def is_colour(text: str) -> bool:
    """Tell whether a text is a colour.

    Examples
    --------
    >>> is_colour("#a3261d"), is_colour("red")
    (True, False)
    """
    return _COLOUR.fullmatch(text) is not None


def _colour(text: str) -> str:
    """Refuse what is no colour."""
    if not is_colour(text):
        raise ValueError(f"{text!r} is no colour like '#a3261d'")
    return text


Share = Annotated[float, Field(ge=0.0, le=1.0)]
Seconds = Annotated[float, Field(allow_inf_nan=False)]
Colour = Annotated[str, AfterValidator(_colour)]
Name = Annotated[str, Field(min_length=1)]
At = Annotated[Moment, PlainValidator(parse_moment)]

# What a layout and the plan may both say of the looks.
Margin = Annotated[float, Field(ge=0.0, le=0.4)]
Gap = Annotated[float, Field(ge=0.0, le=0.2)]
Corners = Annotated[float, Field(ge=0.0, le=0.5)]

# Longer than this is a slip of the pen, as a dissolve or as a title.
_LONGEST_DISSOLVE_S, _LONGEST_CARD_S = 10.0, 60.0
DissolveSeconds = Annotated[float, Field(ge=0.0, le=_LONGEST_DISSOLVE_S)]
CardSeconds = Annotated[float, Field(ge=0.0, le=_LONGEST_CARD_S)]
