"""Lines of the score, played plainly: every note equally loud, in a voice that dies away a little.

The voice is meant to be followed, not to be admired: six harmonics, a soft attack, and a level
that sinks to a sustained one, so that repeated notes are told apart and long ones do not stop.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from syncvid.arrays import Audio
from syncvid.guide.pitches import frequency
from syncvid.guide.timing import Timing
from syncvid.guide.tones import Tone, choose_partials, edge
from syncvid.production.guide_plan import ScorePart
from syncvid.timeline import to_samples

# Project choices.
HARMONICS = (1.0, 0.5, 0.35, 0.2, 0.12, 0.08)
TOP_HZ = 7000.0
_RISE_S, _FALL_S = 0.012, 0.050
_SUSTAINED, _DIES_S, _DYING_S = 0.45, 0.4, 4.0

# Of a note that is shorter than its edges, the share that they take.
_EDGE_SHARE = 0.3


def lay_lines(
    out: Audio,
    parts: Sequence[ScorePart],
    timing: Timing,
    *,
    a4_hz: float,
    gain: float,
    sample_rate: int,
) -> None:
    """Add the notes of some parts to a sound.

    Parameters
    ----------
    out : ndarray, shape (samples,), float32
        Changed in place.
    parts : sequence of ScorePart
        What is played; several share the level.
    timing : Timing
        When it is played.
    a4_hz : float
        Reference pitch.
    gain : float
        Root of the K-weighted mean power with which a note of one part begins.
    sample_rate : int
        In Hz.
    """
    each = gain / np.sqrt(max(1, len(parts)))
    tones: dict[float, Tone] = {}
    dying = _dying(sample_rate)
    for part in parts:
        for note in part.notes:
            first = to_samples(timing.seconds_at(note.at), sample_rate)
            last = to_samples(timing.sounds_until(note.at + note.length), sample_rate)
            last = min(last, out.size)
            if not 0 <= first < last:
                continue
            if note.midi not in tones:
                tones[note.midi] = _voice(frequency(note.midi, a4_hz), each, sample_rate)
            out[first:last] += _note(tones[note.midi], first, last - first, dying, sample_rate)


def _voice(pitch_hz: float, gain: float, sample_rate: int) -> Tone:
    """Return the voice at a pitch."""
    partials = choose_partials([pitch_hz], HARMONICS, TOP_HZ)
    return Tone(partials.at_power(gain * gain, sample_rate), sample_rate)


def _note(tone: Tone, first: int, count: int, dying: Audio, sample_rate: int) -> Audio:
    """Return one note, shape (count,)."""
    sound = tone.samples(first, count)
    sound[: dying.size] *= dying[:count]
    sound[dying.size :] *= dying[-1]
    most = round(_EDGE_SHARE * count)
    rise, fall = (min(to_samples(s, sample_rate), most) for s in (_RISE_S, _FALL_S))
    sound[:rise] *= edge(rise)
    sound[count - fall :] *= edge(fall)[::-1]
    return sound


def _dying(sample_rate: int) -> Audio:
    """Return the level of a long note, shape (samples,); the last value goes on."""
    at_s = np.arange(to_samples(_DYING_S, sample_rate)) / sample_rate
    return (_SUSTAINED + (1 - _SUSTAINED) * np.exp(-at_s / _DIES_S)).astype(np.float32)
