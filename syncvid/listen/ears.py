"""A clip in the left ear, the reference in the right: short sounds by which an ear can decide.

Whether two performances belong together is heard at once where both play; so a passage is looked
for in which they do, near the beginning of what they share.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats, check_mono
from syncvid.lazily import ndimage
from syncvid.listen.levels import HOP_S, hop_levels
from syncvid.production.results import Vote
from syncvid.timeline import Placement, to_samples

Playing = NDArray[np.bool_]
"""Of every `HOP_S` of a sound whether it plays."""

PASSAGE_S = 11.0
"""Length of a listening sound, in seconds."""

# Two sounds that share less than this cannot be judged by ear.
_SHORTEST_S = 1.0

# Share of a sound's usual strength from which it plays: -14 dB; a reverberant rest lies below.
_PLAYING = 0.2

# The first passage that is nearly as full of playing as the fullest one is taken (project choice).
_NEARLY_FULL = 0.9

# A passage begins with a note of both within this time, in seconds.
_SOON_S = 0.5

# Level to which the louder half of each side is brought, well below that of finished music, and
# the peak that is never passed; soft to begin and to end.
_LEVEL = 10 ** (-26 / 20)
_PEAK = 10 ** (-6.5 / 20)
_FADE_S = 0.050

# Noise in a side that is silent is not brought up by more than this factor: 40 dB.
_MOST_GAIN = 100.0

# The spline that reads a clip between its samples, as in `syncvid.mix`.
_SPLINE_ORDER = 3
_MARGIN_SAMPLES = 32


def find_playing(samples: Audio, *, sample_rate: int) -> Playing:
    """Tell of every `HOP_S` of a sound whether it plays, shape (hops,), bool."""
    levels = hop_levels(check_mono(samples), sample_rate)
    if not levels.any():
        return np.zeros(levels.size, np.bool_)
    loud = math.sqrt(float(np.mean(np.sort(levels)[levels.size // 2 :] ** 2)))
    return np.asarray(levels > _PLAYING * loud)


def find_passage(
    clip: Playing, reference: Playing, placement: Placement, *, votes: Sequence[Vote] = ()
) -> tuple[float, float] | None:
    """Find a passage in which both sounds play, near the beginning of what they share.

    Parameters
    ----------
    clip, reference : ndarray, shape (hops,), bool
        From `find_playing`.
    placement : Placement
        Where the clip lies on the reference.
    votes : sequence of Vote
        Windows of the clip; a passage that holds one that agrees is preferred.

    Returns
    -------
    (float, float) or None
        Reference seconds at which it begins and ends; None where they hardly share a second.
    """
    begin_s = max(0.0, placement.offset_s)
    end_s = min(reference.size * HOP_S, placement.to_reference(clip.size * HOP_S))
    if end_s - begin_s < _SHORTEST_S:
        return None
    length_s = min(PASSAGE_S, end_s - begin_s)
    hops_s: Floats = np.arange(math.floor((end_s - begin_s) / HOP_S), dtype=np.float64) * HOP_S
    both = _at(reference, begin_s + hops_s)
    both &= _at(clip, placement.to_clip(begin_s) + hops_s / placement.rate)
    window = min(hops_s.size, round(length_s / HOP_S))
    fullness = _running_mean(both.astype(np.float64), window)
    soon = _running_mean(both.astype(np.float64), min(window, round(_SOON_S / HOP_S)))
    fullness = np.where(soon[: fullness.size] > 0, fullness, 0.0)
    told = [placement.to_reference(vote.clip_s) for vote in votes if vote.agrees]
    preferred = fullness * _holds(told, begin_s + hops_s[: fullness.size], length_s)
    best = preferred if preferred.max(initial=0.0) > 0 else fullness
    first = int(np.argmax(best >= _NEARLY_FULL * best.max(initial=0.0)))
    start_s = begin_s + first * HOP_S
    return start_s, start_s + length_s


def both_ears(
    clip: Audio,
    reference: Audio,
    placement: Placement,
    passage: tuple[float, float],
    *,
    sample_rate: int,
) -> Audio:
    """Return a passage with the clip in the left ear and the reference in the right.

    Parameters
    ----------
    clip, reference : ndarray, shape (samples,), float32
        Mono sounds.
    placement : Placement
        Where the clip lies on the reference; its drift is taken out.
    passage : (float, float)
        Reference seconds at which it begins and ends.
    sample_rate : int
        Of both sounds and of the result, in Hz.

    Returns
    -------
    ndarray, shape (2, samples), float32
        Both sides equally loud, no sample above -6 dBFS.
    """
    first, last = (to_samples(time_s, sample_rate) for time_s in passage)
    at = placement.to_clip(first / sample_rate) * sample_rate
    times = at + np.arange(last - first) / placement.rate
    ears = np.stack(
        [_between(check_mono(clip), times), _within(check_mono(reference), first, last)]
    )
    ears *= np.array([[_gain(side, sample_rate)] for side in ears])
    peak = float(np.abs(ears).max(initial=0.0))
    ears *= min(1.0, _PEAK / peak) if peak > 0 else 1.0
    return (ears * _fades(ears.shape[1], sample_rate)).astype(np.float32)


def _at(playing: Playing, times_s: Floats) -> Playing:
    """Return whether a sound plays at times, shape (times,)."""
    hops = np.clip((times_s / HOP_S).astype(int), 0, playing.size - 1)
    return np.asarray(playing[hops])


def _running_mean(values: Floats, length: int) -> Floats:
    """Return the means of all stretches of a length, by where they begin."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    length = max(1, length)
    return np.asarray((sums[length:] - sums[:-length]) / length)


def _holds(moments_s: Sequence[float], begins_s: Floats, length_s: float) -> Playing:
    """Return which of the stretches that begin at times hold one of some moments."""
    inside = [(begins_s <= moment) & (moment <= begins_s + length_s) for moment in moments_s]
    return np.any(inside, axis=0) if inside else np.zeros(begins_s.size, np.bool_)


def _between(samples: Audio, times: Floats) -> Floats:
    """Return a sound at moments between its samples; silence outside of it."""
    if not times.size:
        return np.zeros(0)
    begin = math.floor(times[0]) - _MARGIN_SAMPLES
    piece = _within(samples, begin, math.ceil(times[-1]) + _MARGIN_SAMPLES)
    found = ndimage.map_coordinates(piece, (times - begin)[np.newaxis], order=_SPLINE_ORDER)
    return np.asarray(found, np.float64)


def _within(samples: Audio, first: int, last: int) -> Floats:
    """Return a stretch of samples; silence outside of the sound."""
    out = np.zeros(max(0, last - first))
    begin, end = max(first, 0), min(last, samples.size)
    if end > begin:
        out[begin - first : end - first] = samples[begin:end]
    return out


def _gain(side: Floats, sample_rate: int) -> float:
    """Return the factor that brings the louder half of a side to the usual level."""
    levels = np.sort(hop_levels(side.astype(np.float32), sample_rate))[::-1]
    loud = math.sqrt(float(np.mean(levels[: max(1, levels.size // 2)] ** 2))) if levels.size else 0
    return min(_MOST_GAIN, _LEVEL / loud) if loud > 0 else 1.0


def _fades(length: int, sample_rate: int) -> Floats:
    """Return a curve that rises from silence and falls back to it."""
    fade = min(to_samples(_FADE_S, sample_rate), length // 2)
    curve = np.ones(length)
    rise = (1 - np.cos(np.pi * (np.arange(fade) + 0.5) / max(1, fade))) / 2
    curve[:fade] *= rise
    curve[length - fade :] *= rise[::-1]
    return curve
