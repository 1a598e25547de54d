"""A guide's time as a Standard MIDI file: tempo map, metres, sections, clicks.

The file's own time is guide time: a bar of 4/4 stands for what comes before the first beat, and
held beats are slow ones.  A tempo is whole microseconds per quarter, so each one is chosen from
where the file has really come to, and roundings do not add up.
"""

from __future__ import annotations

import bisect
import io
import itertools
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from syncvid.errors import ProductionError
from syncvid.production.beats import GuideMap
from syncvid.production.guide_plan import Bar, GuidePlan
from syncvid.production.played import beat_starts

if TYPE_CHECKING:
    import mido

# Ticks per quarter: thirds and 64ths come out whole.
DIVISION = 960
_WHOLE = 4 * DIVISION
# The largest tempo that three bytes hold, in microseconds per quarter (SMF 1.0).
_SLOWEST = 0xFFFFFF
# A tempo stays while the beats are so near their times (project choice).
_NEAR_S = 1e-4
# Percussion on channel 10, wood blocks high and low, by strength of the click: pitch and velocity
# (General MIDI percussion map, from memory).
_CLICKS = {0: (76, 120), 1: (76, 90), 2: (77, 80), 3: (77, 50)}
_DRUMS = 9
_CLICK_TICKS = DIVISION // 8
_PRINTED = re.compile(r"(\d{1,3})/(\d{1,3})")


@dataclass(frozen=True, slots=True)
class _Beat:
    """A stretch of the file: its first tick, how many, and when it begins and ends in the guide.

    `bar` is the signature as printed where a bar begins, None within one.
    """

    tick: int
    ticks: int
    from_s: float
    to_s: float
    bar: str | None


def write_midi(guide_map: GuideMap, plan: GuidePlan) -> bytes:
    """Write a guide's beats, metres, sections and clicks as a MIDI file of format 1.

    Parameters
    ----------
    guide_map : GuideMap
    plan : GuidePlan
        The one that the map was made from.

    Returns
    -------
    bytes
        Every beat is within a millisecond of its guide time.

    Raises
    ------
    ProductionError
        The map has other beats than the plan.
    """
    import mido

    beats = _beats(guide_map, plan)
    rows = [*_signatures(beats), *_tempi(beats), *_marks(guide_map, beats)]
    end = beats[-1].tick + beats[-1].ticks
    head = [(0, mido.MetaMessage("track_name", name=guide_map.title)), *rows]
    clicks = [(0, mido.MetaMessage("track_name", name="Clicks")), *_clicks(guide_map, beats)]
    file = mido.MidiFile(type=1, ticks_per_beat=DIVISION, charset="utf-8")
    for events in (head, clicks):
        file.tracks.append(_track(events, end))
    written = io.BytesIO()
    file.save(file=written)
    return written.getvalue()


def _track(events: Sequence[tuple[int, mido.Message]], end: int) -> mido.MidiTrack:
    """Return a track of events at ticks; of those at one tick the order stays."""
    import mido

    track, now = mido.MidiTrack(), 0
    for tick, message in sorted(events, key=lambda event: event[0]):
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=max(0, end - now)))
    return track


def _beats(guide_map: GuideMap, plan: GuidePlan) -> list[_Beat]:
    """Return the stretches of the file: what comes before the first beat, and each beat."""
    bars = [*_counted_bars(guide_map, plan), *plan.bars]
    lengths = _lengths(bars)
    if not lengths or len(lengths) != len(guide_map.beats):
        raise ProductionError(
            f"The beat map has {len(guide_map.beats)} beats, its plan {len(lengths)}.",
            fix="Make the guide anew.",
        )
    found = []
    tick = 0
    if (from_s := guide_map.beats[0].guide_s) > 0.0:
        ticks = _enough(_WHOLE, from_s)
        found.append(_Beat(0, ticks, 0.0, from_s, "4/4"))
        tick = ticks
    # Ticks are rounded from exact positions, so that odd lengths do not add up to an error.
    exact = Fraction(tick)
    for beat, (length, metre) in zip(guide_map.beats, lengths, strict=True):
        exact += length * _WHOLE
        to_s = beat.guide_s + beat.length_s
        ticks = max(1, round(exact) - tick)
        longer = _enough(ticks, beat.length_s)
        exact += longer - ticks
        found.append(_Beat(tick, longer, beat.guide_s, to_s, metre))
        tick += longer
    return found


def _enough(ticks: int, seconds: float) -> int:
    """Return ticks in the slowest tempo for a time: as given, or so many times as many."""
    slowest_s = ticks * _SLOWEST / (DIVISION * 1e6)
    return ticks * max(1, math.ceil(seconds / slowest_s * (1 + 1e-6)))


