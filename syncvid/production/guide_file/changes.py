"""What is said beside a plan: it wins over what stands there, under the same rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar, get_args

from syncvid.errors import ProductionError
from syncvid.production.guide_file.tables import (
    ClickColour,
    check_pitch,
    read_count_in,
    read_line,
    read_part_names,
)
from syncvid.production.guide_plan import GuidePlan
from syncvid.production.note_values import parse_speed

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True)
class Changes:
    """What is said beside a plan; None leaves a thing as it is there.

    Attributes
    ----------
    tempo : str
        At the beginning: ``96``, ``dotted quarter = 60``.
    count_in : str
        Bars, or seconds as ``6 s``.
    click : str
        Colour of the click.
    drone, melody : tuple of str
        As in the plan; ``("none",)`` for none.
    a4_hz : float
    """

    tempo: str | None = None
    count_in: str | None = None
    click: str | None = None
    drone: tuple[str, ...] | None = None
    melody: tuple[str, ...] | None = None
    a4_hz: float | None = None


def with_changes(plan: GuidePlan, changes: Changes) -> GuidePlan:
    """Return a plan with what is said beside it.

    Raises
    ------
    ProductionError
        Something makes no sense; the message says what.
    """
    tempo, count_in, sound = plan.tempo, plan.count_in, plan.sound
    if changes.tempo is not None:
        speed = _read("tempo", parse_speed, changes.tempo)
        tempo = speed.tempo(plan.bars[0].metre)
    if changes.count_in is not None:
        text = changes.count_in.strip()
        written = int(text) if text.lstrip("-").isdecimal() else text
        count_in = _read("count-in", read_count_in, written)
    if changes.click is not None:
        sound = replace(sound, click=_read("click", _colour, changes.click))
    if changes.drone is not None:
        sound = replace(sound, drone=_read("drone", read_line, _some(changes.drone)))
    if changes.melody is not None:
        sound = replace(sound, melody=_read("melody", read_part_names, _some(changes.melody)))
    if changes.a4_hz is not None:
        sound = replace(sound, a4_hz=_read("reference pitch", check_pitch, changes.a4_hz))
    return replace(plan, tempo=tempo, count_in=count_in, sound=sound)


def _some(words: tuple[str, ...]) -> Any:
    """Return words as they would stand in the plan."""
    return words[0] if len(words) == 1 else list(words)


def _colour(written: str) -> str:
    """Refuse a colour of click that there is not."""
    if written not in get_args(ClickColour):
        raise ProductionError(f"{written!r} is none of {', '.join(get_args(ClickColour))}")
    return written


def _read(what: str, reader: Callable[[Any], Value], written: Any) -> Value:
    """Read one thing; its error says which."""
    try:
        return reader(written)
    except ProductionError as exc:
        raise ProductionError(f"The {what}: {exc.what.rstrip('.')}.", fix=exc.fix) from exc
