"""What happens in the music, in a line each: order of bars, tempi, holds, breaths."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from fractions import Fraction

from syncvid.handoff.markup import number
from syncvid.handoff.plan_bars import played_bars
from syncvid.handoff.wording import Line, Texts
from syncvid.production.beats import GuideBeat
from syncvid.production.played import order_text

# Tempi that differ by less, in quarters per minute, sound the same (project choice).
_SAME_QUARTERS = 0.05

# So many letters of an order of bars, and so many tempi, holds or breaths, are told.
_LONGEST_ORDER = 70
_MOST = 6

_Bar = tuple[GuideBeat, ...]


def music_lines(beats: Sequence[GuideBeat], unit: Fraction, texts: Texts) -> Iterator[Line]:
    """Yield what happens in the music.

    Parameters
    ----------
    beats : sequence of GuideBeat
        Of the guide; those of the count-in are passed over.
    unit : Fraction
        The note in which tempi are told.
    texts : Texts
    """
    bars = list(_bars(beats))
    numbers = [bar[0].bar for bar in bars]
    if len(set(numbers)) < len(numbers):
        yield texts.say("music.order", bars=_cut_order(order_text(numbers)))
    told = (
        ("music.tempo", list(dict.fromkeys(_tempi(beats, unit, texts)))),
        ("music.held", _places(bars, [any(b.held_s > 0 for b in bar) for bar in bars], texts)),
        ("music.breath", _breaths(bars, texts)),
    )
    for key, items in told:
        if items:
            more = (texts.words["music.more"],) if len(items) > _MOST else ()
            yield texts.say(key, places=(*items[:_MOST], *more))


def _bars(beats: Sequence[GuideBeat]) -> Iterator[_Bar]:
    """Yield the beats of each bar as it is played."""
    bar: list[GuideBeat] = []
    for beat in beats:
        if beat.is_count_in:
            continue
        if bar and (beat.bar != bar[-1].bar or beat.beat <= bar[-1].beat):
            yield tuple(bar)
            bar = []
        bar.append(beat)
    if bar:
        yield tuple(bar)


def _cut_order(order: str) -> str:
    """Return an order of bars, cut after a stretch where it is long."""
    if len(order) <= _LONGEST_ORDER:
        return order
    return order[: order.rindex(", ", 0, _LONGEST_ORDER) + 2] + "…"


def _tempi(all_beats: Sequence[GuideBeat], unit: Fraction, texts: Texts) -> Iterator[str]:
    """Yield where the tempo steps, and where it changes beat by beat."""
    tempi = [tempo for bar in played_bars(all_beats) for tempo in bar.beats]
    music = [pair for pair in zip(all_beats, tempi, strict=True) if not pair[0].is_count_in]
    beats = [beat for beat, _ in music]
    changes = [
        0.0 if abs(step) < _SAME_QUARTERS else step
        for step in (later.quarters - beat.quarters for beat, later in itertools.pairwise(beats))
    ]
    first = 0
    for way, run in itertools.groupby(changes, key=lambda step: (step > 0) - (step < 0)):
        last = first + len(list(run))
        if way:
            word = "faster" if way > 0 else "slower"
            # A beat after which the tempo steps, or nothing comes, goes on as the one before it.
            quarters = beats[last].quarters if last == first + 1 else music[last][1].to
            speed = number(quarters / float(4 * unit), 0)
            if last == first + 1:
                where = texts.text("marks.bar", bar=str(beats[last].bar))
                yield texts.text(f"music.{word}", where=where, number=speed)
            else:
                where = _stretch(beats[first].bar, beats[last - 1].bar, texts)
                yield texts.text(f"music.{word}_slowly", where=where, number=speed)
        first = last


def _stretch(first: int, last: int, texts: Texts) -> str:
    """Name a bar, or bars from one to another."""
    if first == last:
        return texts.text("marks.bar", bar=str(first))
    return texts.text("music.bars", first=str(first), last=str(last))


def _places(bars: Sequence[_Bar], has: Sequence[bool], texts: Texts) -> list[str]:
    """Name the bars that have something; of those that have it not each time, the times."""
    times: dict[int, list[bool]] = {}
    for bar, held in zip(bars, has, strict=True):
        times.setdefault(bar[0].bar, []).append(held)
    places = []
    for name, every in times.items():
        if all(every):
            places.append(texts.text("marks.bar", bar=str(name)))
        elif any(every):
            chosen = tuple(str(nth) for nth, held in enumerate(every, 1) if held)
            places.append(texts.text("music.times", bar=str(name), times=chosen))
    return places


def _breaths(bars: Sequence[_Bar], texts: Texts) -> list[str]:
    """Name the bars at whose end, or in which, is a breath."""
    at_end = [bar[-1].breath_s > 0 for bar in bars]
    within = [any(beat.breath_s > 0 for beat in bar[:-1]) for bar in bars]
    after = [texts.text("music.after", where=place) for place in _places(bars, at_end, texts)]
    return [*after, *_places(bars, within, texts)]
