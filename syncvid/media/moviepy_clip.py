"""Pictures and sound offered as clips of moviepy.

Importing this module imports moviepy, which takes a third of a second: it is imported only by
those who ask for such a clip.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
from moviepy import AudioClip, VideoClip
from numpy.typing import NDArray

from syncvid.arrays import Audio
from syncvid.media.encode import SOUND_RATE
from syncvid.sources import SoundSource
from syncvid.timeline import FrameRate

# Sound is read in blocks, the last few of which are kept: copies of a clip are read by turns, and
# a sound that goes back is decoded from its head.
_BLOCK_S, _MOST_BLOCKS = 10, 8

# Rates at which sound is asked for; another spacing of moments is a clip run faster or slower.
_LOWEST_HZ, _HIGHEST_HZ = 8_000, 192_000

# Two moments may both lie half-way between two samples and differ in their last digits: they must
# be rounded the same way.
_TIE_SAMPLES = 1e-4

PictureAt = Callable[[float], NDArray[np.uint8]]
"""Returns the picture on screen at a second, shape (height, width, 3), R, G, B."""


class PaintedClip(VideoClip):  # type: ignore[misc]  # moviepy has no types
    """A video as a clip of moviepy.

    Parameters
    ----------
    picture_at : callable
        Returns the picture on screen at a second of the video.
    frame_rate : Fraction
        Pictures per second.
    count : int
        How many pictures there are.
    open_sound : callable
        Returns the sound, on the clock of the video.
    let_go : callable
        Closes what `picture_at` reads from.
    """

    def __init__(
        self,
        picture_at: PictureAt,
        *,
        frame_rate: FrameRate,
        count: int,
        open_sound: Callable[[], SoundSource],
        let_go: Callable[[], None],
    ) -> None:
        super().__init__(picture_at, duration=_duration_s(count, float(frame_rate)))
        self.fps = float(frame_rate)
        self.audio = HeardClip(open_sound, self.duration)
        self._let_go = let_go

    def close(self) -> None:
        """Let go of all files: for copies and parts of this clip as well."""
        self._let_go()
        if self.audio is not None:
            self.audio.close()


class HeardClip(AudioClip):  # type: ignore[misc]  # moviepy has no types
    """A sound as a clip of moviepy, stereo, placed to the sample.

    At whatever rate moviepy asks, the sound is converted to that rate as a whole: single samples
    are never picked out of another rate's.

    Parameters
    ----------
    open_sound : callable
        Returns the sound, of one channel or two; called again if the clip is used after `close`.
    duration_s : float
        Length of the clip; silence where the sound is shorter.
    """

    def __init__(self, open_sound: Callable[[], SoundSource], duration_s: float) -> None:
        # In a list, which copies of the clip share: what one closes is closed for all.
        self._open_sound, self._opened = open_sound, list[SoundSource]()
        # Not a method that is cached: it would keep every clip that there ever was.
        self._block = lru_cache(_MOST_BLOCKS)(self._read_block)
        self._turn = threading.Lock()
        super().__init__(self._samples_at, duration=duration_s, fps=SOUND_RATE)

    def close(self) -> None:
        """Let go of the sound's file: for copies and parts of this clip as well."""
        with self._turn:
            self._block.cache_clear()
            self._opened.clear()

    def _samples_at(self, times_s: Any) -> NDArray[np.float32]:
        """Return the samples at moments, shape (moments, 2); at a single one, shape (2,)."""
        moments_s = np.atleast_1d(np.asarray(times_s, dtype=np.float64))
        rate = _rate_of(moments_s)
        at = np.floor(moments_s * rate + 0.5 + _TIE_SAMPLES).astype(np.int64)
        numbers, within = np.divmod(at, _BLOCK_S * rate)
        samples = np.empty((at.size, 2), np.float32)
        for number in np.unique(numbers):
            here = numbers == number
            samples[here] = self._block(int(number), rate)[within[here]]
        return samples if np.ndim(times_s) else samples[0]

    def _read_block(self, number: int, rate: int) -> Audio:
        """Read some seconds of the sound, shape (samples, 2)."""
        from_s = number * _BLOCK_S
        # A file is read forward, by one thread at a time.
        with self._turn:
            if not self._opened:
                self._opened.append(self._open_sound())
            block = self._opened[0].read(from_s, from_s + _BLOCK_S, rate)
        return np.ascontiguousarray(np.broadcast_to(block, (2, block.shape[1])).T)


def _rate_of(moments_s: NDArray[np.float64]) -> int:
    """Return the rate of the sound of which these moments are samples, in Hz."""
    if moments_s.size < 2:
        return SOUND_RATE
    step_s = abs(float(moments_s[-1] - moments_s[0])) / (moments_s.size - 1)
    rate = round(1.0 / step_s) if step_s > 0.0 else 0
    exact = abs(rate * step_s * moments_s.size - moments_s.size) < 0.01
    return rate if exact and _LOWEST_HZ <= rate <= _HIGHEST_HZ else SOUND_RATE


def _duration_s(count: int, fps: float) -> float:
    """Return a duration in which moviepy, which rounds down, finds that many pictures."""
    duration_s = count / fps
    while int(duration_s * fps) < count:
        duration_s = math.nextafter(duration_s, math.inf)
    return duration_s
