"""Claps on the beats of the last count-in bar: runs of them, and the places that they allow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Floats
from syncvid.signals.attacks import Attacks
from syncvid.sync.clicks import Clicks
from syncvid.timeline import Placement

# A clap is sudden, and over soon: after an eighth of a second most of the rise is gone, whereas
# notes, even of plucked strings, keep more than half of it.
BREADTH = 0.2
RISE_DB = 6.0
DECAY_DB = 6.0
DECAY_SHARE = 0.5

# Neighbouring claps miss the beat by less than this, and the whole run by less than that.
MISS_S = 0.06
RUN_MISS_S = 0.05

# So many strong attacks within so many beats before are music.
MUSIC_RISE_DB = 12.0
NOTES_BEFORE = 2
BEATS_BEFORE = 3.25

# Fewer claps than this are no count-in.
FEWEST = 3

# How unlikely bars of other lengths are, where no accent tells, in nats.
BARS = {2: 2.0, 3: 0.0, 4: 0.0, 5: 3.0, 6: 1.5}

# How unlikely it is that two bars were clapped rather than one, in nats.
TWICE_NATS = 4.0

# How unlikely it is that a run lacks a clap, or took a note of the music for one, in nats.
LACKING_NATS = 3.0

# A count-in is not longer than this, in bars.
MOST_BARS = 6


@dataclass(frozen=True, slots=True)
class ClapRun:
    """Claps in the tempo of the count-in.

    Attributes
    ----------
    times_s : ndarray, shape (claps,), float64
        When they sound, in clip seconds.
    """

    times_s: Floats


@dataclass(frozen=True, slots=True)
class ClapPlace:
    """A place that a run of claps allows.

    Attributes
    ----------
    line : Placement
        Where; without drift, which a few claps cannot tell.
    run : ClapRun
        The claps.
    count_in : int
        Clicks before the music.
    bar : int
        Beats in a bar.
    spread_s : float
        Median miss of the claps around the clicks.
    unlikely : float
        What speaks against reading the run like this, in nats.
    """

    line: Placement
    run: ClapRun
    count_in: int
    bar: int
    spread_s: float
    unlikely: float = 0.0


def find_claps(attacks: Attacks, clicks: Clicks) -> tuple[ClapRun, ...]:
    """Find runs of claps in the tempo in which a guide begins.

    Parameters
    ----------
    attacks : Attacks
        Sudden beginnings in the clip.
    clicks : Clicks
        The guide's clicks.

    Returns
    -------
    tuple of ClapRun
        In the order of time.
    """
    clap = (
        (attacks.breadths >= BREADTH)
        & (attacks.rises_db >= RISE_DB)
        & (attacks.decays_db >= np.maximum(DECAY_DB, DECAY_SHARE * attacks.rises_db))
    )
    strong_s = attacks.times_s[attacks.rises_db >= MUSIC_RISE_DB]
    times_s = attacks.times_s[clap]
    beat_s = float(np.median(np.diff(clicks.times_s[: max(BARS) + 1])))
    runs: list[ClapRun] = []
    used = np.zeros(len(times_s), bool)
    for first in range(len(times_s)):
        if used[first]:
            continue
        chain = _chain(times_s, first, beat_s)
        while len(chain) >= FEWEST:
            drift_s = times_s[chain[-1]] - times_s[first] - beat_s * (len(chain) - 1)
            if abs(drift_s) < RUN_MISS_S:
                used[chain] = True
                if not _in_music(strong_s, times_s[first], beat_s):
                    runs.append(ClapRun(times_s[chain]))
                break
            chain.pop()
    return tuple(runs)


def _in_music(strong_s: Floats, first_s: float, beat_s: float) -> bool:
    """Return whether notes were played just before: then these are no claps."""
    before = (strong_s > first_s - BEATS_BEFORE * beat_s) & (strong_s < first_s - beat_s / 4)
    return int(before.sum()) >= NOTES_BEFORE


def _chain(times_s: Floats, first: int, beat_s: float) -> list[int]:
    """Return the claps that follow one another by a beat each."""
    chain = [first]
    while True:
        misses_s = np.abs(times_s - (times_s[chain[-1]] + beat_s))
        nearest = int(np.argmin(misses_s))
        if misses_s[nearest] > MISS_S or nearest <= chain[-1]:
            return chain
        chain.append(nearest)


def clap_places(runs: Sequence[ClapRun], clicks: Clicks) -> tuple[ClapPlace, ...]:
    """Return all places at which runs of claps are the end of a count-in.

    Parameters
    ----------
    runs : sequence of ClapRun
        From `find_claps`.
    clicks : Clicks
        The guide's clicks.

    Returns
    -------
    tuple of ClapPlace
    """
    places = []
    for run in runs:
        for bar, count_in, first, unlikely in _readings(len(run.times_s), clicks):
            count = min(len(run.times_s), bar, len(clicks.times_s) - first)
            misses_s = clicks.times_s[first : first + count] - run.times_s[:count]
            offset_s = float(np.median(misses_s))
            spread_s = float(np.median(np.abs(misses_s - offset_s)))
            places.append(ClapPlace(Placement(offset_s), run, count_in, bar, spread_s, unlikely))
    return tuple(places)


def _readings(claps: int, clicks: Clicks) -> list[tuple[int, int, int, float]]:
    """Return (beats in a bar, count-in, first clapped click, nats against it) that are possible."""
    found = []
    for bar in [clicks.meter] if clicks.meter else BARS:
        for count_in in range(bar, min(MOST_BARS * bar, len(clicks.times_s) - 1) + 1, bar):
            # The usual case; then a first clap that was not heard, then last ones.
            ways = [(count_in - bar, LACKING_NATS * abs(claps - bar))]
            if claps == 2 * bar:
                ways = [(count_in - 2 * bar, TWICE_NATS)]
            elif claps >= bar:
                ways.append((count_in - bar + 1, LACKING_NATS * (abs(claps - bar) + 1.5)))
            else:
                ways.append((count_in - claps, LACKING_NATS * (bar - claps)))
            found += [(bar, count_in, first, nats) for first, nats in ways if first >= 0]
    return found
