"""Which bar the claps stand for: the evidence of one clip, and of all clips of one guide together.

A run of claps fits the end of every bar of a steady guide.  What tells the length of the count-in:
a count-in that sounds unlike the music, notes against tempo changes, and the end of the music,
which is not later than that of the guide and mostly not much earlier.  All clips were recorded to
the same guide, so that their evidence adds up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from syncvid.sync.beats import Playing, fit_beats
from syncvid.sync.claps import BARS, ClapPlace, clap_places, find_claps
from syncvid.sync.clicks import Clicks, beat_strides, thin_out

# No place of a clip is held to be less likely than its best by more than so many nats, so that one
# clip does not overrule many.
MOST_NATS = 40.0

# The music ends within these bars of the guide's end; how unlikely earlier and later ends are, in
# nats at once, and per bar.
EARLY_BARS = 0.6
LATE_BARS = 0.4
EARLY_NATS = (2.0, 0.4)
LATE_NATS = (5.0, 4.0)

# A count-in that sounds unlike the rest is one.
KNOWN_NATS = 25.0

# Music comes in phrases of four bars and eight; count-ins have two bars, rather than one or three.
PHRASE_NATS = 1.0
COUNT_IN_NATS = {1: -0.7, 2: 0.0, 3: -0.4, 4: -0.7, 5: -2.5, 6: -2.5}

# Another run of claps later on, off the beat: that one was a false start.
RESTART_NATS = 6.0


CountIn = tuple[int, int]
"""A reading of a guide: clicks before the music, and clicks in a bar of it."""


@dataclass(frozen=True, slots=True)
class Opinion:
    """What one clip says about a place.

    Attributes
    ----------
    place : ClapPlace
        The place.
    nats : float
        Its log likelihood.
    note_nats : float
        The part of the notes in it.
    notes : int
        How many notes there were.
    bar : int
        Clicks in a bar.
    """

    place: ClapPlace
    nats: float
    note_nats: float
    notes: int
    bar: int

    @property
    def nats_per_note(self) -> float:
        """How well a note fits the beats, on average."""
        return self.note_nats / max(1, self.notes)

    @property
    def stride(self) -> int:
        """Clicks from one clap to the next."""
        return self.bar // self.place.bar


def shared_strides(
    opinions: Sequence[dict[CountIn, Opinion]], count_in: CountIn | None
) -> frozenset[int]:
    """Return the strides at which claps can be relied upon.

    A player who claps every click, half of whose claps are lost, seems to clap every other one,
    and may be a click off.  So claps on every click count alone, others only where two clips do the
    same and none does otherwise.
    """
    seen = [held[count_in].stride for held in opinions if count_in is not None and count_in in held]
    return frozenset({1} | ({seen[0]} if len(seen) > 1 and len(set(seen)) == 1 else set()))


def weigh_claps(playing: Playing, clicks: Clicks) -> dict[CountIn, Opinion]:
    """Find and weigh the places that claps allow in one clip.

    Parameters
    ----------
    playing : Playing
        What is heard of the player.
    clicks : Clicks
        The guide's clicks.

    Returns
    -------
    dict of (int, int) to Opinion
        The best place for each length of the count-in and of a bar, in clicks.
    """
    best: dict[CountIn, Opinion] = {}
    for stride in beat_strides(clicks):
        beats = thin_out(clicks, stride)
        places = clap_places(find_claps(playing.attacks, beats), beats)
        for place in places:
            opinion = _weigh(place, places, playing, beats, stride)
            read = place.count_in * stride, place.bar * stride
            held = best.get(read)
            if held is None or opinion.nats > held.nats:
                best[read] = opinion
    floor = max((opinion.nats for opinion in best.values()), default=0.0) - MOST_NATS
    return {read: replace(opinion, nats=max(opinion.nats, floor)) for read, opinion in best.items()}


def _weigh(
    place: ClapPlace, places: Sequence[ClapPlace], playing: Playing, beats: Clicks, stride: int
) -> Opinion:
    """Weigh one place."""
    start_s = float(beats.times_s[place.count_in]) - 0.3 * beats.beat_s
    fit = fit_beats(playing, place.line, beats, from_guide_s=start_s)
    nats = fit.nats
    later = {
        float(other.run.times_s[0])
        for other in places
        if other.run.times_s[0] > place.run.times_s[-1]
    }
    nats -= RESTART_NATS * len(later)
    nats -= end_penalty(playing, place.line.offset_s, beats, beats.beat_s * place.bar)
    nats -= place.unlikely
    return Opinion(place, nats, fit.nats, fit.notes, place.bar * stride)


def end_penalty(playing: Playing, offset_s: float, clicks: Clicks, bar_s: float) -> float:
    """Return how unlikely the end of the music is at a place, in nats."""
    if playing.end_s is None:
        return 0.0
    bars = (playing.end_s + offset_s - clicks.end_s) / bar_s
    if bars > LATE_BARS:
        return LATE_NATS[0] + LATE_NATS[1] * min(bars - LATE_BARS, 3.0)
    if bars < -EARLY_BARS:
        return EARLY_NATS[0] + EARLY_NATS[1] * min(-bars - EARLY_BARS, 8.0)
    return 0.0


def prior_nats(read: CountIn, stride: int, clicks: Clicks) -> float:
    """Return how likely a count-in is before any clip is heard, in nats."""
    count_in, bar = read
    nats = COUNT_IN_NATS.get(count_in // bar, -4.0)
    nats -= 0.0 if clicks.meter else BARS[bar // stride]
    music = (len(clicks.times_s) - count_in) / bar
    nats += PHRASE_NATS * ((music % 4 == 0) + (music % 8 == 0))
    if clicks.count_in is not None:
        nats += KNOWN_NATS if clicks.count_in == count_in else 0.0
    return nats


def agree_on_count_in(
    opinions: Sequence[dict[CountIn, Opinion]], clicks: Clicks
) -> dict[CountIn, float]:
    """Add up what all clips say about the count-in.

    Parameters
    ----------
    opinions : sequence of dict of (int, int) to Opinion
        From `weigh_claps`, one per clip.
    clicks : Clicks
        The guide's clicks.

    Returns
    -------
    dict of (int, int) to float
        Nats for each length of count-in and bar, in clicks; empty if no clip has claps.
    """
    holding = [opinion for opinion in opinions if opinion]
    totals = {}
    for read in sorted({read for opinion in holding for read in opinion}):
        stride = next(opinion[read].stride for opinion in holding if read in opinion)
        totals[read] = prior_nats(read, stride, clicks) + sum(
            opinion[read].nats
            if read in opinion
            else min(other.nats for other in opinion.values()) - RESTART_NATS
            for opinion in holding
        )
    return totals
