"""Where the music of a mix begins and has died away, and the silence before and after it.

Recordings made at home bring noise with them: it is there before the music and after it, and it is
not music.  So its level is measured on both sides, each for itself, and music is what stands out
of it for some time.  Without noise every sample counts.  In doubt an end lies farther outside.

Whether the music ends is asked as whether it begins in the sound played backwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from syncvid.errors import SignalError
from syncvid.mix.door import check_mix
from syncvid.mix.fades import rise
from syncvid.mix.outermost import (
    GONE_HOPS,
    HOP_S,
    Outermost,
    find_outermost,
    hop_powers,
    loud_power,
    unheard,
)
from syncvid.timeline import to_samples

if TYPE_CHECKING:
    from syncvid.arrays import Audio

# Where there is noise, the first and the last of the music lie below it: so much more is taken.
_BEFORE_S, _AFTER_S = 0.010, 0.100

# Fades in the silence before and after the music last so long at most (common practice).
_FADE_S = 0.25


@dataclass(frozen=True, slots=True)
class Ends:
    """Between which seconds of a sound there is music.

    Attributes
    ----------
    music_from_s : float
        Its first sample.
    music_to_s : float
        Behind its last one, the room's tail included.
    """

    music_from_s: float
    music_to_s: float


def find_ends(
    samples: Audio, *, sample_rate: int, near_s: tuple[float, float] | None = None
) -> Ends | None:
    """Find where the music begins, and where its last sound has died away.

    Parameters
    ----------
    samples : ndarray, shape (2, samples), float32
        A mix; noise before and after the music is not music.
    sample_rate : int
        In Hz.
    near_s : (float, float), optional
        Where the first note begins and the last one ends, coarsely: nothing that begins more than
        1 s before, or lasts on only from more than 1 s after, is music.  What sounds there and
        dies away later does so in its own time.

    Returns
    -------
    Ends or None
        Where there is no noise: to the sample, down to 80 dB under the mean level.  In noise: to
        where the music stands out of it, and up to 0.02 s before and 0.2 s after.  None for
        silence.

    Raises
    ------
    SignalError
        Not two channels of float32, or values that are not finite.
    """
    check_mix(samples)
    hop, count = to_samples(HOP_S, sample_rate), samples.shape[1]
    powers = hop_powers(samples, hop)
    loud = loud_power(powers)
    if not loud:
        return None
    near = (None, None) if near_s is None else (near_s[0], powers.size * HOP_S - near_s[1])
    first = find_outermost(powers, loud=loud, near_s=near[0])
    last = find_outermost(powers[::-1], loud=loud, near_s=near[1])
    least = float(np.sqrt(unheard(loud)))
    begin = _to_sample(samples, first, hop, least, to_samples(_BEFORE_S, sample_rate))
    # Played backwards, the sound begins with what the last hop lacks.
    lacking = powers.size * hop - count
    margin = to_samples(_AFTER_S, sample_rate)
    back = _to_sample(samples[:, ::-1], last, hop, least, margin, lacking)
    return Ends(begin / sample_rate, max(begin + 1, count - back) / sample_rate)


def _to_sample(
    samples: Audio, found: Outermost, hop: int, least: float, margin: int, lacking: int = 0
) -> int:
    """Return the first sample of the music."""
    if found.noisy:
        return max(0, found.hop * hop - lacking - margin)
    # The mean of a tenth of a second stands out as soon as its last samples do.
    begin = max(0, (found.hop - GONE_HOPS) * hop - lacking)
    around = np.abs(samples[:, begin : (found.hop + 1) * hop - lacking]).max(axis=0, initial=0.0)
    out = np.flatnonzero(around > least)
    return begin + (int(out[0]) if out.size else 0)


def set_ends(
    samples: Audio, ends: Ends, *, sample_rate: int, head_s: float, tail_s: float
) -> tuple[Audio, int]:
    """Give a mix its silence before and after the music.

    Parameters
    ----------
    samples : ndarray, shape (2, samples), float32
        The mix; it is not changed.
    ends : Ends
        Between which seconds of it there is music.
    sample_rate : int
        In Hz.
    head_s, tail_s : float
        Silence before and after it, at least 0.

    Returns
    -------
    samples : ndarray, shape (2, samples), float32
        A new array: the head, the music bit for bit, the tail.  What sounded beside the music
        fades within head and tail, in at most half of each and at most 0.25 s; the rest of them
        is digital silence.
    cut_samples : int
        How many samples of what was given are missing from its front; below 0: so many were added.

    Raises
    ------
    SignalError
        Not two channels of float32, values that are not finite, ends that do not lie within the
        sound one after the other, or a silence shorter than 0.
    """
    check_mix(samples)
    first, last = (to_samples(at, sample_rate) for at in (ends.music_from_s, ends.music_to_s))
    if not 0 <= first <= last <= samples.shape[1]:
        raise SignalError(f"A mix of {samples.shape[1]} samples has no music in {first} to {last}.")
    if not (0 <= head_s < np.inf and 0 <= tail_s < np.inf):
        raise SignalError(f"Silences of {head_s} s and {tail_s} s cannot be made.")
    head, tail = to_samples(head_s, sample_rate), to_samples(tail_s, sample_rate)
    longest = to_samples(_FADE_S, sample_rate)
    fade_in = min(longest, head // 2, first)
    fade_out = min(longest, tail // 2, samples.shape[1] - last)
    begin, stop = first - fade_in, last + fade_out
    made = np.zeros((2, head + last - first + tail), np.float32)
    made[:, head - fade_in : head + last - first + fade_out] = samples[:, begin:stop]
    made[:, head - fade_in : head] *= rise(fade_in)
    after = head + last - first
    made[:, after : after + fade_out] *= rise(fade_out)[::-1]
    return made, first - head
