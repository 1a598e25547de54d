"""Words that belong to moments of the piece: captions, and the names of its sections."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from syncvid.errors import ProductionError
from syncvid.production.moments import Moment
from syncvid.timeline import Bars


@dataclass(frozen=True, slots=True)
class Caption:
    """Words from one moment to another, as they were written.

    Attributes
    ----------
    begins, ends : Moment
        The stretch.
    text : str
        The words.
    show : bool
        Whether they are painted into the picture too.
    """

    begins: Moment
    ends: Moment
    text: str
    show: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """A section of the piece; it lasts to the next one's beginning."""

    name: str
    begins: Moment


@dataclass(frozen=True, slots=True)
class TimedCaption:
    """A caption on the reference's clock, in seconds."""

    from_s: float
    to_s: float
    text: str
    show: bool


@dataclass(frozen=True, slots=True)
class TimedSection:
    """A section on the reference's clock, in seconds."""

    from_s: float
    name: str


def time_captions(captions: Sequence[Caption], bars: Bars | None) -> tuple[TimedCaption, ...]:
    """Find the captions on the reference, in the order of time.

    Raises
    ------
    ProductionError
        A bar that cannot be found, or a caption that ends before it begins.
    """
    timed = []
    for caption in captions:
        where = f"caption {caption.text!r}"
        from_s, to_s = (at_s(moment, bars, where) for moment in (caption.begins, caption.ends))
        if to_s <= from_s:
            raise ProductionError(
                f"A caption would end ({caption.ends}) before it begins ({caption.begins}).",
                where=where,
                fix="Mend its `from` and `to` in production.toml.",
            )
        timed.append(TimedCaption(from_s, to_s, caption.text, caption.show))
    return tuple(sorted(timed, key=lambda caption: (caption.from_s, caption.to_s)))


def time_sections(sections: Sequence[Section], bars: Bars | None) -> tuple[TimedSection, ...]:
    """Find the sections on the reference, in the order of time.

    Raises
    ------
    ProductionError
        A bar that cannot be found.
    """
    timed = (
        TimedSection(at_s(section.begins, bars, f"section {section.name!r}"), section.name)
        for section in sections
    )
    return tuple(sorted(timed, key=lambda section: section.from_s))


def at_s(moment: Moment, bars: Bars | None, where: str) -> float:
    """Return a moment in reference seconds; an error names what asked for it.

    Raises
    ------
    ProductionError
        A bar that cannot be found.
    """
    try:
        return moment.at_s(bars)
    except ProductionError as exc:
        raise ProductionError(exc.what, where=where, fix=exc.fix) from exc
