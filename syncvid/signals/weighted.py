"""The power of a sound over time, weighted by the filter of ITU-R BS.1770.

References
----------
Recommendation ITU-R BS.1770-5 (2023), annex 1.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from syncvid.arrays import Audio, Floats
from syncvid.errors import SignalError
from syncvid.lazily import signal
from syncvid.signals.loudness import OFFSET_DB, k_filter
from syncvid.timeline import to_samples

# Mean power of what is nothing but the filter dying away: -200 LUFS.
_SILENT = 1e-20

# Samples at a time: they stay in the processor's cache.
_BLOCK = 1 << 15

# Below, the shelf of the filter has no meaning.
_LEAST_RATE = 8000


class WeightedPowers:
    """Measures the K-weighted power of each step of a sound that comes in blocks.

    Parameters
    ----------
    channels : int
        1 or 2.
    sample_rate : int
        In Hz, 8000 or more.
    step_s : float
        Length of a step; rounded to samples.

    Raises
    ------
    SignalError
        Another number of channels, or a lower rate.
    """

    def __init__(self, channels: int, *, sample_rate: int, step_s: float) -> None:
        _check_channels(channels)
        check_rate(sample_rate)
        self.channels = channels
        self._step = max(1, to_samples(step_s, sample_rate))
        self._sections = k_filter(sample_rate)
        self._state = np.zeros((len(self._sections), channels, 2))
        self._left = np.zeros((channels, 0))
        self._energies: list[Floats] = []

    def __call__(self, block: Audio) -> None:
        """Take the next block, shape (channels, samples), finite."""
        # In single precision loud lows leave noise at -85 dB: the poles lie near 1 (measured).
        weighted, state = signal.sosfilt(
            self._sections, block.astype(np.float64), zi=self._state, axis=1
        )
        # What dies away for ever would be computed with the slowest of numbers.
        state[np.abs(state) < np.finfo(np.float32).tiny] = 0.0
        self._state = state
        joined = np.concatenate((self._left, weighted), axis=1)
        steps = joined.shape[1] // self._step
        whole = joined[:, : steps * self._step].reshape(self.channels, steps, self._step)
        self._energies.append(np.einsum("cks,cks->k", whole, whole))
        self._left = joined[:, steps * self._step :]

    def steps(self) -> Floats:
        """Return the mean power of each whole step, all channels together, shape (steps,)."""
        energies = np.concatenate(self._energies) if self._energies else np.zeros(0)
        return np.asarray(energies / self._step, np.float64)


def windows(powers: Floats, steps: int) -> Floats:
    """Return the mean power of each window of so many steps, one from each step on.

    Shape (windows,); empty where there are fewer steps.
    """
    if powers.size < steps:
        return np.zeros(0)
    # Summed anew for each: differences of running sums would leave a trace of what was loud.
    return np.asarray(np.convolve(powers, np.ones(steps), "valid") / steps, np.float64)


def levels_lufs(powers: Floats) -> Floats:
    """Return the loudness of mean powers, of the same shape; minus infinity for silence."""
    levels = np.full(powers.shape, -np.inf)
    np.log10(powers, out=levels, where=powers > _SILENT)
    return OFFSET_DB + 10 * levels


def blocks(samples: Audio, channels: int) -> Iterator[Audio]:
    """Return checked blocks of a sound, each of shape (channels, samples), float32.

    Raises
    ------
    SignalError
        Another number of channels, or values that are not finite.
    """
    if count_channels(samples) != channels:
        raise SignalError(f"The meter was made for {channels} channels, not for {len(samples)}.")
    for first in range(0, samples.shape[1], _BLOCK):
        block = np.asarray(samples[:, first : first + _BLOCK], np.float32)
        if not np.isfinite(block).all():
            raise SignalError("The sound holds values that are not finite.")
        yield block


def count_channels(samples: Audio) -> int:
    """Return how many channels a sound has, or say that it is neither mono nor stereo.

    Raises
    ------
    SignalError
        Not of shape (channels, samples), or more than two channels.
    """
    if samples.ndim != 2:
        raise SignalError(f"Sound is (channels, samples), not of shape {samples.shape}.")
    _check_channels(len(samples))
    return len(samples)


def _check_channels(channels: int) -> None:
    """Refuse what is neither mono nor stereo: other layouts have weights of their own."""
    if channels not in (1, 2):
        raise SignalError(f"The loudness of {channels} channels cannot be told, only of 1 or 2.")


def check_rate(sample_rate: int) -> None:
    """Refuse rates for which the filter has no meaning.

    Raises
    ------
    SignalError
        Less than 8000 Hz.
    """
    if sample_rate < _LEAST_RATE:
        raise SignalError(f"A sample rate of {sample_rate} Hz is below {_LEAST_RATE} Hz.")
