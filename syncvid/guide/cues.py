"""The call that tells a player who has rested that the entry is a bar away.

Two soft notes, the second a fourth higher: longer than a click, shorter than a note of the drone,
and nearly without harmonics, so that it is taken for neither.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from syncvid.arrays import Audio
from syncvid.guide.tones import Partials, Tone
from syncvid.production.beats import Mark
from syncvid.timeline import to_samples

# Project choices: A5 and D6 where A4 is 440 Hz, and how long each sounds.
_CALL = (2.0, 8.0 / 3.0)
_SECOND_HARMONIC = 0.15
_NOTE_S, _RISE_S, _FALL_S = 0.13, 0.015, 0.09


def lay_cues(
    out: Audio, marks: Iterable[Mark], *, a4_hz: float, gain: float, sample_rate: int
) -> None:
    """Add a call at every mark of the kind ``cue``; several at one moment are one.

    Parameters
    ----------
    out : ndarray, shape (samples,), float32
        Changed in place.
    marks : iterable of Mark
        The guide's.
    a4_hz : float
        Reference pitch.
    gain : float
        Root of the K-weighted mean power of its notes.
    sample_rate : int
        In Hz.
    """
    call = _call(a4_hz, gain, sample_rate)
    starts = {to_samples(mark.guide_s, sample_rate) for mark in marks if mark.kind == "cue"}
    for at in starts:
        if 0 <= at < out.size:
            end = min(at + call.size, out.size)
            out[at:end] += call[: end - at]


def _call(a4_hz: float, gain: float, sample_rate: int) -> Audio:
    """Return the two notes, shape (samples,)."""
    count, rise, fall = (to_samples(s, sample_rate) for s in (_NOTE_S, _RISE_S, _FALL_S))
    notes = []
    for ratio in _CALL:
        hz = a4_hz * ratio * np.array([1.0, 2.0])
        partials = Partials(hz, np.array([1.0, _SECOND_HARMONIC]), np.zeros(2))
        note = np.zeros(count, np.float32)
        tone = Tone(partials.at_power(gain * gain, sample_rate), sample_rate)
        tone.add(note, 0, count, rise, fall)
        notes.append(note)
    return np.concatenate(notes)
