"""The sound of a finished video, encoded in one piece."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio
from syncvid.media.check_sound import SoundFigures, SoundMeter, stereo
from syncvid.media.encode import EncodeSettings
from syncvid.sources import SoundSource
from syncvid.timeline import to_samples

# Sound is read and encoded in blocks of this length.
_BLOCK_S = 5.0

# ALAC takes 24 bits at the upper end of 32.
_BITS, _SPARE_BITS = 24, 8


class SoundTrack:
    """Encodes the sound of a video, as far as it is wanted at the time.

    Parameters
    ----------
    container
        The open file of PyAV; gains a stream.
    sound : SoundSource
        Read from 0 to its end.
    settings : EncodeSettings
        How to compress it.
    sample_rate : int
        In Hz.
    gain_db : float
        Applied before it is compressed.
    """

    def __init__(
        self,
        container: Any,
        sound: SoundSource,
        settings: EncodeSettings,
        sample_rate: int,
        gain_db: float = 0.0,
    ) -> None:
        self._container, self._sound, self._rate = container, sound, sample_rate
        self._gain, self._at_s = np.float32(10 ** (gain_db / 20)), 0.0
        self._meter = SoundMeter(sample_rate)
        self._lossless = settings.sound == "lossless"
        codec = "alac" if self._lossless else "aac"
        self._stream = container.add_stream(codec, rate=sample_rate, layout="stereo")
        if self._lossless:
            self._stream.codec_context.format = "s32p"
        else:
            self._stream.codec_context.bit_rate = settings.sound_kbps * 1000

    def write_until(self, time_s: float) -> None:
        """Encode up to a moment, block by block."""
        while self._at_s < min(time_s, self._sound.duration_s):
            to_s = min(self._at_s + _BLOCK_S, self._sound.duration_s)
            samples = stereo(self._sound.read(self._at_s, to_s, self._rate))
            self._meter(samples)
            self._encode(samples * self._gain)
            self._at_s = to_s

    def finish(self) -> None:
        """Encode the rest."""
        self.write_until(self._sound.duration_s)
        self._container.mux(self._stream.encode(None))

    def figures(self) -> SoundFigures:
        """Return peak and loudness of the sound as it was given; after `finish`."""
        return self._meter.figures()

    def _encode(self, samples: Audio) -> None:
        """Encode one block; its place follows from the samples before it."""
        if samples.shape[1] == 0:
            return
        values, kind = (_integers(samples), "s32p") if self._lossless else (samples, "fltp")
        block = av.AudioFrame.from_ndarray(values, format=kind, layout="stereo")
        block.sample_rate = self._rate
        block.time_base = Fraction(1, self._rate)
        block.pts = to_samples(self._at_s, self._rate)
        self._container.mux(self._stream.encode(block))


def _integers(samples: Audio) -> NDArray[np.int32]:
    """Return 24-bit values: those of a file of 16 or 24 bits come back as they were."""
    top = 1 << (_BITS - 1)
    values = np.rint(samples.astype(np.float64) * top).clip(-top, top - 1)
    return values.astype(np.int32) << _SPARE_BITS
