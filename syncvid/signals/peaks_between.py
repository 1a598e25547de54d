"""The highest level between the samples of a finished sound, whatever its pitch.

Between two samples lie three more, each a sum of 48 samples around; where these come near the
highest one, a parabola through a top and its neighbours finds what lies between them too.  Four
times as many samples alone would read a tone of 20 kHz up to 0.5 dB too low.

References
----------
Recommendation ITU-R BS.1770-5 (2023), annex 2: four times as many samples, by 12 taps each.
"""

from __future__ import annotations

import numpy as np

from syncvid.arrays import Audio

# Annex 2 has 12 taps for each of its four phases.  With 48 tones of up to 20 kHz keep their level
# within 0.01 dB at 44.1 kHz too.
_TIMES, _TAPS = 4, 48
_WINDOW_BETA = 5.0

# Looked at in pieces of so many samples: a piece with half the taps on either side is three pieces.
_PIECE = _TAPS // 2

# By how much a parabola may lie above its highest point: more than for any tone below half the
# rate, 1/cos(180 degrees / 8).
_MOST_ABOVE = 1.09

# Pieces that are looked at together: they stay in the processor's cache.
_TOGETHER = 512

# Pieces that are first looked at as one: where all are soft, none is looked at by itself.
_IN_GROUP = 32


class PeakSearch:
    """Searches a sound that comes in blocks for its highest magnitude.

    Parameters
    ----------
    channels : int

    Attributes
    ----------
    sample_peak : float
        Highest magnitude of the samples up to here.
    """

    def __init__(self, channels: int) -> None:
        self.sample_peak, self._between = 0.0, 0.0
        # Silence before the sound: what swings up ahead of its first sample counts too.
        self._held = np.zeros((channels, 2 * _PIECE), np.float32)

    def __call__(self, samples: Audio) -> None:
        """Take the next block, shape (channels, samples), finite."""
        if not samples.shape[1]:
            return
        self.sample_peak = max(self.sample_peak, float(samples.max()), -float(samples.min()))
        joined = np.concatenate((self._held, samples), axis=1)
        pieces = joined.shape[1] // _PIECE
        if pieces >= 3:
            for channel in joined:
                self._look(channel[: pieces * _PIECE].reshape(pieces, _PIECE))
        self._held = joined[:, max(0, pieces - 2) * _PIECE :].copy()

    def finish(self) -> float:
        """Return the highest magnitude, between the samples too; nothing may follow."""
        self(np.zeros((len(self._held), 3 * _PIECE), np.float32))
        return max(self._between, self.sample_peak)

    def _look(self, pieces: Audio) -> None:
        """Search all pieces of one channel but the first and the last."""
        # What cannot reach the highest peak so far is not looked at.
        highest = max(self._between, self.sample_peak)
        tops = _tops(pieces, highest / _MOST_GAIN)
        around = np.maximum(np.maximum(tops[:-2], tops[1:-1]), tops[2:])
        windows = np.lib.stride_tricks.sliding_window_view(pieces.reshape(-1), 3 * _PIECE)
        windows = windows[::_PIECE]
        near = np.flatnonzero(around * _MOST_GAIN > highest)
        for first in range(0, near.size, _TOGETHER):
            at = near[first : first + _TOGETHER]
            at = at[around[at] * _MOST_GAIN > max(self._between, self.sample_peak)]
            if at.size:
                self._between = max(self._between, _highest(windows[at], self._between))


def _tops(pieces: Audio, least: float) -> Audio:
    """Return the highest magnitude of each piece; 0 in groups where none comes near `least`."""
    whole = len(pieces) - len(pieces) % _IN_GROUP
    loud = np.ones(len(pieces), np.bool_)
    groups = _magnitudes(pieces[:whole].reshape(-1, _IN_GROUP * _PIECE))
    # A little lower, so that rounding leaves nothing out.
    loud[:whole] = np.repeat(groups >= 0.999 * least, _IN_GROUP)
    if loud.all():
        return _magnitudes(pieces)
    tops = np.zeros(len(pieces), np.float32)
    tops[loud] = _magnitudes(pieces[loud])
    return tops


def _magnitudes(rows: Audio) -> Audio:
    """Return the highest magnitude of each row."""
    return np.asarray(np.maximum(rows.max(axis=1), -rows.min(axis=1)))


def _highest(windows: Audio, at_least: float) -> float:
    """Return the highest magnitude in the middle pieces of windows, shape (windows, samples)."""
    values = np.abs(windows @ _KERNELS)
    tops = values.max(axis=1)
    near = values[tops * _MOST_ABOVE > max(at_least, float(tops.max()))]
    before, top, after = near[:, :-2], near[:, 1:-1], near[:, 2:]
    row, column = np.nonzero((top >= before) & (top >= after) & (top > 0))
    before, top, after = before[row, column], top[row, column], after[row, column]
    # In this order it is never below their difference: a parabola rises by an eighth of it at most.
    bend = np.maximum((top - before) + (top - after), np.finfo(np.float32).tiny)
    return float((top + (after - before) ** 2 / (8 * bend)).max(initial=at_least))


def _kernels() -> Audio:
    """Return what makes four times as many samples of a window's middle piece.

    Shape (samples, times); the first lies a step before the piece, the last a step after its end.
    """
    at = np.arange(-1, _TIMES * _PIECE + 1) / _TIMES
    distance = np.arange(-_PIECE, 2 * _PIECE)[:, np.newaxis] - at
    arch = np.sqrt(np.clip(1 - (distance / (_TAPS / 2)) ** 2, 0, 1))
    kernels = np.sinc(distance) * np.i0(_WINDOW_BETA * arch) / np.i0(_WINDOW_BETA)
    kernels[np.abs(distance) >= _TAPS / 2] = 0.0
    return np.asarray(kernels / kernels.sum(axis=0), np.float32)


_KERNELS = _kernels()
_MOST_GAIN = _MOST_ABOVE * float(np.abs(_KERNELS).sum(axis=0).max())
