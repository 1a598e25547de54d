"""The count-in, told to players as they hear it: how long it is, and where they clap."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from syncvid.handoff.wording import Line

if TYPE_CHECKING:
    from syncvid.handoff.players import PlayersSheet


def counted_in(facts: PlayersSheet) -> str:
    """Return how long the count-in is, in bars and beats where it is told in them."""
    if not _is_in_bars(facts):
        return _seconds(facts)
    texts = facts.texts
    bars = texts.counted("amounts.bars", facts.count_in_bars)
    beats = texts.counted("amounts.beats", facts.count_in_beats)
    if facts.count_in_bars and facts.count_in_beats:
        return texts.text("amounts.bars_and_beats", bars=bars, beats=beats)
    return bars if facts.count_in_bars else beats


def count_in_lines(facts: PlayersSheet) -> Iterator[Line]:
    """Yield what is counted before the music, and where to clap if that is asked for."""
    texts, seconds = facts.texts, _seconds(facts)
    if _is_in_bars(facts):
        yield texts.say("take.count_in", bars=counted_in(facts), seconds=seconds)
    else:
        yield texts.say("take.count_in_s", seconds=seconds)
    if facts.claps and facts.count_in_bars > 0:
        yield texts.say(f"take.{_claps(facts)}")


def _is_in_bars(facts: PlayersSheet) -> bool:
    """Return whether the count-in is told in bars and beats."""
    return not facts.count_in_by_s and facts.count_in_bars + facts.count_in_beats > 0


def _claps(facts: PlayersSheet) -> str:
    """Return which text tells where to clap."""
    if facts.count_in_beats == 0:
        return "claps"
    return "claps_first" if facts.count_in_bars == 1 else "claps_whole"


def _seconds(facts: PlayersSheet) -> str:
    """Return how long the count-in is in seconds."""
    return facts.texts.text("amounts.seconds", count=facts.texts.number(facts.count_in_s))
