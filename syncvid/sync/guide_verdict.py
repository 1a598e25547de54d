"""Judging what ties a clip to a guide: when is it sure, when must an ear decide.

All evidence is counted in nats of log likelihood.  Clips laid against guides that are not theirs
(some 450 pairs) reached a height of 14.2 standard deviations by clicks, and 237 of them 9.8 nats
more for one place than for the next, never both.  Of 220 laid so by all evidence none was sure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from syncvid.production.results import Finding, Rival
from syncvid.sync import reasons
from syncvid.sync.click_look import ClickPlace
from syncvid.sync.count_in import CountIn, Opinion
from syncvid.sync.note_search import NotePlace

# Clicks in the background: how far they stand out, in standard deviations, to be mentioned and to
# be relied upon; between the first two the notes must agree.
CLICKS_FAINT = 8.0
CLICKS_POSSIBLE = 13.0
CLICKS_CERTAIN = 16.0

# Below this height the clicks themselves must part the best place from the next by more.
CLICKS_CLEAR = 20.0
UNCLEAR_MARGIN_NATS = 20.0

# How many nats the best place needs more than the next: one click alone is worth 8 at most.  With
# the notes added the sum must be larger, and the clicks must say the same.
MARGIN_NATS = 12.0
SUM_MARGIN_NATS = 16.0
OWN_MARGIN_NATS = 4.0

# Of the clicks that ought to be heard this share must be.
HEARD_SHARE = 0.5

# Faint clicks and notes together: least sum above the next place's, and least worth of the notes.
FAINT_MARGIN_NATS = 1.0
FAINT_NOTE_NATS = 12.0

# Claps: how far the agreed length of the count-in is ahead of the next, how well the claps fit the
# clicks, in seconds, and how well the notes fit the beats, in nats and in nats per note.
CLAPS_MARGIN_NATS = 7.0
CLAPS_SPREAD_S = 0.02
CLAPS_LOOSE_S = 0.03
SAME_PLACE_S = 0.1
CLAPS_NOTE_NATS = 4.0
CLAPS_PER_NOTE = 0.2

# Notes that fit worse than this are those of another piece; few notes say less than many.
CLAPS_FEW_PER_NOTE = -0.1
CLAPS_MANY_PER_NOTE = 0.05
CLAPS_MANY_NOTES = 20

# Notes alone: never sure.
NOTES_NATS = 25.0
NOTES_PER_NOTE = 0.4
NOTES_MARGIN_NATS = 2.0

# Likelihoods are flattened by this much, since what makes one note or click fit by chance often
# makes the next one fit as well.
TEMPER = 3.0

# Confidence of a place by claps or notes whose bar is settled.
CLAPS_CONFIDENCE = 0.97
NOTES_CONFIDENCE = 0.5
FAINT_CONFIDENCE = 0.5

# Rivals that are worth an ear, and how many.
RIVAL_LEAST = 0.02
MOST_RIVALS = 5


@dataclass(frozen=True, slots=True)
class Reading:
    """A place by clicks, with what else speaks for it.

    Attributes
    ----------
    place : ClickPlace
        The place.
    other_nats : float
        What notes and the end of the music say.
    notes : int
        How many notes were looked at.
    """

    place: ClickPlace
    other_nats: float
    notes: int

    @property
    def nats(self) -> float:
        """All evidence."""
        return self.place.nats + self.other_nats


def judge_clicks(
    readings: Sequence[Reading],
    *,
    alone: bool = False,
    edges: tuple[int, int] = (0, 0),
    meter: int | None = None,
) -> Finding | None:
    """Judge a place by the guide's clicks in the background.

    Parameters
    ----------
    readings : sequence of Reading
        The likeliest by clicks first.
    alone : bool
        Whether the clip holds nothing but the guide.
    edges : (int, int)
        Beats by which the guide in the background begins earlier and ends later than the known one.
    meter : int or None
        Beats in a bar, if known.

    Returns
    -------
    Finding or None
        None where the clicks are not to be heard.
    """
    if not readings or readings[0].place.height < CLICKS_POSSIBLE:
        return None
    ranked = sorted(readings, key=lambda reading: -reading.nats)
    best, own = ranked[0], readings[0]
    margin = best.nats - ranked[1].nats if len(ranked) > 1 else best.nats
    own_margin = own.place.nats - readings[1].place.nats if len(readings) > 1 else own.place.nats
    settled = best is own and (
        own_margin >= MARGIN_NATS or (own_margin >= OWN_MARGIN_NATS and margin >= SUM_MARGIN_NATS)
    )
    sure = (
        settled
        and best.place.height >= CLICKS_CERTAIN
        and (best.place.height >= CLICKS_CLEAR or own_margin >= UNCLEAR_MARGIN_NATS)
        and best.place.heard >= HEARD_SHARE * max(best.place.audible, 0)
        and not alone
        and edges == (0, 0)
    )
    share = _share([reading.nats for reading in ranked])
    return Finding(
        verdict="sure" if sure else "check",
        confidence=share if sure else 0.9 * share,
        reason=reasons.of_clicks(
            sure=sure,
            alone=alone,
            version=reasons.of_version(edges, meter) if settled else "",
            settled=settled,
            by_notes=best is not own,
        ),
        offset_s=best.place.line.offset_s,
        drift_ppm=best.place.line.drift_ppm,
        against="guide",
        rivals=() if sure else _rivals([(r.place.line.offset_s, r.nats) for r in ranked]),
    )


def judge_faint(readings: Sequence[Reading]) -> Finding | None:
    """Judge a place by clicks that are hardly to be heard, together with the notes: never sure.

    Parameters
    ----------
    readings : sequence of Reading
        The likeliest by clicks first.

    Returns
    -------
    Finding or None
        None where they do not agree.
    """
    if not readings or readings[0].place.height < CLICKS_FAINT:
        return None
    ranked = sorted(readings, key=lambda reading: -reading.nats)
    best = ranked[0]
    margin = best.nats - ranked[1].nats if len(ranked) > 1 else best.nats
    if best.other_nats < FAINT_NOTE_NATS or margin < FAINT_MARGIN_NATS:
        return None
    return Finding(
        verdict="check",
        confidence=FAINT_CONFIDENCE * _share([reading.nats for reading in ranked]),
        reason=reasons.FAINT_CLICKS,
        offset_s=best.place.line.offset_s,
        drift_ppm=best.place.line.drift_ppm,
        against="guide",
        rivals=_rivals([(reading.place.line.offset_s, reading.nats) for reading in ranked]),
    )


def judge_claps(
    opinions: Mapping[CountIn, Opinion],
    counted: Mapping[CountIn, float],
    strides: frozenset[int],
    backers: int,
) -> Finding | None:
    """Judge a place by claps on the count-in.

    One clip is never sure alone: of 1,662 clips laid against what is not theirs, one clapped and
    played in time with another guide.

    Parameters
    ----------
    opinions : mapping of int to Opinion
        The clip's places, for each length of the count-in.
    counted : mapping of int to float
        What all clips say about that length.
    strides : frozenset of int
        Clicks from one clap to the next at which claps can be relied upon.
    backers : int
        How many clips fit the likeliest length of the count-in well, this one among them.

    Returns
    -------
    Finding or None
        None where there are no claps, or they are not this guide's.
    """
    ranked = sorted(counted.items(), key=lambda pair: -pair[1])
    if not opinions or not ranked or ranked[0][0] not in opinions:
        return None
    opinion = opinions[ranked[0][0]]
    per_note, place = opinion.nats_per_note, opinion.place
    least = CLAPS_MANY_PER_NOTE if opinion.notes >= CLAPS_MANY_NOTES else CLAPS_FEW_PER_NOTE
    if place.spread_s > CLAPS_LOOSE_S or per_note < least:
        return None
    places = _places(opinions, ranked)
    margin = places[0][1] - places[1][1] if len(places) > 1 else 0.0
    sure = (
        backers > 1
        and margin >= CLAPS_MARGIN_NATS
        and place.spread_s <= CLAPS_SPREAD_S
        and len(place.run.times_s) >= place.bar
        and opinion.stride in strides
        and opinion.note_nats >= CLAPS_NOTE_NATS
        and per_note >= CLAPS_PER_NOTE
    )
    share = _share([nats for _, nats in places])
    return Finding(
        verdict="sure" if sure else "check",
        confidence=CLAPS_CONFIDENCE * share if sure else 0.8 * share,
        reason=reasons.of_claps(
            len(place.run.times_s), sure=sure, settled=margin >= CLAPS_MARGIN_NATS
        ),
        offset_s=place.line.offset_s,
        drift_ppm=0.0,
        against="guide",
        rivals=() if sure else _rivals(places),
    )


def count_backers(
    opinions: Sequence[Mapping[CountIn, Opinion]], counted: Mapping[CountIn, float]
) -> int:
    """Return how many clips fit the likeliest length of the count-in as well as claps must."""
    if not counted:
        return 0
    read = max(counted, key=counted.__getitem__)
    fitting = [held[read] for held in opinions if read in held]
    return sum(
        opinion.note_nats >= CLAPS_NOTE_NATS and opinion.nats_per_note >= CLAPS_PER_NOTE
        for opinion in fitting
    )


def _places(
    opinions: Mapping[CountIn, Opinion], ranked: Sequence[tuple[CountIn, float]]
) -> list[tuple[float, float]]:
    """Return where readings put a clip, and their nats; the best reading of each place only."""
    places: list[tuple[float, float]] = []
    for read, nats in ranked:
        if read in opinions:
            offset_s = opinions[read].place.line.offset_s
            if all(abs(offset_s - other_s) > SAME_PLACE_S for other_s, _ in places):
                places.append((offset_s, nats))
    return places


def judge_notes(places: Sequence[NotePlace]) -> Finding | None:
    """Judge a place by the beginnings of notes alone: never sure.

    Parameters
    ----------
    places : sequence of NotePlace
        The likeliest first.

    Returns
    -------
    Finding or None
        None where no place clearly stands out.
    """
    if not places:
        return None
    best = places[0]
    margin = best.nats - places[1].nats if len(places) > 1 else best.nats
    clear = best.note_nats >= max(NOTES_NATS, NOTES_PER_NOTE * best.notes)
    if not clear or margin < NOTES_MARGIN_NATS:
        return None
    return Finding(
        verdict="check",
        confidence=NOTES_CONFIDENCE * _share([place.nats for place in places]),
        reason=reasons.NOTES_ON_BEATS,
        offset_s=best.line.offset_s,
        drift_ppm=0.0,
        against="guide",
        rivals=_rivals([(place.line.offset_s, place.nats) for place in places]),
    )


def _share(nats: Sequence[float]) -> float:
    """Return the share of the best place in the likelihood of all."""
    best = max(nats)
    return 1.0 / sum(math.exp((value - best) / TEMPER) for value in nats)


def _rivals(places: Sequence[tuple[float, float]]) -> tuple[Rival, ...]:
    """Return the places behind the first, with their likelihood as a share of its."""
    best = places[0][1]
    rivals = (
        Rival(offset_s, min(1.0, math.exp(min(0.0, (nats - best) / TEMPER))))
        for offset_s, nats in places[1 : MOST_RIVALS + 1]
    )
    return tuple(rival for rival in rivals if rival.strength >= RIVAL_LEAST)
