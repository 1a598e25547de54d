"""What has become of the sound: true peak and loudness of a finished video against its mix.

True peak as in ITU-R BS.1770-5, annex 2: the samples and three more between each two of them.
Integrated loudness by FFmpeg's filter `ebur128`.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
import numpy as np

from syncvid.arrays import Audio
from syncvid.media.errors import media_errors

MOST_DBTP = -1.0
"""True peak that lossy sound should keep below (AES TD1008; EBU R 128)."""

# Decoders and players do not differ by less.
_TOLD_LU = 0.1

# ITU-R BS.1770-5, annex 2: four phases.  A few more taps than its 12 for each phase keep the pass
# band flat within 0.02 dB up to 0.4 of the rate.
_PHASES, _TAPS = 4, 24
_WINDOW_BETA = 6.0

# One step of the peak's search: its windows fit into the processor's cache.
_STEP_SAMPLES = 8192

# The filter says so where there is no loudness: nothing above the absolute gate of -70 LUFS.
_GATE_LUFS = -70.0


@dataclass(frozen=True, slots=True)
class SoundFigures:
    """Figures of one sound.

    Attributes
    ----------
    loudness_lufs : float or None
        Integrated loudness; None if nothing of it lies above -70 LUFS.
    true_peak_dbtp : float
        Highest level between the samples too; minus infinity for silence.
    sample_peak_dbfs : float
        Highest level of the samples.
    duration_s : float
        Length in seconds.
    """

    loudness_lufs: float | None
    true_peak_dbtp: float
    sample_peak_dbfs: float
    duration_s: float


class SoundMeter:
    """Measures a sound that comes in blocks.

    Parameters
    ----------
    sample_rate : int
        In Hz.
    """

    def __init__(self, sample_rate: int) -> None:
        self._rate, self._count = sample_rate, 0
        self._graph, self._loudness_lufs = _graph(sample_rate), _GATE_LUFS
        self._peak, self._between = 0.0, 0.0
        self._held = np.zeros((2, _TAPS - 1), np.float32)

    def __call__(self, samples: Audio) -> None:
        """Take the next block, shape (channels, samples); one channel counts as two alike."""
        block = stereo(samples)
        if not block.shape[1]:
            return
        self._weigh(block)
        self._look_between(block)
        self._count += block.shape[1]

    def figures(self) -> SoundFigures:
        """Return what was measured up to here; the meter is at its end then."""
        self._look_between(np.zeros((2, _TAPS), np.float32))
        self._graph.push(None)
        self._pull()
        return SoundFigures(
            loudness_lufs=self._loudness_lufs if self._loudness_lufs > _GATE_LUFS else None,
            true_peak_dbtp=_decibels(max(self._peak, self._between)),
            sample_peak_dbfs=_decibels(self._peak),
            duration_s=self._count / self._rate,
        )

    def _weigh(self, block: Audio) -> None:
        """Hand a block to the loudness filter."""
        samples = av.AudioFrame.from_ndarray(block, format="fltp", layout="stereo")
        samples.sample_rate, samples.pts = self._rate, self._count
        samples.time_base = Fraction(1, self._rate)
        self._graph.push(samples)
        self._pull()

    def _pull(self) -> None:
        """Take from the filter what it has ready; the last word counts."""
        while True:
            try:
                told = self._graph.pull().metadata.get("lavfi.r128.I")
            except (av.BlockingIOError, av.EOFError):
                return
            if told is not None:
                self._loudness_lufs = float(told)

    def _look_between(self, block: Audio) -> None:
        """Search a block, and what lies between it and the one before, for its peak."""
        self._peak = max(self._peak, float(np.abs(block).max()))
        joined = np.concatenate((self._held, block), axis=1)
        self._held = joined[:, 1 - _TAPS :]
        for channel in joined:
            for first in range(0, channel.size - _TAPS + 1, _STEP_SAMPLES):
                part = channel[first : first + _STEP_SAMPLES + _TAPS - 1]
                # What cannot reach the highest peak so far need not be interpolated.
                highest = max(self._between, self._peak)
                if float(np.abs(part).max()) * _MOST_GAIN > highest:
                    length = part.size - _TAPS + 1
                    # Copied: numpy multiplies overlapping rows without its fast library.
                    rows = np.lib.stride_tricks.sliding_window_view(part, length).copy()
                    self._between = max(highest, float(np.abs(_KERNELS @ rows).max()))


@dataclass(frozen=True, slots=True)
class SoundCheck:
    """The sound of a finished video beside what was handed to the encoder.

    Attributes
    ----------
    written, given : SoundFigures
        Of the file, and of the mix as it was placed in the video.
    """

    written: SoundFigures
    given: SoundFigures

    @property
    def louder_lu(self) -> float:
        """By how much the file is louder than the mix; 0 where either is silent."""
        written, given = self.written.loudness_lufs, self.given.loudness_lufs
        return 0.0 if written is None or given is None else written - given

    def sentences(self, most_dbtp: float = MOST_DBTP) -> tuple[str, ...]:
        """Say what the user should know: nothing if all is well."""
        told = []
        if self.written.true_peak_dbtp > most_dbtp:
            told.append(self._on_peak(most_dbtp))
        if (self.written.loudness_lufs is None) != (self.given.loudness_lufs is None):
            told.append("Either the encoded sound or its mix is silent, and the other is not.")
        if abs(self.louder_lu) > _TOLD_LU:
            word = "louder" if self.louder_lu > 0 else "softer"
            told.append(f"The encoded sound is {abs(self.louder_lu):.1f} LU {word} than its mix.")
        return tuple(told)

    def _on_peak(self, most_dbtp: float) -> str:
        """Say how far the peak is too high, whose doing it is, and what helps."""
        peak, before = self.written.true_peak_dbtp, self.given.true_peak_dbtp
        # Rounded up, so that what is advised is enough.
        less = math.ceil(10 * (peak - most_dbtp) - 1e-9) / 10
        return (
            f"The encoded sound peaks at {peak:.1f} dBTP, above {most_dbtp:g} dBTP: some players "
            f"may distort there. Its mix peaks at {before:.1f} dBTP; one that is {less:.1f} dB "
            "softer would do."
        )


def measure_file(path: str | os.PathLike[str]) -> SoundFigures:
    """Measure the sound of a finished video as a player decodes it.

    Raises
    ------
    MediaError
        The file cannot be read.
    """
    with media_errors(path), av.open(os.path.abspath(path)) as container:
        stream = container.streams.audio[0]
        to_floats = av.AudioResampler("fltp", "stereo", stream.rate)
        meter = SoundMeter(stream.rate)
        for block in container.decode(stream):
            block.pts = None
            for floats in to_floats.resample(block):
                meter(floats.to_ndarray().astype(np.float32, copy=False))
    return meter.figures()


def stereo(samples: Audio) -> Audio:
    """Return two channels: one is doubled, more than two are mixed down."""
    if samples.shape[0] > 2:
        samples = samples.mean(axis=0, keepdims=True, dtype=np.float32)
    if samples.shape[0] == 1:
        samples = np.repeat(samples, 2, axis=0)
    return np.ascontiguousarray(samples, dtype=np.float32)


def _graph(sample_rate: int) -> Any:
    """Return a filter graph that hears stereo sound and tells its loudness."""
    graph = av.filter.Graph()
    source = graph.add_abuffer(
        format="fltp", sample_rate=sample_rate, layout="stereo", time_base=Fraction(1, sample_rate)
    )
    meter = graph.add("ebur128", "metadata=1:framelog=quiet")
    sink = graph.add("abuffersink")
    source.link_to(meter)
    meter.link_to(sink)
    graph.configure()
    return graph


def _kernels() -> Audio:
    """Return what interpolates a quarter, a half and three quarters on, shape (phases - 1, taps).

    A window of samples gives the values between its two middle ones.
    """
    at = np.arange(_TAPS) - (_TAPS // 2 - 1)
    shifts = np.arange(1, _PHASES) / _PHASES
    distance = at[:, np.newaxis] - shifts
    arch = np.sqrt(np.clip(1 - (distance / (_TAPS / 2)) ** 2, 0, 1))
    kernels = np.sinc(distance) * np.i0(_WINDOW_BETA * arch) / np.i0(_WINDOW_BETA)
    return np.ascontiguousarray((kernels / kernels.sum(axis=0)).T, dtype=np.float32)


_KERNELS = _kernels()
_MOST_GAIN = float(np.abs(_KERNELS).sum(axis=1).max())


def _decibels(value: float) -> float:
    """Return a level in dB of full scale."""
    return 20 * math.log10(value) if value > 0 else -math.inf
