"""Where the sound lies in a video: a later start behind a title, an excerpt, silence around it."""

from __future__ import annotations

import math

import numpy as np

from syncvid.arrays import Audio
from syncvid.sources import SoundSource
from syncvid.timeline import to_samples

# Long enough that a cut inside the music does not click, short enough that no note is softened.
_FADE_S = 0.008


class PlacedSound:
    """A sound on the clock of a video, to the sample; a `syncvid.sources.SoundSource`.

    Before and after the sound there is silence.  Where it is cut inside the music it fades over a
    few milliseconds; its own beginning and end are left as they are.

    Parameters
    ----------
    source : SoundSource
        The sound.
    duration_s : float
        Length of the video.
    at_s : float
        Second of the video at which the sound begins, 0 or more.
    from_s, to_s : float
        The stretch of the sound that is heard, in its own seconds.
    """

    def __init__(
        self,
        source: SoundSource,
        *,
        duration_s: float,
        at_s: float = 0.0,
        from_s: float = 0.0,
        to_s: float = math.inf,
    ) -> None:
        self._source, self._duration_s = source, duration_s
        self._at_s, self._from_s = at_s, max(0.0, from_s)
        end_s = min(to_s, source.duration_s)
        self._to_s = min(end_s, self._from_s + duration_s - at_s)

    @property
    def duration_s(self) -> float:
        """Length of the video in seconds."""
        return self._duration_s

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        """Return what is heard between two seconds of the video, shape (channels, samples)."""
        first, last = to_samples(from_s, sample_rate), to_samples(to_s, sample_rate)
        begin, end = (to_samples(time_s, sample_rate) for time_s in (self._from_s, self._to_s))
        # Added to a sample of the video, this gives the sample of the sound.
        shift = begin - to_samples(self._at_s, sample_rate)
        heard = range(max(first + shift, begin), min(last + shift, end))
        if not heard:
            return np.zeros((1, max(0, last - first)), np.float32)
        samples = self._source.read(
            heard.start / sample_rate, heard.stop / sample_rate, sample_rate
        )
        samples = samples * self._fade(np.arange(heard.start, heard.stop), sample_rate)
        around = (heard.start - shift - first, last - (heard.stop - shift))
        return np.pad(samples, ((0, 0), around))

    def _fade(self, at: np.ndarray, sample_rate: int) -> Audio:
        """Return the gain at samples of the sound: less than 1 only where music was cut."""
        begin, end = (to_samples(time_s, sample_rate) for time_s in (self._from_s, self._to_s))
        length = to_samples(_FADE_S, sample_rate)
        inside = np.full(at.shape, float(length))
        if begin > 0:
            inside = np.minimum(inside, at - begin)
        if end < to_samples(self._source.duration_s, sample_rate):
            inside = np.minimum(inside, end - 1 - at)
        # A raised cosine: it has no corner at either end.
        gain = 0.5 - 0.5 * np.cos(np.pi * np.clip(inside / length, 0.0, 1.0))
        return np.asarray(gain, dtype=np.float32)