def _counted_bars(guide_map: GuideMap, plan: GuidePlan) -> list[Bar]:
    """Return the bars of the count-in; an upbeat completes the last one."""
    first = plan.bars[0]
    groups = itertools.groupby(b.bar for b in guide_map.beats if b.is_count_in)
    bars = [Bar(number, first.metre, first.metre.length) for number, _ in groups]
    if bars and first.begin:
        bars[-1] = Bar(bars[-1].number, first.metre, first.begin)
    return bars


def _lengths(bars: Sequence[Bar]) -> list[tuple[Fraction, str | None]]:
    """Return how long each beat is played, the first one of a bar with the bar's metre."""
    found: list[tuple[Fraction, str | None]] = []
    for bar in bars:
        starts = [start for _, start in beat_starts(bar)]
        edges = [bar.begin, *starts[1:], bar.begin + bar.length]
        if starts:
            lengths = [stop - start for start, stop in itertools.pairwise(edges)]
            found += zip(lengths, [bar.metre.name, *[None] * len(starts)], strict=False)
        elif found:
            # An upbeat between two beats belongs to the one before.
            found[-1] = (found[-1][0] + bar.length, found[-1][1])
    return found


def _signatures(beats: Sequence[_Beat]) -> Iterator[tuple[int, mido.MetaMessage]]:
    """Yield a time signature wherever it changes."""
    import mido

    begins = [index for index, beat in enumerate(beats) if beat.bar is not None]
    before = None
    for begin, end in itertools.pairwise([*begins, len(beats)]):
        ticks = sum(beat.ticks for beat in beats[begin:end])
        over_under = _signature(ticks, beats[begin].bar or "")
        if over_under != before:
            over, under = before = over_under
            yield (
                beats[begin].tick,
                mido.MetaMessage("time_signature", numerator=over, denominator=under),
            )


def _signature(ticks: int, printed: str) -> tuple[int, int]:
    """Return the signature of a bar: as printed where it has that length, else its length."""
    found = _PRINTED.match(printed)
    if found and int(found[2]) and Fraction(int(found[1]), int(found[2])) * _WHOLE == ticks:
        return int(found[1]), int(found[2])
    for under in (4, 8, 16, 32, 64):
        over = Fraction(ticks * under, _WHOLE)
        if over.denominator == 1 and over <= 255:
            return int(over), under
    # No signature has this length: bars go on as the nearest 64th.
    return min(255, max(1, round(Fraction(ticks * 64, _WHOLE)))), 64


def _tempi(beats: Sequence[_Beat]) -> Iterator[tuple[int, mido.MetaMessage]]:
    """Yield a tempo wherever the one before would miss the end of a beat."""
    import mido

    # The file's own time, in microseconds times ticks per quarter: a whole number.
    now, tempo = 0, None
    for beat in beats:
        wanted = round(beat.to_s * 1e6 * DIVISION)
        near = _NEAR_S * 1e6 * DIVISION
        if tempo is None or abs(now + tempo * beat.ticks - wanted) > near:
            tempo = min(max(1, round((wanted - now) / beat.ticks)), _SLOWEST)
            yield beat.tick, mido.MetaMessage("set_tempo", tempo=tempo)
        now += tempo * beat.ticks


def _tick_at(beats: Sequence[_Beat], at_s: float) -> int:
    """Return the tick of a guide time."""
    index = max(0, bisect.bisect_right(beats, at_s + 1e-9, key=lambda beat: beat.from_s) - 1)
    beat = beats[index]
    share = (at_s - beat.from_s) / max(beat.to_s - beat.from_s, 1e-9)
    return beat.tick + round(min(max(share, 0.0), 1.0) * beat.ticks)


def _marks(guide_map: GuideMap, beats: Sequence[_Beat]) -> Iterator[tuple[int, mido.MetaMessage]]:
    """Yield the sections as markers."""
    import mido

    for mark in guide_map.marks:
        if mark.kind == "section":
            yield _tick_at(beats, mark.guide_s), mido.MetaMessage("marker", text=mark.name)


def _clicks(guide_map: GuideMap, beats: Sequence[_Beat]) -> Iterator[tuple[int, mido.Message]]:
    """Yield the clicks, each ended before the next one begins."""
    import mido

    ticks = {_tick_at(beats, click.guide_s): click.strength for click in guide_map.clicks}
    starts = sorted(ticks)
    last = beats[-1].tick + beats[-1].ticks
    for start, following in itertools.pairwise([*starts, max([last, *starts]) + 1]):
        pitch, velocity = _CLICKS[ticks[start]]
        stop = min(start + _CLICK_TICKS, following)
        note = {"note": pitch, "channel": _DRUMS}
        yield start, mido.Message("note_on", velocity=velocity, **note)
        yield stop, mido.Message("note_off", velocity=0, **note)
