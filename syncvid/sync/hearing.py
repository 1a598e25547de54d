"""What the room keeps of a sound: two whitened versions, and how loud it is over time."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from syncvid.arrays import Audio, Floats, check_mono
from syncvid.lazily import signal
from syncvid.signals.levels import measure_rms
from syncvid.signals.whiten import whiten
from syncvid.sync.lines import LINE_RATE

# Rate of the sound that the room is given, in Hz.
ANALYSIS_RATE = 16_000

# Below 80 Hz lie hum, wind and handling; 1.9 kHz leaves the filter room at 4 kHz.
LOW_HZ = 80.0
LINE_HIGH_HZ = 1900.0

# Phones and codecs at 16 kHz cut off near 7.5 kHz.
FULL_HIGH_HZ = 7500.0

# Clicks of a guide are heard above this, between and over what most instruments play.
BRIGHT_HZ = 1000.0

# Loudness is measured over this many seconds.
LOUDNESS_S = 0.25

# Samples that are filtered at a time: the filter works in double precision, which takes room.
BLOCK = 1 << 18

# A clip plays where it is within this many dB of its loud passages, and rests below the second.
PLAYS_DB = -25.0
RESTS_DB = -40.0


@dataclass(frozen=True, slots=True)
class Heard:
    """One sound, made ready for correlation.

    Attributes
    ----------
    coarse : ndarray, shape (samples / 4,), float32
        Whitened below 2 kHz, at `LINE_RATE`.
    full : ndarray, shape (samples,), float32
        Whitened over the whole band, at `ANALYSIS_RATE`.
    loudness_db : ndarray, shape (steps,), float64
        Level of each `LOUDNESS_S`, relative to the loud passages.
    bright : ndarray, shape (steps,), float64
        Root mean square above `BRIGHT_HZ` of each `LOUDNESS_S`.
    low : ndarray, shape (samples / 2,), float32
        The sound as it is, at half of `ANALYSIS_RATE`.
    """

    coarse: Audio = field(repr=False)
    full: Audio = field(repr=False)
    loudness_db: Floats = field(repr=False)
    bright: Floats = field(repr=False)
    low: Audio = field(repr=False)

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.full) / ANALYSIS_RATE

    @property
    def silent(self) -> bool:
        """Whether there is nothing to correlate."""
        return not self.full.any()

    def at_rate(self, sample_rate: int) -> Audio:
        """Return the whitened sound at `LINE_RATE` or at `ANALYSIS_RATE`."""
        return self.coarse if sample_rate == LINE_RATE else self.full

    def inverted(self) -> Heard:
        """Return the same sound upside down."""
        return replace(self, coarse=-self.coarse, full=-self.full, low=-self.low)

    def playing(self, times_s: Floats, length_s: float) -> Floats:
        """Return 0 where the sound rests around a time, 1 where it plays, between in between."""
        steps = len(self.loudness_db)
        if not steps:
            return np.zeros(len(times_s))
        around = np.arange(-length_s / 2, length_s / 2 + 1e-9, LOUDNESS_S)
        at = np.floor((times_s[:, None] + around) / LOUDNESS_S).astype(np.int64)
        level = np.median(self.loudness_db[np.clip(at, 0, steps - 1)], axis=1)
        return np.clip((level - RESTS_DB) / (PLAYS_DB - RESTS_DB), 0.0, 1.0)


def hear(samples: Audio, *, name: str) -> Heard:
    """Prepare a sound.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`.
    name : str
        What to call it in messages.

    Returns
    -------
    Heard
    """
    samples = check_mono(samples, name=name)
    coarse = hear_coarse(samples)
    full = whiten(
        samples,
        sample_rate=ANALYSIS_RATE,
        low_hz=LOW_HZ,
        high_hz=FULL_HIGH_HZ,
        out_rate=ANALYSIS_RATE,
    )
    power = _power(samples)
    loud = max(float(np.percentile(power, 90)), 1e-10) if len(power) else 1.0
    bright = np.sqrt(_power(above(samples, BRIGHT_HZ)))
    low = np.asarray(signal.resample_poly(samples, 1, 2), np.float32)
    return Heard(coarse, full, 10 * np.log10(np.maximum(power, 1e-12) / loud), bright, low)


def hear_coarse(samples: Audio) -> Audio:
    """Return a sound at `ANALYSIS_RATE` whitened below 2 kHz, at `LINE_RATE`."""
    return whiten(
        samples,
        sample_rate=ANALYSIS_RATE,
        low_hz=LOW_HZ,
        high_hz=LINE_HIGH_HZ,
        out_rate=LINE_RATE,
    )


def above(samples: Audio, low_hz: float) -> Audio:
    """Return what a sound at `ANALYSIS_RATE` holds above a frequency."""
    if not len(samples):
        return samples
    sections = signal.butter(4, low_hz, "highpass", fs=ANALYSIS_RATE, output="sos")
    out, state = np.empty_like(samples), np.zeros((len(sections), 2))
    for first in range(0, len(samples), BLOCK):
        here = slice(first, first + BLOCK)
        out[here], state = signal.sosfilt(sections, samples[here], zi=state)
    return out


def _power(samples: Audio) -> Floats:
    """Return the mean square of each `LOUDNESS_S`."""
    return np.square(measure_rms(samples, hop=round(LOUDNESS_S * ANALYSIS_RATE)))
