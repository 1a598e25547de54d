"""What cannot be played: ramps that end before they begin or meet others, endless pieces."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

from syncvid.production.guide_file.building import Location, PlacedChange
from syncvid.production.guide_plan import GuidePlan, Place
from syncvid.production.toml import Mistake

# Longer is a slip of the pen (project choice).
LONGEST_S = 6 * 3600.0


class _Span(NamedTuple):
    """A change of tempo, one time that it is played; a step has no length."""

    start: Fraction
    stop: Fraction
    placed: PlacedChange


def check_plan(plan: GuidePlan, changes: Sequence[PlacedChange], mistakes: list[Mistake]) -> None:
    """Add what cannot be played to the mistakes.

    Parameters
    ----------
    plan : GuidePlan
    changes : sequence of PlacedChange
        Its changes of tempo, in the order of the music.
    mistakes : list of Mistake
        What is found wrong is added.
    """
    spans = [span for placed in changes for span in _spans(placed, mistakes)]
    spans.sort(key=lambda span: span.start)
    _check_meetings(spans, mistakes)
    if not mistakes:
        _check_length(plan, spans, mistakes)


def _spans(placed: PlacedChange, mistakes: list[Mistake]) -> list[_Span]:
    """Return where a change holds each time; a ramp ends at the first of its ends after it."""
    until = placed.change.until
    if until is None:
        return [_Span(at, at, placed) for at in placed.ats]
    spans = []
    for at in placed.ats:
        stop = next((stop for stop in placed.untils if stop > at), None)
        if stop is None:
            begin = _shown(placed.change.at)
            how = (
                "has no length: it ends where it begins"
                if at in placed.untils
                else "would end before it begins"
            )
            mistakes.append(
                Mistake(
                    _key(placed, "until"),
                    f"is wrong: the change of tempo from {begin} {how}. Let it end later, or "
                    "leave until out for a new tempo at once",
                )
            )
            return []
        spans.append(_Span(at, stop, placed))
    return spans


def _check_meetings(spans: Sequence[_Span], mistakes: list[Mistake]) -> None:
    """Tell changes that begin while another one is still on its way, and two at one place."""
    told: set[Location] = set()
    last: _Span | None = None
    for span in spans:
        location = span.placed.location
        if last is not None and location not in told:
            words = _meeting(last, span)
            if words:
                told.add(location)
                mistakes.append(Mistake(location, f"is wrong: {words}"))
        if last is None or span.stop >= last.stop:
            last = span


def _meeting(one: _Span, other: _Span) -> str:
    """Say what is wrong with a change that follows another; nothing if all is well."""
    first, second = one.placed.change, other.placed.change
    if other.start < one.stop:
        return (
            f"this change of tempo at {_shown(second.at)} begins before the one from "
            f"{_shown(first.at)} has come to its end"
        )
    same = one.placed is not other.placed and first.at == second.at and one.stop == other.stop
    return f"there are two tempi at {_shown(first.at)}: keep one" if same else ""


def _check_length(plan: GuidePlan, spans: Sequence[_Span], mistakes: list[Mistake]) -> None:
    """Tell a piece that lasts too long even if its ramps were at their faster end throughout."""
    end = sum((bar.length for bar in plan.bars), Fraction(0))
    here, whole_s, lasts_s = Fraction(0), plan.tempo.whole_s, 0.0
    for span in spans:
        next_s = span.placed.change.tempo.whole_s
        lasts_s += float(span.start - here) * whole_s
        lasts_s += float(span.stop - span.start) * min(whole_s, next_s)
        here, whole_s = span.stop, next_s
    lasts_s += float(end - here) * whole_s + sum(hold.seconds for hold in plan.holds)
    if lasts_s > LONGEST_S:
        words = (
            f"make a piece of {lasts_s / 3600.0:.1f} hours or more: "
            f"{LONGEST_S / 3600.0:g} are the most"
        )
        mistakes.append(Mistake(("bars",), words))


def _key(placed: PlacedChange, key: str) -> Location:
    """Return where the key of a change stands; that of a section is one itself."""
    return placed.location if placed.location[0] == "sections" else (*placed.location, key)


def _shown(place: Place) -> str:
    """Write a place short."""
    return f"bar {place.bar}" + (f" beat {float(place.beat):g}" if place.beat != 1 else "")
