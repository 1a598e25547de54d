"""When the first sound of an attack is heard, to a millisecond: a splice must be over before it.

A steep rise of the level is found first, to some hundredths of a second.  Then linear prediction
learns from the sound just before how it would go on; the first sound of the attack is what that
does not foretell, also where a note still rings.
"""

from __future__ import annotations

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.lazily import signal
from syncvid.signals.attacks import HOP, SIZE, BandLevels, find_attacks, measure_bands
from syncvid.timeline import to_samples

# The rate for which `syncvid.signals.attacks` is made.
_ATTACKS_RATE = 16_000

# The first sound of an attack: what the sound just before it does not foretell.  From where to
# where before the steep edge it is learned how the sound goes on, and from how many samples; until
# when after the edge the first sound is looked for; over how many samples the error's power is
# taken, and how much more than ever before it must be.  The edge may itself be a little late.
_LEARN_S = (0.060, 0.008)
_LOOK_S = 0.040
_ORDER = 32
_ERROR_SAMPLES = 32
_GROWS = 1.5
_EDGE_LATE_S = 0.004

# Errors smaller than this are those of rounding.
_LEAST_ERROR = 1e-5


def first_sounds(samples: Audio, *, sample_rate: int) -> tuple[Floats, Floats]:
    """Find the first sound of each attack.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono, finite.
    sample_rate : int
        In Hz; another one than 16 000 is resampled.

    Returns
    -------
    (times_s, rises_db) : ndarray, shape (attacks,), float64
        When, from the beginning of the array; and the mean rise over all bands, see
        `syncvid.signals.attacks`.  None in silence.

    References
    ----------
    J. Makhoul, "Linear prediction: a tutorial review", Proceedings of the IEEE 63 (1975), 561-580:
    the covariance method.
    """
    if sample_rate != _ATTACKS_RATE:
        divisor = np.gcd(sample_rate, _ATTACKS_RATE)
        up, down = _ATTACKS_RATE // divisor, sample_rate // divisor
        samples = signal.resample_poly(samples, up, down).astype(np.float32)
    bands = _without_edges(measure_bands(samples, sample_rate=_ATTACKS_RATE))
    found = find_attacks(samples, bands, sample_rate=_ATTACKS_RATE)
    first_s = [_first_sound_s(samples, edge_s) for edge_s in found.times_s]
    return np.array(first_s, np.float64), found.rises_db


def _without_edges(bands: BandLevels) -> BandLevels:
    """Return levels whose first and last hops, which reach beyond the sound, are their neighbours'.

    A sound that goes on beyond the array would else begin and end there, in all bands.
    """
    beyond = SIZE // HOP // 2 + 1
    if len(bands.power) <= 2 * beyond:
        return bands
    power = bands.power.copy()
    power[:beyond], power[-beyond:] = power[beyond], power[-beyond - 1]
    return BandLevels(power, bands.noise)


def _first_sound_s(samples: Audio, edge_s: float) -> float:
    """Return when the sound first differs from what it would have gone on to be."""
    late_s = max(0.0, edge_s - _EDGE_LATE_S)
    from_, until = (max(0, to_samples(edge_s - back, _ATTACKS_RATE)) for back in _LEARN_S)
    end = min(samples.size, to_samples(edge_s + _LOOK_S, _ATTACKS_RATE))
    if until - from_ < 4 * _ORDER or end <= until:
        return late_s
    # Each sample from those before it, by least squares; a little noise keeps that well-posed.
    rows = np.lib.stride_tricks.sliding_window_view(samples[from_:end].astype(np.float64), _ORDER)
    past, now = rows[:-1], samples[from_ + _ORDER : end].astype(np.float64)
    known = until - from_ - _ORDER
    matrix = past[:known].T @ past[:known]
    matrix[np.diag_indices(_ORDER)] += 1e-9 * (np.trace(matrix) + 1.0)
    weights = np.linalg.solve(matrix, past[:known].T @ now[:known])
    squares = np.square(now - past @ weights)
    sums = np.concatenate((np.zeros(_ERROR_SAMPLES), np.cumsum(squares)))
    power = sums[_ERROR_SAMPLES:] - sums[:-_ERROR_SAMPLES]
    usual = max(float(power[:known].max()), _ERROR_SAMPLES * _LEAST_ERROR**2)
    new = np.flatnonzero(power[known:] > _GROWS * usual)
    if not new.size:
        return late_s
    # From there back over what the sum has taken in: to the first sample that stands out itself.
    found = known + int(new[0])
    recent = squares[max(known, found - _ERROR_SAMPLES + 1) : found + 1]
    first = found + 1 - recent.size + int(np.argmax(recent > 4 * usual / _ERROR_SAMPLES))
    return (from_ + _ORDER + first) / _ATTACKS_RATE
