"""The places that may hide a splice, each with its cost."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.mix.hiding import HOP_S
from syncvid.mix.splice_costs import Near, astray, broken
from syncvid.production.mix_made import Hiding
from syncvid.timeline import to_samples

# Rests: the shortest, after half a level's window is gone at both ends; how far from its ends the
# cut stays where it can; the fade.
_SHORTEST_REST_S = 0.040
_REST_MARGIN_S = 0.080
_REST_FADE_S = (0.020, 0.060)

# Before an attack: the fade, and from how long to how long before the first sound it is over.  Each
# of those milliseconds is worth so many decibels of a bump or a dip.
_ATTACK_FADE_S = 0.008
_ATTACK_GAPS_S = (0.0025, 0.0080)
_DB_PER_MS = 0.15

# Two waves that meet upside down are never softer than this.
_LEAST_SHARE = 1e-3

_QUIET_FADE_S = 0.030
_HELD_FADES_S = (0.080, 0.050, 0.030)

# Costs; a place as far from the mark as may be costs 1 more.
_REST_COST, _NOT_THERE_COST = 0.0, 0.5
_ATTACK_COST, _FAINT_COST, _ALONE_COST = 0.3, 0.5, 0.2
_CLEAR_RISE_DB = 8.0
_QUIET_COST, _LOUD_COST, _QUIET_DB, _DEEP_DB = 0.8, 0.6, -6.0, -25.0
_HELD_COST, _UNLIKE_COST, _SHORT_COST = 0.9, 0.7, 0.05


@dataclass(frozen=True, slots=True)
class Place:
    """A place for the splice, in seconds from the beginning of the arrays."""

    at_s: float
    fade_s: float
    hidden_in: Hiding
    cost: float


def best_place(near: Near, old: Audio, new: Audio, sample_rate: int) -> Place:
    """Return the cheapest place; the arrays are at least as long as the shortest fade of a note."""
    places = [*_rests(near), *_attacks(near, old, new, sample_rate), *_quiet(near)]
    places += _held(near, old, new, sample_rate)
    return min(places, key=lambda place: place.cost)


def _rests(near: Near) -> Iterator[Place]:
    """Yield a place in each rest of both takes."""
    both = near.old.resting & near.new.resting
    there = near.old.there & near.new.there
    for silent, cost in ((both & there, 0.0), (both, _NOT_THERE_COST)):
        edges = np.flatnonzero(np.diff(np.pad(silent, 1).astype(np.int8)))
        for first, last in (edges.reshape(-1, 2) * HOP_S).tolist():
            if last - first >= _SHORTEST_REST_S:
                yield from _in_rest(near, first, last, _REST_COST + cost)


def _in_rest(near: Near, first_s: float, last_s: float, cost: float) -> Iterator[Place]:
    """Yield the place in one rest: its middle, or as near to the mark as a long one allows."""
    shortest, longest = _REST_FADE_S
    fade_s = min(longest, max(shortest, 0.6 * (last_s - first_s)))
    margin_s = min(_REST_MARGIN_S, (last_s - first_s) / 2)
    low, high = near.window(fade_s)
    low, high = max(low, first_s + fade_s / 2), min(high, last_s - fade_s / 2)
    if low <= high:
        at_s = min(max(near.mark_s, first_s + margin_s), last_s - margin_s)
        at_s = min(max(at_s, low), high)
        total = cost + astray(near, at_s) + broken(near, at_s, fade_s)
        yield Place(at_s, fade_s, "rest", float(total))


def _attacks(near: Near, old: Audio, new: Audio, sample_rate: int) -> Iterator[Place]:
    """Yield the place before each attack of the new take."""
    low, high = near.window(_ATTACK_FADE_S)
    alike = likeness(old, new, to_samples(_ATTACK_FADE_S, sample_rate))
    for note in near.notes:
        latest_s = note.first_s - _ATTACK_GAPS_S[0] - _ATTACK_FADE_S / 2
        # Without an attack of the new take nothing would hide it.
        if note.new_s is None or not low <= latest_s <= high:
            continue
        at_s = max(low, _before_attack_s(latest_s, alike, sample_rate))
        faint = _FAINT_COST * max(0.0, 1 - note.rise_db / _CLEAR_RISE_DB)
        cost = _ATTACK_COST + faint + (_ALONE_COST if note.old_s is None else 0.0)
        cost += float(astray(near, note.first_s) + broken(near, at_s, _ATTACK_FADE_S))
        yield Place(at_s, _ATTACK_FADE_S, "attack", cost)


def _before_attack_s(latest_s: float, alike: Floats, sample_rate: int) -> float:
    """Return where, within some milliseconds before an attack, the loudness changes least."""
    first = to_samples(latest_s - _ATTACK_FADE_S / 2, sample_rate)
    back = np.arange(to_samples(_ATTACK_GAPS_S[1] - _ATTACK_GAPS_S[0], sample_rate) + 1)
    back = back[back <= first]
    wrong_db = level_errors_db(alike[np.minimum(first - back, alike.size - 1)]).min(axis=0)
    best = int(np.argmin(wrong_db + _DB_PER_MS * 1000 * back / sample_rate)) if back.size else 0
    return latest_s - best / sample_rate


def _quiet(near: Near) -> Iterator[Place]:
    """Yield the quietest place, if the takes become quieter at all."""
    fade_s = _QUIET_FADE_S
    low, high = near.window(fade_s)
    at_s = np.asarray(np.arange(near.old.level_db.size) * HOP_S, np.float64)
    level_db: Floats = np.maximum(near.old.level_db, near.new.level_db)
    fits = (at_s >= low) & (at_s <= high) & (level_db <= _QUIET_DB)
    if fits.any():
        at_s, level_db = at_s[fits], level_db[fits]
        loud = np.clip(1 - level_db / _DEEP_DB, 0.0, 1.0)
        cost = _QUIET_COST + _LOUD_COST * loud + astray(near, at_s) + broken(near, at_s, fade_s)
        best = int(np.argmin(cost))
        yield Place(float(at_s[best]), fade_s, "quiet", float(cost[best]))


def _held(near: Near, old: Audio, new: Audio, sample_rate: int) -> Iterator[Place]:
    """Yield, for each length of fade, the place where the two waves agree best."""
    for shorter, fade_s in enumerate(_HELD_FADES_S):
        low, high = near.window(fade_s)
        width = to_samples(fade_s, sample_rate)
        alike = likeness(old, new, width)
        at_s = (np.arange(alike.size) + width / 2) / sample_rate
        # The place of one sample is always there.
        fits = (at_s > low - 1 / sample_rate) & (at_s < high + 1 / sample_rate)
        if fits.any():
            at_s, alike = np.clip(at_s[fits], low, high), alike[fits]
            cost = _HELD_COST + _UNLIKE_COST * (1 - alike) + _SHORT_COST * shorter
            cost = cost + astray(near, at_s) + broken(near, at_s, fade_s)
            best = int(np.argmin(cost))
            yield Place(float(at_s[best]), fade_s, "held", float(cost[best]))


def likeness(old: Audio, new: Audio, width: int) -> Floats:
    """Return how alike two sounds are in each window: 1 for the same, 0 for unlike ones.

    That is by how much their sum is louder than unlike sounds of the same power would be.
    """
    product, power = old.astype(np.float64) * new, np.square(old, dtype=np.float64)
    power = power + np.square(new, dtype=np.float64)
    sums = [np.concatenate(([0.0], np.cumsum(what))) for what in (product, power)]
    same, whole = (total[width:] - total[:-width] for total in sums)
    return np.asarray(2 * same / np.maximum(whole, 1e-12), np.float64)


def level_errors_db(alike: Floats) -> Floats:
    """Return by how much the centre of a cross-fade is too loud or soft, by equal power and linear.

    Of sounds that are alike by r, and equally loud: equal power gives 1 + r of their power, linear
    half of that.  Shape (2, ...).
    """
    power = np.maximum(1 + alike, _LEAST_SHARE)
    return np.asarray(np.abs(10 * np.log10(np.stack((power, power / 2)))), np.float64)
