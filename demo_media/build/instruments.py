"""The sound of a performance: notes of a sound font, shaped and placed to a part of a sample.

The font is FluidR3 (MIT licence, see ``SOUNDFONT-LICENSE.txt``). Each note is rendered alone from
sample 0 and then placed by interpolation, because a synthesiser that starts notes on its own block
grid would blur the truth by more than a millisecond.
"""

from __future__ import annotations

import math
import os
from functools import cache
from pathlib import Path

import fluidsynth
import numpy as np

from .performance import Played
from .signals import SAMPLE_RATE, add_at, to_rms

SOUND_FONT = Path(os.environ.get("SYNCVID_SOUND_FONT", "/usr/share/sounds/sf2/FluidR3_GM.sf2"))

# Program numbers of the General MIDI list, counted from 0.
PROGRAMS = {
    "Flute": 73,
    "Clarinet": 71,
    "Violin": 40,
    "Viola": 41,
    "Cello": 42,
    "Marimba": 12,
    "Recorder": 74,
}
BOWED = frozenset({"Violin", "Viola", "Cello"})
BLOWN = frozenset({"Flute", "Clarinet", "Recorder"})

# All close tracks are brought to this level; balance is the business of the mix.
CLOSE_LEVEL_DB = -22.0
_RELEASE_S = 0.6
_RING_S = 1.6
# The synthesiser starts and stops notes on blocks of this many samples only.
_BLOCK = 64


@cache
def _synthesiser() -> fluidsynth.Synth:
    """Load the font once, without reverb and chorus: rooms are made elsewhere."""
    synth = fluidsynth.Synth(gain=0.5, samplerate=float(SAMPLE_RATE))
    synth.setting("synth.reverb.active", 0)
    synth.setting("synth.chorus.active", 0)
    font = synth.sfload(str(SOUND_FONT))
    if font < 0:
        raise FileNotFoundError(f"No sound font at {SOUND_FONT}; set SYNCVID_SOUND_FONT.")
    for channel, program in enumerate(PROGRAMS.values()):
        synth.program_select(channel, font, 0, program)
    return synth


def _blocks(seconds: float) -> int:
    """Return samples in whole blocks: a note asked for within a block would start late."""
    return _BLOCK * math.ceil(seconds * SAMPLE_RATE / _BLOCK)


def _raw_note(part: str, midi: int, velocity: int, seconds: float) -> np.ndarray:
    """Render one note, from its very first sample to the end of its ring, in mono."""
    synth = _synthesiser()
    channel = list(PROGRAMS).index(part)
    ring_s = _RING_S if part == "Marimba" else _RELEASE_S
    synth.all_sounds_off(channel)
    synth.get_samples(_blocks(0.1))
    synth.noteon(channel, midi, velocity)
    held = synth.get_samples(_blocks(seconds))
    synth.noteoff(channel, midi)
    ring = synth.get_samples(_blocks(ring_s))
    both = np.concatenate([held, ring]).reshape(-1, 2).astype(np.float64) / 32768.0
    return both.mean(axis=1)


def _shape(part: str, sound: np.ndarray, held_s: float) -> np.ndarray:
    """Give a held note its breath or bow: a quick start, a swell, a soft end."""
    if part == "Marimba":
        return sound
    at_s = np.arange(len(sound)) / SAMPLE_RATE
    attack_s = 0.035 if part in BOWED else 0.018
    swell_db = 2.0 if held_s > 0.7 else 0.8
    arch = np.sin(np.pi * np.clip(at_s / max(held_s, 0.05), 0.0, 1.0))
    fade_s = 0.16 if part in BOWED else 0.09
    ending = np.exp(-np.clip(at_s - held_s, 0.0, None) / fade_s * 2.5)
    start = np.clip(at_s / attack_s, 0.0, 1.0) ** 0.7
    return sound * start * ending * 10.0 ** (swell_db * (arch - 0.5) / 20.0)


def render_part(
    played: list[Played], *, part: str, from_s: float, to_s: float, level_db: float = CLOSE_LEVEL_DB
) -> np.ndarray:
    """Render a performance as its own close microphone would hear it.

    Parameters
    ----------
    played : list of Played
        The notes, music seconds.
    part : str
        Chooses the instrument.
    from_s, to_s : float
        music seconds of the first and of one past the last sample.

    Returns
    -------
    ndarray, shape (samples,)
        Mono at ``SAMPLE_RATE``.
    """
    track = np.zeros(round((to_s - from_s) * SAMPLE_RATE))
    for note in played:
        held_s = note.end_s - note.start_s
        velocity = int(np.clip(round(30 + 92 * note.level), 1, 127))
        sound = _shape(part, _raw_note(part, note.midi, velocity, held_s), held_s)
        # The font answers velocity mostly by level; a little more contrast sounds less even.
        add_at(track, sound * (0.55 + 0.6 * note.level), (note.start_s - from_s) * SAMPLE_RATE)
    return to_rms(track, level_db)
