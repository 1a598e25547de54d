"""The sound of a guide: signature, clicks, drone, lines, cues and words put together.

**Balance.**  The level of clicks is the K-weighted mean power of an ordinary beat over 40 ms, the
time in which it sounds; everything else is set against it in dB by its own K-weighted mean power,
whatever its pitch, number of notes or timbre.

**Loudness.**  The integrated loudness (BS.1770) of every guide is `LOUDNESS_LUFS`, with clicks
alone, with a drone, with all parts: a player sets the volume once.  It is reached by one gain for
the whole guide; nothing is limited or compressed.  The standard's gates leave out the silence
between clicks, so that slow and fast clicks measure, and sound, alike.  The target is the loudest
which bare clicks of every colour reach below the highest peak.  Where peaks do not allow it, the
guide is softer: so it is where a drone fainter than 14 dB below them goes on between few clicks.

**Signature.**  It is no part of all this: its peak is the same in every guide, so that it is found
alike in all of them.  It sounds for two seconds, so that at -24 dBFS it is about as loud as an
accent; at -18 dBFS it would measure 13 LU above the guide, and make a player turn the volume down.
"""

from __future__ import annotations

import numpy as np

from syncvid.arrays import Audio, Sound
from syncvid.errors import ProductionError
from syncvid.guide.clicks import lay_clicks
from syncvid.guide.cues import lay_cues
from syncvid.guide.drone import drone_lines, lay_drone
from syncvid.guide.lines import lay_lines
from syncvid.guide.score_parts import find_part
from syncvid.guide.spoken import Speaker, lay_words
from syncvid.guide.timing import Timing
from syncvid.production.beats import Signature
from syncvid.production.guide_plan import GuidePlan, Score
from syncvid.signals.cue import make_signature
from syncvid.signals.loudness import LoudnessMeter
from syncvid.signals.peaks_between import PeakSearch
from syncvid.timeline import to_samples

# Project choices; see above.
LOUDNESS_LUFS = -31.0
SIGNATURE_PEAK = 10 ** (-24 / 20)
SPOKEN_DB = -3.0

# Many ears meet a guide on headphones: it stays at or below -6 dBFS, between its samples too.
PEAK = 10 ** (-6 / 20)

# The first second is softer by this much at its beginning, then less and less (project choice).
_GENTLE_DB, _GENTLE_S = -9.0, 1.0

# Where an ordinary beat lies before the whole is brought to its loudness.
_BEAT = 10 ** (-22 / 20)

# Measured and turned up or down in pieces of this length.
_BLOCK_S = 10.0

ONLY = ("clicks", "drone")

# No longer guide is made: somewhere in its plan is a mistake (project choice).
MOST_S = 3 * 3600.0


def render_guide(
    timing: Timing,
    plan: GuidePlan,
    score: Score | None = None,
    *,
    only: str | None = None,
    sample_rate: int = 48_000,
    speaker: Speaker | None = None,
) -> Sound:
    """Make the sound of a guide.

    Parameters
    ----------
    timing : Timing
        When everything happens.
    plan : GuidePlan
        What sounds, and how loud.
    score : Score or None
        Needed for drones and lines of parts.
    only : {"clicks", "drone"} or None
        For practice: nothing else, but for the signature.
    sample_rate : int
        In Hz.
    speaker : Speaker or None
        Says what the plan wants spoken; without one nothing is said.

    Returns
    -------
    Sound
        One channel.

    Raises
    ------
    ProductionError
        A note, part or colour is not known, there is no drone to be heard alone, or the guide is
        too long.
    """
    if only is not None and only not in ONLY:
        raise ProductionError(
            f"A guide of {only!r} alone cannot be made.", fix="Choose clicks or drone."
        )
    if timing.map.duration_s > MOST_S:
        raise ProductionError(
            f"The guide would last {timing.map.duration_s / 3600:.0f} hours; the longest that can "
            f"be made lasts {MOST_S / 3600:.0f}.",
            fix="Look at its tempo and its number of bars, or divide it.",
        )
    out = np.zeros(to_samples(timing.map.duration_s, sample_rate), np.float32)
    if only != "drone":
        lay_clicks(
            out, timing.map.clicks, colour=plan.sound.click, gain=_BEAT, sample_rate=sample_rate
        )
    if only != "clicks":
        _lay_drone(out, timing, plan, score, sample_rate, needed=only == "drone")
    if only is None:
        _lay_rest(out, timing, plan, score, sample_rate, speaker)
    _begin_gently(out, sample_rate)
    _bring_to_loudness(out, sample_rate)
    if timing.map.signature is not None:
        _sign(out, timing.map.signature, sample_rate)
    return Sound(out[np.newaxis], sample_rate)


