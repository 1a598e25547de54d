"""Where sounds begin suddenly, to some milliseconds, and which of them are claps.

The rise of the level is read in bands a third of an octave wide or so, in decibels: a clap makes
all bands louder at once and is over in a tenth of a second, a note raises those in which it has
partials and stays.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.lazily import fft, ndimage, signal

# Spectra of 16 ms, every 4 ms, at 16 kHz.
SIZE = 256
HOP = 64

# Bands, evenly spaced on a logarithmic scale.
LOWEST_HZ = 180.0
HIGHEST_HZ = 7200.0
BANDS = 18

# The level before an attack is read from so many hops to so many hops earlier.
BEFORE_HOPS = (3, 9)

# Noise: where this share of the sound is quieter; a rise is seen from this far above it.
NOISE_PERCENTILE = 15.0
ABOVE_NOISE = 4.0

# Bands in which nothing ever rises this far above the noise hold no sound (a telephone's codec).
LEAST_RANGE_DB = 12.0

# Attacks are local maxima within this time, with a mean rise of so many decibels over all bands.
APART_S = 0.06
LEAST_RISE_DB = 2.5

# A band takes part in an attack if it rises by so much.
TAKES_PART_DB = 9.0

# A clap is quieter by its decay after this time.
DECAY_S = (0.10, 0.15)

# An attack begins where the sound above 300 Hz passes this share of its next peak.
BEGINS = 0.25
EDGE_S = 0.024

# Spectra worked on at a time.
BLOCK = 4096


@dataclass(frozen=True, slots=True)
class Attacks:
    """Sudden beginnings, in the order of time.

    Attributes
    ----------
    times_s : ndarray, shape (attacks,), float64
        When they begin.
    rises_db : ndarray, shape (attacks,), float64
        Mean rise over all bands.
    breadths : ndarray, shape (attacks,), float64
        Share of the bands that take part, 0 to 1.
    decays_db : ndarray, shape (attacks,), float64
        How much quieter it is an eighth of a second later.
    """

    times_s: Floats
    rises_db: Floats
    breadths: Floats
    decays_db: Floats


@dataclass(frozen=True, slots=True)
class BandLevels:
    """How loud a sound is over time.

    Attributes
    ----------
    power : ndarray, shape (hops, bands), float32
        Power in each band around each `HOP`.
    noise : ndarray, shape (bands,), float32
        Power of the noise in each band.
    """

    power: Audio = field(repr=False)
    noise: Audio = field(repr=False)


def measure_bands(samples: Audio, *, sample_rate: int) -> BandLevels:
    """Measure the level in bands.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound.
    sample_rate : int
        Its rate in Hz.

    Returns
    -------
    BandLevels
        No hops for a sound shorter than one.
    """
    hops = len(samples) // HOP
    padded = np.pad(samples, (SIZE // 2, SIZE))
    pieces = np.lib.stride_tricks.sliding_window_view(padded, SIZE)[::HOP][:hops]
    window = np.hanning(SIZE).astype(np.float32)
    edges = np.geomspace(LOWEST_HZ, HIGHEST_HZ, BANDS + 1)
    bins = np.digitize(fft.rfftfreq(SIZE, 1 / sample_rate), edges)
    matrix = (bins[:, None] == np.arange(1, BANDS + 1)).astype(np.float32)
    matrix = matrix[:, matrix.any(axis=0)]
    power = np.zeros((hops, matrix.shape[1]), np.float32)
    for first in range(0, hops, BLOCK):
        spectra = fft.rfft(pieces[first : first + BLOCK] * window, axis=1)
        power[first : first + BLOCK] = (spectra.real**2 + spectra.imag**2) @ matrix
    if not hops:
        return BandLevels(power, np.zeros(power.shape[1], np.float32))
    noise = np.percentile(power, NOISE_PERCENTILE, axis=0).astype(np.float32)
    # Digital silence has no noise of its own: take what 60 dB below the loudest is.
    return BandLevels(power, np.maximum(noise, 1e-6 * power.max(axis=0) + np.float32(1e-12)))


def find_attacks(samples: Audio, levels: BandLevels, *, sample_rate: int) -> Attacks:
    """Find sudden beginnings.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound.
    levels : BandLevels
        From `measure_bands` of the same sound.
    sample_rate : int
        Its rate in Hz.

    Returns
    -------
    Attacks
        None in silence.
    """
    level_db = 10 * np.log10(levels.power + ABOVE_NOISE * levels.noise)
    if len(level_db) <= BEFORE_HOPS[1]:
        return Attacks(*(np.zeros(0) for _ in range(4)))
    alive = np.ptp(level_db, axis=0) > LEAST_RANGE_DB
    if not alive.any():
        return Attacks(*(np.zeros(0) for _ in range(4)))
    level_db = level_db[:, alive]
    nearest, farthest = BEFORE_HOPS
    width = farthest - nearest + 1
    mean = ndimage.uniform_filter1d(level_db, width, axis=0)
    before = np.roll(mean, nearest + width // 2, axis=0)
    before[: nearest + width] = level_db[: nearest + width].min(axis=0)
    rise = np.maximum(level_db - before, 0.0)
    total = rise.mean(axis=1)
    peaks, _ = signal.find_peaks(
        total, height=LEAST_RISE_DB, distance=max(1, round(APART_S * sample_rate / HOP))
    )
    around = ndimage.maximum_filter1d(rise, 5, axis=0)[peaks]
    breadths = (around >= TAKES_PART_DB).mean(axis=1)
    whole_db = level_db.mean(axis=1)
    tops = ndimage.maximum_filter1d(whole_db, 7)[peaks]
    first, last = (round(at * sample_rate / HOP) for at in DECAY_S)
    later = peaks[:, None] + np.arange(first, last + 1)
    later_db = whole_db[np.minimum(later, len(whole_db) - 1)].min(axis=1)
    times_s = _edges(samples, peaks * HOP, sample_rate)
    return Attacks(times_s, total[peaks], breadths, tops - later_db)


def _edges(samples: Audio, around: Floats, sample_rate: int) -> Floats:
    """Return when each attack begins, in seconds, read from the sound itself."""
    sections = signal.butter(2, 300.0, "highpass", fs=sample_rate, output="sos")
    heard = np.abs(signal.sosfilt(sections, samples)).astype(np.float32)
    reach = round(EDGE_S * sample_rate)
    at = np.clip(around[:, None] + np.arange(-reach, reach), 0, max(0, len(heard) - 1))
    pieces = heard[at]
    quiet = np.median(pieces[:, : reach // 2], axis=1, keepdims=True)
    edge = quiet + BEGINS * (pieces.max(axis=1, keepdims=True) - quiet)
    first = np.maximum(around - reach + np.argmax(pieces >= edge, axis=1), 0)
    return np.asarray(first / sample_rate, np.float64)
