"""Where to change from one take of a part to another, so that nobody hears it.

Four places hide a splice, in this order: a rest of both takes; the moment before an attack; the
quietest moment near; and, where a note is held, the moment at which the two waves agree.  Each has
a cost, to which comes how far it is from the mark and how many notes it gives to the wrong take;
the cheapest place wins.  So an attack at the marked downbeat is better than a rest a third of a
second before it, and a rest at the mark better than an attack as far away.

An attack hides what is before it by two effects of hearing.  What is heard just before a loud sound
is covered by it: well over 1 to 2 ms, measurably over some 10 to 20 ms.  And what sounded until the
fade covers the fade itself, for 50 ms and more.  So the fade is short and ends right at the attack.

References
----------
A. Spanias, T. Painter and V. Atti, Audio Signal Processing and Coding (2007), section 5.5: masking
before and after a sound.  L. L. Elliott, "Backward and forward masking of probe tones of different
frequencies", JASA 34 (1962), 1116-1117.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio, check_mono
from syncvid.errors import SignalError
from syncvid.mix.fades import cross_fade, fade_curves, step_ratio
from syncvid.mix.hiding import hear
from syncvid.mix.splice_costs import Near, pair_notes
from syncvid.mix.splice_places import Place, best_place, level_errors_db, likeness
from syncvid.production.mix_made import FadeLaw, Hiding
from syncvid.timeline import to_samples

__all__ = ["Splice", "cross_fade", "fade_curves", "find_splice", "step_ratio"]

# Less than this is too short to be listened to.
_SHORTEST_S = 0.040


@dataclass(frozen=True, slots=True)
class Splice:
    """Where and how to change from one take to another.

    Attributes
    ----------
    at_s : float
        The middle of the cross-fade, in reference seconds.
    fade_s : float
        Its length.
    law : {"equal power", "linear"}
        For sounds that differ, for sounds that are alike.
    hidden_in : {"rest", "attack", "quiet", "held"}
        What hides it.
    """

    at_s: float
    fade_s: float
    law: FadeLaw
    hidden_in: Hiding


def find_splice(
    old: Audio,
    new: Audio,
    *,
    sample_rate: int,
    from_s: float,
    marked_s: float,
    room_s: float = 0.35,
) -> Splice:
    """Find the place near a mark where a change of takes is heard least.

    Parameters
    ----------
    old, new : ndarray, shape (samples,), float32
        Both takes, mono, on the reference clock, from the same moment on.  Where a take has not
        begun, or has ended, it is silent; the shorter one counts as ended.  About 1.5 s on either
        side of the mark, so that the noise of the takes can be told from their music.
    sample_rate : int
        In Hz; 16 000 is what this is made for.
    from_s : float
        Reference time of the first sample of both.
    marked_s : float
        Where the splice is marked, in reference seconds; outside of the arrays: their nearest end.
    room_s : float
        How far from the mark its middle may be; farther only where the fade would else reach beyond
        the arrays.

    Returns
    -------
    Splice
        The cross-fade lies within the arrays.  Silence counts as a rest.  With arrays shorter than
        a fade, the fade is as long as they are.

    Raises
    ------
    SignalError
        If a sound is not mono or not finite, or a time is not finite.
    """
    if not all(map(math.isfinite, (from_s, marked_s, room_s))):
        raise SignalError("A splice needs a mark and a room that are finite.")
    old, new = _equally_long(check_mono(old, name="old"), check_mono(new, name="new"))
    length_s = old.size / sample_rate
    mark_s = min(max(0.0, marked_s - from_s), length_s)
    if length_s < _SHORTEST_S:
        quiet = not (old.any() and new.any())
        place = Place(length_s / 2, length_s, "rest" if quiet else "held", 0.0)
    else:
        heard = hear(old, sample_rate=sample_rate), hear(new, sample_rate=sample_rate)
        near = Near(*heard, pair_notes(*heard), mark_s, max(0.0, room_s), length_s)
        place = best_place(near, old, new, sample_rate)
    law = _law(old, new, place, sample_rate)
    return Splice(float(from_s + place.at_s), float(place.fade_s), law, place.hidden_in)


def _law(old: Audio, new: Audio, place: Place, sample_rate: int) -> FadeLaw:
    """Return the law that changes the loudness least."""
    begin = max(0, to_samples(place.at_s - place.fade_s / 2, sample_rate))
    end = to_samples(place.at_s + place.fade_s / 2, sample_rate)
    width = min(end, old.size) - begin
    if width < 1:
        return "equal power"
    equal_power_db, linear_db = level_errors_db(likeness(old[begin:end], new[begin:end], width))
    return "linear" if linear_db[0] < equal_power_db[0] else "equal power"


def _equally_long(old: Audio, new: Audio) -> tuple[Audio, Audio]:
    """Return both with silence after the end of the shorter one."""
    length = max(old.size, new.size)
    return np.pad(old, (0, length - old.size)), np.pad(new, (0, length - new.size))