def _lay_drone(
    out: Audio,
    timing: Timing,
    plan: GuidePlan,
    score: Score | None,
    sample_rate: int,
    *,
    needed: bool,
) -> None:
    """Add the drone."""
    held = drone_lines(plan, score)
    if needed and not held:
        raise ProductionError(
            "The plan has no drone.", fix='Add one: drone = ["D3", "A3"] or "lowest part".'
        )
    gain = _against_beat(plan.sound.drone_db)
    lay_drone(out, held, timing, plan.sound, gain=gain, sample_rate=sample_rate)


def _lay_rest(
    out: Audio,
    timing: Timing,
    plan: GuidePlan,
    score: Score | None,
    sample_rate: int,
    speaker: Speaker | None,
) -> None:
    """Add lines of parts, cues and words."""
    sound = plan.sound
    parts = [find_part(score, name) for name in sound.melody]
    gain = _against_beat(sound.melody_db)
    lay_lines(out, parts, timing, a4_hz=sound.a4_hz, gain=gain, sample_rate=sample_rate)
    gain = _against_beat(sound.cue_db)
    lay_cues(out, timing.map.marks, a4_hz=sound.a4_hz, gain=gain, sample_rate=sample_rate)
    if speaker is not None and sound.spoken != "none":
        gain = _against_beat(SPOKEN_DB)
        lay_words(out, timing.map, speaker, spoken=sound.spoken, gain=gain, sample_rate=sample_rate)


def _against_beat(level_db: float) -> float:
    """Return the root of the K-weighted mean power of a level against the clicks."""
    return float(_BEAT * 10 ** (level_db / 20))


def _begin_gently(out: Audio, sample_rate: int) -> None:
    """Let the first second of what sounds begin softly."""
    length, block = (to_samples(s, sample_rate) for s in (_GENTLE_S, _BLOCK_S))
    for first in range(0, out.size, block):
        sounding = np.flatnonzero(out[first : first + block])
        if sounding.size:
            begin = first + int(sounding[0])
            stretch = out[begin : begin + length]
            left = 1 - np.arange(stretch.size) / length
            stretch *= (10 ** (_GENTLE_DB * left / 20)).astype(np.float32)
            return


def _bring_to_loudness(out: Audio, sample_rate: int) -> None:
    """Turn a guide up or down to the loudness that all have, as far as its peak allows."""
    block = to_samples(_BLOCK_S, sample_rate)
    meter, peaks = LoudnessMeter(sample_rate), PeakSearch(1)
    for first in range(0, out.size, block):
        piece = out[first : first + block]
        meter(piece)
        peaks(piece[np.newaxis])
    loudness = meter.integrated_lufs()
    gain = 1.0 if loudness is None else 10 ** ((LOUDNESS_LUFS - loudness) / 20)
    peak = peaks.finish()
    if peak * gain > PEAK:
        gain = PEAK / peak
    out *= np.float32(gain)


def _sign(out: Audio, signature: Signature, sample_rate: int) -> None:
    """Add the sound by which a guide is known."""
    sound = make_signature(signature.guide, signature.version, sample_rate)
    at = to_samples(signature.guide_s, sample_rate)
    end = min(at + sound.size, out.size)
    out[at:end] += np.float32(SIGNATURE_PEAK) * sound[: end - at]
