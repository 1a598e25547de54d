"""The guide's signature: heard in the guide itself, and then in clips.

A signature says which guide a clip heard, and when that was started.  It says nothing about what
came after: a guide that was stopped and started anew, or a phone that paused, put the music
elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio
from syncvid.signals.cue import SIGNATURE_S, FoundSignature, find_signatures, match_signature
from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.timeline import Placement, to_samples

# Of a signature that is taken out of a sound no more is left than what is heard so long before it
# and after it, in seconds.
AROUND_S = 0.25


# No phone's clock is further off.  A signature whose beginning was not recorded is like itself a
# little later on too, at such a speed.
MOST_FAINT_PPM = 350.0


@dataclass(frozen=True, slots=True)
class HeardSignatures:
    """What a clip says about the guide that it heard.

    Attributes
    ----------
    known : FoundSignature
        The guide's own, in guide seconds.
    found : tuple of FoundSignature
        Those in the clip, in clip seconds, in the order of time.
    clip_s : float
        Length of the clip.
    """

    known: FoundSignature
    found: tuple[FoundSignature, ...]
    clip_s: float

    @property
    def own(self) -> tuple[FoundSignature, ...]:
        """Those of this guide and this version."""
        return tuple(one for one in self.found if _says_the_same(one, self.known))

    @property
    def last(self) -> FoundSignature:
        """The one that counts: the last of this guide and version, or of any."""
        return (self.own or self.found)[-1]

    def place_of(self, heard: FoundSignature) -> Placement:
        """Return where the clip lies on the guide if the guide was started there."""
        rate = 1.0 + heard.drift_ppm * 1e-6
        return Placement(self.known.at_s - heard.at_s * rate, heard.drift_ppm)


def know_signature(guide: Audio) -> FoundSignature | None:
    """Return the signature in a guide's own sound at `ANALYSIS_RATE`, or None."""
    return next(iter(find_signatures(guide, ANALYSIS_RATE)), None)


def hear_signatures(clip: Audio, known: FoundSignature) -> HeardSignatures | None:
    """Return the signatures of guides in a clip, or None where there are none.

    Parameters
    ----------
    clip : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`.
    known : FoundSignature
        The guide's own, which is recognised also where it is too faint to be read.

    Returns
    -------
    HeardSignatures or None
    """
    found = find_signatures(clip, ANALYSIS_RATE)
    if not any(_says_the_same(one, known) for one in found):
        faint = match_signature(clip, ANALYSIS_RATE, known.guide, known.version)
        apart = faint is not None and all(abs(faint.at_s - one.at_s) > SIGNATURE_S for one in found)
        if faint is not None and apart and abs(faint.drift_ppm) < MOST_FAINT_PPM:
            found = tuple(sorted((*found, faint), key=lambda one: one.at_s))
    return HeardSignatures(known, found, len(clip) / ANALYSIS_RATE) if found else None


def without_signatures(sound: Audio, found: tuple[FoundSignature, ...]) -> Audio:
    """Return a sound in which signatures are no louder than what is around them.

    They are no clicks, and nothing that a player plays.
    """
    if not found:
        return sound
    out = sound.copy()
    for one in found:
        begin, end = (
            min(max(0, to_samples(at_s, ANALYSIS_RATE)), len(sound))
            for at_s in (one.at_s, one.at_s + SIGNATURE_S)
        )
        around = to_samples(AROUND_S, ANALYSIS_RATE)
        quiet = min(_rms(sound[max(0, begin - around) : begin]), _rms(sound[end : end + around]))
        loud = _rms(sound[begin:end])
        if loud > quiet:
            out[begin:end] *= np.float32(quiet / loud)
    return out


def _says_the_same(one: FoundSignature, other: FoundSignature) -> bool:
    """Return whether two signatures are of one version of one guide."""
    return (one.guide, one.version) == (other.guide, other.version)


def _rms(sound: Audio) -> float:
    """Return the root mean square of a sound; 0 of an empty one."""
    return float(np.sqrt(np.mean(np.square(sound, dtype=np.float64)))) if len(sound) else 0.0
