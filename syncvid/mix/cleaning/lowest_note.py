"""The lowest note that a part really plays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio
from syncvid.lazily import ndimage
from syncvid.mix.cleaning.spectra import power_spectra, thinned
from syncvid.mix.door import check_stem

# Half a second tells the notes of a double bass apart: E1 and F1 lie 2.4 Hz from each other, and
# what is wanted is not the note but which octave nothing is played in.
_RATE_HZ, _WINDOW_S, _STEPS = 4000.0, 0.512, 4

# From the lowest pipe of an organ, C0, up to notes that no cut will ever come near.
_FROM_HZ, _TO_HZ = 16.0, 1800.0

# A note is a line: so much above what lies on both sides of it, 4 to 8 bins away.
_LINE_DB, _NEAR_BINS, _FAR_BINS = 15.0, 4, 8

# ... and so much above the softest fifth of the time, read over a third of a thousand hertz so that
# a line which never stops is not taken for noise.
_ABOVE_NOISE_DB, _NOISE_PERCENTILE, _NOISE_BINS = 16.0, 20.0, 31

# ... and no softer than this against the loud passages.
_SOFTEST_DB, _LOUD_PERCENTILE = -60.0, 99.0

# Near the mains and its overtones a line must come and go, or be as strong as music is.
_MAINS_HZ, _MAINS_OVERTONES, _COMES_AND_GOES_DB, _STRONG_DB = (50.0, 60.0), 6, 10.0, -25.0

# So many looks (an eighth of a second apart) must hold a note; fewer are an accident.
_LOOKS = 3

# If fewer looks than this share hold any note, the part is no part of notes: drums, speech, claps.
_SHARE_WITH_NOTES = 0.1


def lowest_note_hz(samples: Audio, *, sample_rate: int) -> float | None:
    """Find the lowest note that is played, or rather its fundamental, if the recording holds it.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
    sample_rate : int
        In Hz.

    Returns
    -------
    float or None
        In Hz, precise to 2 Hz; None for silence, sounds shorter than about a second, noise, drums,
        and parts whose notes all lie above 1800 Hz.

    Raises
    ------
    SignalError
        As `check_stem`.
    """
    check_stem(samples, sample_rate=sample_rate)
    powers, bin_hz = _low_powers(samples, sample_rate=sample_rate)
    if len(powers) < _LOOKS:
        return None
    totals = powers.sum(axis=1)
    loud = float(np.percentile(totals, _LOUD_PERCENTILE))
    if loud <= np.finfo(np.float32).tiny:
        return None
    lines = _lines(powers)
    lines &= powers > _times(_ABOVE_NOISE_DB) * _noise(powers)
    lines &= powers > _times(_SOFTEST_DB) * loud
    _leave_out_mains(lines, powers, loud, bin_hz)
    lines[:, : int(np.ceil(_FROM_HZ / bin_hz))] = False
    lines = _that_last(lines)
    playing = totals > _times(-20.0) * loud
    if lines[playing].any(axis=1).mean() < _SHARE_WITH_NOTES:
        return None
    seen = np.cumsum(lines.sum(axis=0)) >= _LOOKS
    return float(np.argmax(seen) * bin_hz) if seen.any() else None


def _low_powers(samples: Audio, *, sample_rate: int) -> tuple[Audio, float]:
    """Return the powers of the low spectra, all channels together, and the width of a bin."""
    total: Audio | None = None
    bin_hz = 1.0
    for channel in samples:
        low, rate_hz = thinned(channel, sample_rate=sample_rate, near_hz=_RATE_HZ)
        size = 2 * round(_WINDOW_S * rate_hz / 2)
        bin_hz = rate_hz / size
        powers = power_spectra(low, size=size, hop=size // _STEPS)
        total = powers if total is None else total + powers
    assert total is not None
    return total[:, : int(_TO_HZ / bin_hz) + _FAR_BINS], bin_hz


def _lines(powers: Audio) -> NDArray[np.bool_]:
    """Tell which bins stand out from both sides: rumble falls off evenly, a note is narrow."""
    width = _FAR_BINS - _NEAR_BINS + 1
    padded = np.pad(powers, ((0, 0), (_FAR_BINS, _FAR_BINS)), mode="reflect")
    sums = np.cumsum(padded, axis=1, dtype=np.float64)
    sums = np.concatenate((np.zeros((len(sums), 1)), sums), axis=1)
    means = (sums[:, width:] - sums[:, :-width]) / width
    bins = powers.shape[1]
    beside = np.maximum(means[:, :bins], means[:, _FAR_BINS + _NEAR_BINS :][:, :bins])
    lines = powers > _times(_LINE_DB) * beside
    # Only the top of a line counts.
    lines[:, 1:] &= powers[:, 1:] >= powers[:, :-1]
    lines[:, :-1] &= powers[:, :-1] >= powers[:, 1:]
    return np.asarray(lines)


def _noise(powers: Audio) -> Audio:
    """Return the power of the background, shape (bins,)."""
    soft = np.percentile(powers, _NOISE_PERCENTILE, axis=0)
    return np.asarray(ndimage.median_filter(soft, _NOISE_BINS, mode="nearest"), np.float32)


def _leave_out_mains(lines: NDArray[np.bool_], powers: Audio, loud: float, bin_hz: float) -> None:
    """Take away lines that are hum: weak, there all the time, at a multiple of the mains."""
    for mains_hz in _MAINS_HZ:
        for overtone in range(1, _MAINS_OVERTONES + 1):
            middle = round(overtone * mains_hz / bin_hz)
            near = slice(middle - 1, middle + 2)
            own = np.percentile(powers[:, near], _NOISE_PERCENTILE, axis=0)
            lines[:, near] &= (powers[:, near] > _times(_COMES_AND_GOES_DB) * own) | (
                powers[:, near] > _times(_STRONG_DB) * loud
            )


def _that_last(lines: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Keep lines that stay for two looks, give or take a bin."""
    wide = np.asarray(ndimage.binary_dilation(lines, np.ones((1, 3), bool)))
    kept = np.zeros_like(lines)
    kept[1:] |= lines[1:] & wide[:-1]
    kept[:-1] |= lines[:-1] & wide[1:]
    return kept


def _times(level_db: float) -> float:
    """Return a ratio of powers."""
    return float(10 ** (level_db / 10))
