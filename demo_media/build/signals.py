"""What is shared by the makers of sound: placing, resampling, filtering, levels.

Sound is mono ``(samples,)`` or stereo ``(channels, samples)``, float64, at ``SAMPLE_RATE`` unless
a function says otherwise. Every filter here is applied forwards and backwards, so that it moves no
onset: the truth of the demo is the place of the direct sound.
"""

from __future__ import annotations

import numpy as np
from scipy import signal

SAMPLE_RATE = 48_000

# A Kaiser-windowed sinc of this many zero crossings to each side, tabulated so finely that linear
# interpolation between entries is below 16-bit noise.
_ZERO_CROSSINGS = 24
_TABLE_STEPS = 2048


def _sinc_table() -> np.ndarray:
    """Tabulate the interpolation kernel from -24 to +24 samples."""
    at = np.arange(-_ZERO_CROSSINGS * _TABLE_STEPS, _ZERO_CROSSINGS * _TABLE_STEPS + 2)
    at = at / _TABLE_STEPS
    inside = np.clip(1.0 - (at / _ZERO_CROSSINGS) ** 2, 0.0, 1.0)
    return np.sinc(at) * np.i0(9.0 * np.sqrt(inside)) / np.i0(9.0)


_TABLE = _sinc_table()


def read_at(samples: np.ndarray, at: np.ndarray, *, block: int = 1 << 16) -> np.ndarray:
    """Read a band-limited signal at fractional sample positions.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
        The signal; zero outside.
    at : ndarray, shape (points,)
        Positions in samples. For reading at a lower rate, filter first.

    Returns
    -------
    ndarray, shape (points,)
        The values there.
    """
    padded = np.pad(samples, _ZERO_CROSSINGS + 1)
    taps = np.arange(-_ZERO_CROSSINGS + 1, _ZERO_CROSSINGS + 1)
    values = np.zeros(len(at))
    inside = np.flatnonzero((at > -_ZERO_CROSSINGS) & (at < len(samples) + _ZERO_CROSSINGS))
    for start in range(0, len(inside), block):
        chosen = inside[start : start + block]
        whole = np.floor(at[chosen]).astype(np.int64)
        place = (whole - at[chosen])[:, None] + taps
        index = np.clip(whole[:, None] + taps + _ZERO_CROSSINGS + 1, 0, len(padded) - 1)
        values[chosen] = np.sum(padded[index] * _kernel(place), axis=1)
    return values


def _kernel(place: np.ndarray) -> np.ndarray:
    """Look the kernel up, linearly between table entries."""
    exact = (place + _ZERO_CROSSINGS) * _TABLE_STEPS
    entry = exact.astype(np.int64)
    share = exact - entry
    return _TABLE[entry] * (1.0 - share) + _TABLE[entry + 1] * share


def add_at(track: np.ndarray, sound: np.ndarray, at: float) -> None:
    """Add a sound to a track at a fractional sample position, in place."""
    whole = int(np.floor(at))
    # A shift by part of a sample: onsets are not tied to the sample grid.
    taps = np.arange(-_ZERO_CROSSINGS + 1, _ZERO_CROSSINGS + 1)
    moved = np.convolve(sound, _kernel(taps - (at - whole)))
    whole += int(taps[0])
    start, stop = max(0, whole), min(len(track), whole + len(moved))
    if stop > start:
        track[start:stop] += moved[start - whole : stop - whole]


def band(
    samples: np.ndarray,
    *,
    low_hz: float | None = None,
    high_hz: float | None = None,
    order: int = 2,
    sample_rate: int = SAMPLE_RATE,
) -> np.ndarray:
    """Keep a frequency band, without delay."""
    kept = samples
    if low_hz is not None:
        sections = signal.butter(order, low_hz, "highpass", fs=sample_rate, output="sos")
        kept = signal.sosfiltfilt(sections, kept)
    if high_hz is not None:
        sections = signal.butter(order, high_hz, "lowpass", fs=sample_rate, output="sos")
        kept = signal.sosfiltfilt(sections, kept)
    return kept


def db(decibels: float) -> float:
    """Return the amplitude factor of a level difference."""
    return float(10.0 ** (decibels / 20.0))


def rms(samples: np.ndarray) -> float:
    """Return the root mean square of the sounding part (louder than -60 dB under the peak)."""
    sounding = samples[np.abs(samples) > 1e-3 * np.max(np.abs(samples), initial=0.0)]
    return float(np.sqrt(np.mean(sounding**2))) if len(sounding) else 0.0


def to_rms(samples: np.ndarray, level_db: float) -> np.ndarray:
    """Scale a sound so that its sounding part has the level given."""
    return samples * (db(level_db) / max(rms(samples), 1e-9))


def fade_edges(
    samples: np.ndarray, *, seconds: float, sample_rate: int = SAMPLE_RATE
) -> np.ndarray:
    """Fade the first and last moments, so that a cut does not click."""
    faded = samples.copy()
    count = min(int(seconds * sample_rate), len(samples) // 2)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(count) / max(count, 1))
    faded[:count] *= ramp
    faded[len(faded) - count :] *= ramp[::-1]
    return faded
