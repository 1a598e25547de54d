"""Sounds whose truth is known, for the steps of cleaning."""

from __future__ import annotations

import io

import av
import numpy as np

from syncvid.arrays import Audio

RATE = 48_000


def plucked(
    rng: np.random.Generator, duration_s: float, lowest_hz: float, highest_hz: float
) -> np.ndarray:
    """Decaying tones that overlap, each of seven partials; the peak is 1."""
    music, at_s = np.zeros(int(duration_s * RATE)), 0.0
    while at_s < duration_s - 0.3:
        pitch_hz = float(np.exp(rng.uniform(np.log(lowest_hz), np.log(highest_hz))))
        first = int(at_s * RATE)
        times_s = np.arange(min(int(1.5 * RATE), music.size - first)) / RATE
        partials = [
            np.sin(2 * np.pi * pitch_hz * number * times_s + rng.uniform(0, 6.28)) / number**1.5
            for number in range(1, 8)
            if number * pitch_hz < 18_000
        ]
        shape = np.minimum(1, times_s / 0.01) * np.exp(-times_s / 0.5) * rng.uniform(0.4, 1)
        music[first : first + times_s.size] += shape * np.sum(partials, axis=0)
        at_s += rng.uniform(0.1, 0.4)
    return np.asarray(music / np.abs(music).max())


def coded(samples: Audio, bit_rate: int = 128_000) -> Audio:
    """Return mono sound as AAC gives it back, in the same place."""
    with io.BytesIO() as file:
        with av.open(file, "w", format="mp4") as container:
            stream = container.add_stream("aac", rate=RATE, layout="mono")
            stream.bit_rate = bit_rate
            for first in range(0, samples.size, 1024):
                block = samples[np.newaxis, first : first + 1024]
                picture = av.AudioFrame.from_ndarray(block, format="fltp", layout="mono")
                picture.sample_rate, picture.pts = RATE, first
                container.mux(stream.encode(picture))
            container.mux(stream.encode(None))
        file.seek(0)
        with av.open(file) as container:
            heard = np.concatenate([part.to_ndarray()[0] for part in container.decode(audio=0)])
    # By how much it was delayed is where the two agree best.
    size = 2 * max(heard.size, samples.size)
    spectrum = np.fft.rfft(heard, size) * np.conj(np.fft.rfft(samples, size))
    delay = int(np.argmax(np.fft.irfft(spectrum, size)))
    delay -= size if delay > size // 2 else 0
    aligned = np.zeros(samples.size, np.float32)
    kept = heard[max(0, delay) :][: samples.size]
    aligned[max(0, -delay) :][: kept.size] = kept[: aligned.size - max(0, -delay)]
    return aligned
