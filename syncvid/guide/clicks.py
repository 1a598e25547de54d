"""Clicks: three colours, four strengths.

A click begins exactly on its beat: the sample at the beat is the first that is not silent, and the
crest follows within two milliseconds.  It is a few damped tones whose attack and end are rounded,
so that it has no energy to speak of above 12 kHz: no encoder for phones changes its attack.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import ProductionError
from syncvid.production.beats import GuideClick
from syncvid.signals.loudness import k_energy
from syncvid.timeline import to_samples

LEVEL_S = 0.040
"""Levels of clicks are K-weighted mean powers over this long: the longest click."""

# Pitch and level of each strength against a beat: the one of a bar a fifth higher, a group a third,
# between beats a third lower (project choice).  Weaker than this and a click is not counted with.
PITCHES = (1.5, 1.25, 1.0, 0.8)
LEVELS_DB = (3.0, 1.5, 0.0, -5.0)

_RISE_S, _END_S = 0.001, 0.008


@dataclass(frozen=True, slots=True)
class _Colour:
    """Partials as (ratio, amplitude, how much faster they die away), and times."""

    pitch_hz: float
    partials: tuple[tuple[float, float, float], ...]
    dies_s: float
    length_s: float


# Project choices.  A struck block has its second partial near 2.4 times the first; a struck bar
# free at both ends has it at 2.756 (N. H. Fletcher and T. D. Rossing, The Physics of Musical
# Instruments, chapter on bars; from memory).
COLOURS = {
    "wood": _Colour(1200.0, ((1.0, 1.0, 1.0), (2.42, 0.35, 2.5)), 0.014, 0.039),
    "bell": _Colour(1900.0, ((1.0, 1.0, 1.0), (2.756, 0.4, 1.6)), 0.016, 0.039),
    "tick": _Colour(2900.0, ((1.0, 1.0, 1.0), (1.51, 0.4, 1.5)), 0.012, 0.036),
}


def click_shapes(colour: str, sample_rate: int) -> tuple[Audio, ...]:
    """Return the four clicks of a colour, each of shape (samples,).

    A beat's K-weighted mean power over `LEVEL_S` is 1; the others are louder or softer by
    `LEVELS_DB`.

    Raises
    ------
    ProductionError
        The colour is not known.
    """
    if colour not in COLOURS:
        raise ProductionError(f"There is no click {colour!r}.", fix=f"Choose {', '.join(COLOURS)}.")
    return tuple(
        _shape(COLOURS[colour], pitch, level_db, sample_rate)
        for pitch, level_db in zip(PITCHES, LEVELS_DB, strict=True)
    )


def _shape(colour: _Colour, pitch: float, level_db: float, sample_rate: int) -> Audio:
    """Return one click."""
    length = to_samples(colour.length_s, sample_rate)
    # From 1: the sample on the beat is not silent.
    at_s = np.arange(1, length + 1) / sample_rate
    sound = np.zeros(length)
    for ratio, amplitude, faster in colour.partials:
        turns = colour.pitch_hz * pitch * ratio * at_s
        sound += amplitude * np.sin(2 * np.pi * turns) * np.exp(-faster * at_s / colour.dies_s)
    sound *= _arch(at_s / _RISE_S) * _arch((colour.length_s + 1 / sample_rate - at_s) / _END_S)
    power = k_energy(sound.astype(np.float32), sample_rate) / (LEVEL_S * sample_rate)
    return np.asarray(sound * 10 ** (level_db / 20) / math.sqrt(power), np.float32)


def _arch(share: np.ndarray) -> np.ndarray:
    """Return a raised cosine from 0 to 1."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(share, 0.0, 1.0)))


def lay_clicks(
    out: Audio,
    clicks: Iterable[GuideClick],
    *,
    colour: str,
    gain: float,
    sample_rate: int,
) -> None:
    """Add clicks to a sound, each with its first sample on its beat.

    Parameters
    ----------
    out : ndarray, shape (samples,), float32
        Changed in place.
    clicks : iterable of GuideClick
        What lies outside of the sound is left out.
    colour : str
        See `COLOURS`.
    gain : float
        Root of a beat's K-weighted mean power over `LEVEL_S`.
    sample_rate : int
        In Hz.
    """
    shapes = [np.float32(gain) * shape for shape in click_shapes(colour, sample_rate)]
    for click in clicks:
        at = to_samples(click.guide_s, sample_rate)
        if 0 <= at < out.size:
            shape = shapes[click.strength]
            end = min(at + shape.size, out.size)
            out[at:end] += shape[: end - at]
