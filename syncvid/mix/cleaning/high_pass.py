"""Taking out what lies under the lowest note: rumble, wind, steps, a hand on the phone.

The filter has no phase: forward and backward through a Butterworth filter of the fourth order, in
one pass.  Its gain is 1 / (1 + (cutoff / f)^8): -6 dB at the cutoff, -0.3 dB at 1.5 times that.
"""

from __future__ import annotations

import math

import numpy as np

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.lazily import fft
from syncvid.mix.cleaning.lowest_note import lowest_note_hz
from syncvid.mix.cleaning.result import Cleaned
from syncvid.mix.door import check_stem
from syncvid.mix.tone_filters import filtered, margin_samples

# Of the Butterworth filter, run both ways.
_ORDER = 4

# The lowest note loses 0.3 dB.
_UNDER_NOTE = 1.5

# Never lower than what can be heard (C0 of an organ), and never higher than rumble reaches: between
# rumble and a high instrument's lowest note lies its body, the breath and the bow.
_LOWEST_HZ, _HIGHEST_HZ = 16.0, 120.0

# Lower ones make no difference to the ear, and a response of seconds.
_LEAST_CUTOFF_HZ = 5.0

# The response has sunk by 100 dB after so many periods of the cutoff: its slowest pole decays with
# 2 pi sin(pi / 8) = 2.4 per period.
_PERIODS = 4.8


def cut_lows(samples: Audio, *, sample_rate: int, cutoff_hz: float | None = None) -> Cleaned:
    """Take out what lies under the notes, without moving anything in time.

    Parameters
    ----------
    samples : ndarray, shape (channels, samples), float32
        A stem.
    sample_rate : int
        In Hz.
    cutoff_hz : float, optional
        Where the filter lowers by 6 dB; chosen below the lowest note that is played if not given,
        within 16 to 120 Hz.

    Returns
    -------
    Cleaned
        Unchanged if the cutoff is to be chosen and no note is found, as in silence, drums, and
        sounds shorter than a second.

    Raises
    ------
    SignalError
        As `check_stem`; or a cutoff below 5 Hz or from a quarter of the sample rate on.
    """
    check_stem(samples, sample_rate=sample_rate)
    if cutoff_hz is not None and not _LEAST_CUTOFF_HZ <= cutoff_hz < sample_rate / 4:
        raise SignalError(
            f"Lows cannot be cut at {cutoff_hz} Hz; give a frequency from {_LEAST_CUTOFF_HZ:g} Hz "
            f"to below {sample_rate / 4:g} Hz."
        )
    lowest_hz = lowest_note_hz(samples, sample_rate=sample_rate)
    if cutoff_hz is None and lowest_hz is None:
        told = "No notes with a clear pitch were found, so no lows were taken out."
        return Cleaned(samples, told, changed=False)
    if not samples.any():
        return Cleaned(samples, "The recording is silent, so no lows were taken out.", False)
    chosen_hz = _chosen(lowest_hz) if cutoff_hz is None and lowest_hz is not None else cutoff_hz
    assert chosen_hz is not None
    response = high_pass_response(chosen_hz, sample_rate=sample_rate)
    cleaned = np.stack([_filtered(channel, response) for channel in samples])
    return Cleaned(cleaned, _told(chosen_hz, lowest_hz), changed=True)


def high_pass_response(cutoff_hz: float, *, sample_rate: int) -> Audio:
    """Return the filter's symmetrical response, shape (odd number of taps,), float32."""
    half = math.ceil(_PERIODS * sample_rate / cutoff_hz)
    size = fft.next_fast_len(4 * half, real=True)
    frequencies_hz = np.fft.rfftfreq(size, 1 / sample_rate)
    low_gains = 1 / (1 + (frequencies_hz / cutoff_hz) ** (2 * _ORDER))
    lows = np.roll(np.fft.irfft(low_gains, size), half)[: 2 * half + 1]
    # What the ends lack is given back, so that a constant disappears entirely.
    response = -lows / lows.sum()
    response[half] += 1
    return np.asarray(response, np.float32)


def _chosen(lowest_hz: float) -> float:
    """Return the cutoff below a lowest note."""
    return min(max(lowest_hz / _UNDER_NOTE, _LOWEST_HZ), _HIGHEST_HZ)


def _told(cutoff_hz: float, lowest_hz: float | None) -> str:
    """Say what was cut, and whether notes may have become thinner."""
    told = f"What lies under {cutoff_hz:.0f} Hz was taken out."
    if lowest_hz is None:
        return told
    if _UNDER_NOTE * cutoff_hz > 1.1 * lowest_hz:
        return f"{told} Notes are played down to about {lowest_hz:.0f} Hz: the lowest are thinner."
    return f"{told} The lowest note found lies near {lowest_hz:.0f} Hz."


def _filtered(channel: Audio, response: Audio) -> Audio:
    """Return a channel through the filter; as long, in its place."""
    half = margin_samples(response)
    # Mirrored through its ends, so that a recording that does not begin at 0 makes no thump there.
    padded = np.pad(channel, half, mode="reflect", reflect_type="odd")
    return filtered(padded[np.newaxis], response)[0, half : half + channel.size]
