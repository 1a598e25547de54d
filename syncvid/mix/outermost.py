"""The first hop of music in the levels of a sound that may begin with noise.

The noise is measured before the music itself; music is what stands out of it for some time, and
what leads there without a pause.  Whether and where music ends is asked as whether and where it
begins in the levels backwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from syncvid.arrays import Audio, Floats

# Levels are those of a hundredth of a second.
HOP_S = 0.010

# What is loud: what is not so far under the mean of all.
_REST_DB = -20.0

# What is certainly music: not so far under the mean level of the loud, for so many of the next
# hops.  A knock is shorter.
_SURELY_DB, _SURELY_HOPS = -25.0, 3

# Nor so far under the loud or over the softest, where the noise is loud.
_OVER_DB = 8.0

# Before that, music stands out of the noise by so much for so many of the next hops.
_OUT_DB, _OUT_HOPS, _NEXT_HOPS = 6.0, 5, 8

# The noise is what is softest for a quarter of a second, and all that is next to as soft.  It lasts
# for half a second at least, and its second half is hardly louder than its first.
_NOISE_HOPS, _NOISE_DB, _STEADY_DB = 25, 3.0, 1.2

# A note dies away into the noise: while a tenth of a second stands out by this, it is still there;
# pauses are shorter than a fifth (two strings that beat).
_GONE_DB, GONE_HOPS, _PAUSE_HOPS = 1.5, 10, 20

# Two strings that beat come again, but not by so much over a tenth of a second.
_RISES_DB = 15.0

# Without noise: what lies so far under the mean level is not heard beside it, nor is what lies
# under a step of 16 bits.
_UNHEARD_DB, _LEAST = -80.0, 2.0**-16

# Where the ends are known coarsely, they lie at most so far outside and inside of there; the noise
# is then measured so far outside of that.
_OUTSIDE_S, _INSIDE_S, _NOISE_S = 1.0, 0.5, 2.0


@dataclass(frozen=True, slots=True)
class Outermost:
    """The first hop of the music, and whether it comes out of noise."""

    hop: int
    noisy: bool


def loud_power(powers: Floats) -> float:
    """Return the mean power of a sound where it is loud; 0 for silence."""
    sounding = powers[powers > _LEAST**2]
    if not sounding.size:
        return 0.0
    # Rests and noise do not count.
    return float(sounding[sounding > sounding.mean() * _ratio(_REST_DB)].mean())


def unheard(loud: float) -> float:
    """Return the power under which nothing is heard beside music of a power."""
    return max(loud * _ratio(_UNHEARD_DB), _LEAST**2)


def find_outermost(powers: Floats, *, loud: float, near_s: float | None) -> Outermost:
    """Find the first hop of the music.

    Parameters
    ----------
    powers : ndarray, shape (hops,), float64
        See `hop_powers`.
    loud : float
        See `loud_power`.
    near_s : float or None
        Where it is coarsely known to begin.

    Returns
    -------
    Outermost
        Of a sound that nowhere stands out for long: the first hop that can be heard at all.
    """
    least = unheard(loud)
    begin, stop = 0, powers.size
    if near_s is not None:
        begin = min(max(0, round((near_s - _OUTSIDE_S) / HOP_S)), powers.size - 1)
        stop = min(max(begin + 1, round((near_s + _INSIDE_S) / HOP_S)), powers.size)
    sure = _stands_out(powers, _sure_power(powers, loud), _SURELY_HOPS, begin, stop)
    sure = stop - 1 if sure is None else sure
    since = 0 if near_s is None else max(0, begin - round(_NOISE_S / HOP_S))
    noise, highest = _noise(powers[since:sure])
    if not noise and since > 0:
        # A note that rings on for long leaves no noise near the music.
        noise, highest = _noise(powers[:sure])
    threshold = max(noise * _ratio(_OUT_DB), least)
    found = _stands_out(powers, threshold, _OUT_HOPS, begin, sure + 1)
    if found is None:
        found = _stands_out(powers, threshold, 1, begin, sure + 1)
    gone = max(noise * _ratio(_GONE_DB), highest, least)
    hop = _die_away(powers, sure if found is None else found, gone)
    if near_s is not None:
        hop = max(hop, _until_it_rises(powers, hop, begin, max(noise, least)))
    return Outermost(hop, threshold > least)


def _stands_out(powers: Floats, threshold: float, hops: int, begin: int, stop: int) -> int | None:
    """Return the first hop above a threshold, so many of the next ones included; None: nowhere."""
    out = powers[begin : stop + _NEXT_HOPS] > threshold
    sums = np.concatenate(([0], np.cumsum(out), np.full(_NEXT_HOPS, out.sum())))
    some = out & (sums[_NEXT_HOPS : _NEXT_HOPS + out.size] - sums[: out.size] >= hops)
    at = np.flatnonzero(some[: stop - begin])
    return begin + int(at[0]) if at.size else None


def _sure_power(powers: Floats, loud: float) -> float:
    """Return above what power a sound is certainly music."""
    outer = powers[: powers.size // 2]
    means = _trailing(outer[outer > _LEAST**2], _NOISE_HOPS)[_NOISE_HOPS - 1 :]
    softest = float(means.min(initial=loud)) * _ratio(_OVER_DB)
    return float(np.clip(softest, loud * _ratio(_SURELY_DB), loud * _ratio(-_OVER_DB)))


def _noise(powers: Floats) -> tuple[float, float]:
    """Return the power of the noise, and how high a tenth of a second of it may come; or zeros."""
    # The first hop that is not silent may be silent for the most part.
    powers = powers[powers > _LEAST**2][1:]
    means = _trailing(powers, _NOISE_HOPS)[_NOISE_HOPS - 1 :]
    soft = np.flatnonzero(means < means.min(initial=np.inf) * _ratio(_NOISE_DB))
    if soft.size < _NOISE_HOPS:
        return 0.0, 0.0
    outer, inner = np.array_split(means[soft], 2)
    # A note that swells from nothing is louder inside; noise is as loud all the time.
    if inner.mean() > outer.mean() * _ratio(_STEADY_DB):
        return 0.0, 0.0
    short = _trailing(powers, GONE_HOPS)[_NOISE_HOPS - 1 :]
    return float(means[soft].mean()), float(np.percentile(short[soft], 95))


def _die_away(powers: Floats, hop: int, gone: float) -> int:
    """Go outwards from a hop of music as far as the hops beyond stand out."""
    alive = np.flatnonzero(_trailing(powers[:hop], GONE_HOPS) > gone)[::-1]
    if not alive.size:
        return hop
    steps = np.diff(np.insert(-alive, 0, -hop))
    far = np.flatnonzero(steps > _PAUSE_HOPS)
    within = alive[: far[0]] if far.size else alive
    return int(within[-1]) if within.size else hop


def _until_it_rises(powers: Floats, hop: int, begin: int, least: float) -> int:
    """Return the softest hop between the music and what is louder farther out: talk, a knock.

    Outside of where the music certainly is, what belongs to it only dies away.
    """
    outwards = np.maximum(_trailing(powers[: begin + 1], GONE_HOPS)[hop:][::-1], least)
    softest = np.minimum.accumulate(outwards)
    risen = np.flatnonzero(outwards > softest * _ratio(_RISES_DB))
    if not risen.size:
        return hop
    # A hop tells of the tenth of a second outside of it, of which nothing is to be kept.
    return min(begin, begin - int(np.argmin(outwards[: risen[0]])) + GONE_HOPS)


def hop_powers(samples: Audio, hop: int) -> Floats:
    """Return the mean power of both channels in hops, the last one filled up with silence."""
    whole = samples.shape[1] // hop
    powers = np.zeros(-(-samples.shape[1] // hop))
    for channel in samples:
        hops = channel[: whole * hop].reshape(whole, hop)
        powers[:whole] += np.einsum("ij,ij->i", hops, hops) / (2 * hop)
        rest = channel[whole * hop :].astype(np.float64)
        powers[whole:] += np.dot(rest, rest) / (2 * hop)
    return powers


def _trailing(values: Floats, length: int) -> Floats:
    """Return the mean of each value and those before it, as many as there are."""
    sums = np.insert(np.cumsum(values), 0, 0.0)
    at = np.arange(1, values.size + 1)
    since = np.maximum(at - length, 0)
    return np.asarray((sums[at] - sums[since]) / (at - since), np.float64)


def _ratio(level_db: float) -> float:
    """Return a level in dB as a ratio of powers."""
    return float(10 ** (level_db / 10))
