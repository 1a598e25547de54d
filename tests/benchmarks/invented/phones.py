"""What lies between a player and a file: room, phone, gain control, noise, loss, clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from .music import Rng
from .players import RATE, Audio

NOISES = ("broadband", "hum", "traffic", "birds")
FINER = 3


@dataclass(frozen=True, slots=True)
class Phone:
    """One recording's circumstances.

    `agc` is (ratio, seconds) or None; `band_hz` an upper band limit (3400 for telephone codecs) or
    0; `loss` the share of the weakest spectral values that a codec throws away.
    """

    wet: float
    ring_s: float
    snr_db: float
    noise: str
    agc: tuple[float, float] | None
    clipped_db: float
    band_hz: int
    loss: float
    bumps: int


def choose_phone(rng: Rng, *, least_snr_db: float = 15.0) -> Phone:
    """Return a phone as they come."""
    agc = (float(rng.uniform(1.5, 3)), float(rng.uniform(0.8, 3))) if rng.random() < 0.65 else None
    if rng.random() < 0.3:
        agc = (8.0, 0.3)
    return Phone(
        wet=float(rng.uniform(0.1, 0.6)),
        ring_s=float(rng.uniform(0.15, 0.7)),
        snr_db=float(rng.uniform(least_snr_db, 44)),
        noise=str(rng.choice(NOISES)),
        agc=agc,
        clipped_db=float(rng.uniform(5, 9)) if rng.random() < 0.25 else 0.0,
        band_hz=int(rng.choice([3400, 7000])) if rng.random() < 0.2 else 0,
        loss=float(rng.uniform(0.3, 0.8)) if rng.random() < 0.6 else 0.0,
        bumps=int(rng.integers(0, 4)),
    )


def read_at(sound: Audio, first: float, step: float, count: int) -> Audio:
    """Return `count` samples of a sound at positions first + n * step (cubic, between samples)."""
    low = int(max(0, np.floor(first) - 64))
    high = int(np.clip(np.ceil(first + step * count) + 64, 0, len(sound)))
    out = np.zeros(count, np.float32)
    if high - low < 8:
        return out
    fine = signal.resample_poly(sound[low:high], FINER, 1).astype(np.float32)
    where = (first - low + step * np.arange(count)) * FINER
    inside = (where >= 1) & (where < len(fine) - 3)
    place = where[inside]
    whole = place.astype(np.int64)
    t = (place - whole).astype(np.float32)
    before, here, after, later = (fine[whole + k] for k in (-1, 0, 1, 2))
    out[inside] = here + np.float32(0.5) * t * (
        after
        - before
        + t
        * (2 * before - 5 * here + 4 * after - later + t * (3 * (here - after) + later - before))
    )
    return out


def in_room(rng: Rng, sound: Audio, wet: float, ring_s: float) -> Audio:
    """Add early reflections and a tail; the direct sound stays where it is."""
    count = max(64, int(1.2 * ring_s * RATE))
    times = np.arange(count) / RATE
    tail = rng.standard_normal(count) * 10 ** (-3 * times / ring_s)
    tail[: int(0.004 * RATE)] = 0
    tail *= wet / np.sqrt((tail**2).sum())
    tail[0] = 1.0
    for _ in range(4):
        tail[int(rng.uniform(0.002, 0.02) * RATE)] += wet * rng.uniform(-0.4, 0.4)
    colour = signal.firwin2(65, [0, 0.02, 0.2, 0.5, 1], 10 ** (rng.uniform(-6, 2, 5) / 20))
    response = signal.fftconvolve(tail, colour)
    return signal.oaconvolve(sound, response.astype(np.float32))[32 : 32 + len(sound)].astype(
        np.float32
    )


def noise_of(rng: Rng, kind: str, count: int) -> Audio:
    """Return noise of unit power."""
    white = rng.standard_normal(count).astype(np.float32)
    times = np.arange(count) / RATE
    if kind == "hum":
        base = float(rng.choice([50, 60]))
        noise = (
            sum(np.sin(2 * np.pi * base * k * times + k) / k for k in (1, 2, 3, 5)) + 0.3 * white
        )
    elif kind == "traffic":
        slow = signal.lfilter([1], [1, -0.985], white)
        noise = slow * (1 + 0.8 * np.sin(2 * np.pi * times / rng.uniform(5, 14)))
    elif kind == "birds":
        noise = 0.4 * white
        for at in rng.uniform(0, count / RATE, int(count / RATE / 2) + 1):
            first, length = int(at * RATE), int(rng.uniform(0.05, 0.2) * RATE)
            part = times[: max(0, min(length, count - first))]
            sweep = rng.uniform(2500, 5500) * part + rng.uniform(-4000, 4000) * part**2
            noise[first : first + len(part)] += (
                4 * np.hanning(len(part)) * np.sin(2 * np.pi * sweep)
            )
    else:
        noise = signal.lfilter([1], [1, -0.6], white)
    return np.asarray(noise / (noise.std() + 1e-9), np.float32)


def record(rng: Rng, sound: Audio, phone: Phone, music_rms: float) -> Audio:
    """Return what a phone makes of the sound in front of it (already on the phone's clock)."""
    level = music_rms * 10 ** (-phone.snr_db / 20)
    out = sound + np.float32(level) * noise_of(rng, phone.noise, len(sound))
    for at in rng.uniform(0, len(out) / RATE, phone.bumps):
        first = int(at * RATE)
        ring = np.arange(min(RATE // 3, len(out) - first)) / RATE
        thump = np.sin(2 * np.pi * rng.uniform(30, 90) * ring) * np.exp(-ring / 0.05)
        thump += 0.2 * rng.standard_normal(len(ring)) * np.exp(-ring / 0.02)
        out[first : first + len(ring)] += (music_rms * rng.uniform(2, 8) * thump).astype(np.float32)
    if phone.agc is not None:
        out = gain_control(out, *phone.agc)
    if phone.clipped_db:
        top = np.abs(out).max() * 10 ** (-phone.clipped_db / 20)
        out = np.clip(out, -top, top)
    out = 0.7 * out / (np.abs(out).max() + 1e-9)
    if phone.band_hz:
        out = band_limited(out, phone.band_hz)
    if phone.band_hz == 3400:
        out = companded(rng, out)
    if phone.loss:
        out = thinned(out, phone.loss)
    return out.astype(np.float32)


def gain_control(sound: Audio, ratio: float, seconds: float) -> Audio:
    """Turn loud down quickly and quiet up slowly."""
    hop = RATE // 100
    blocks = len(sound) // hop + 1
    power = np.pad(sound.astype(np.float64) ** 2, (0, blocks * hop - len(sound))).reshape(
        blocks, hop
    )
    level = np.log(power.mean(1) + 1e-9) / 2
    smooth = np.empty(blocks)
    held, release = level[0], 1 - np.exp(-0.01 / seconds)
    for index, now in enumerate(level):
        held += (now - held) * (0.3 if now > held else release)
        smooth[index] = held
    gain = np.exp((1 / ratio - 1) * (smooth - smooth.max()))
    gain = np.minimum(gain, 10 ** (24 / 20))
    return (sound * np.interp(np.arange(len(sound)), (np.arange(blocks) + 0.5) * hop, gain)).astype(
        np.float32
    )


def band_limited(sound: Audio, band_hz: int) -> Audio:
    """Keep what is below a frequency (linear phase, no delay)."""
    taps = signal.firwin(129, min(band_hz, 7900), fs=RATE)
    return signal.oaconvolve(sound, taps.astype(np.float32), mode="same").astype(np.float32)


def companded(rng: Rng, sound: Audio) -> Audio:
    """Return a sound with the coarse steps of a telephone codec."""
    high = signal.sosfiltfilt(signal.butter(1, 180, "highpass", fs=RATE, output="sos"), sound)
    top = np.abs(high).max() + 1e-9
    small = np.sign(high) * np.log1p(255 * np.abs(high) / top) / np.log(256)
    steps = 2.0 ** int(rng.integers(4, 7))
    small = np.round(small * steps) / steps
    wide = np.sign(small) * (np.expm1(np.abs(small) * np.log(256)) / 255) * top
    return band_limited(wide.astype(np.float32), 3400)


def thinned(sound: Audio, share: float) -> Audio:
    """Throw away the weakest spectral values of each short stretch, as lossy codecs do."""
    size = 512
    hop = size // 2
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size).astype(np.float32)
    padded = np.pad(sound, (hop, size + hop - len(sound) % hop))
    rows = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop] * window
    spectrum = np.fft.rfft(rows.astype(np.float32), axis=1).astype(np.complex64)
    size_of = np.abs(spectrum)
    edge = np.partition(size_of, int(share * size_of.shape[1]), axis=1)[
        :, int(share * size_of.shape[1])
    ]
    spectrum[size_of < edge[:, None]] = 0
    back = np.fft.irfft(spectrum, size, axis=1).astype(np.float32) * window
    out = np.zeros(len(rows) * hop + hop, np.float32)
    out[: len(rows) * hop] += back[:, :hop].ravel()
    out[hop:] += back[:, hop:].ravel()
    return out[hop : hop + len(sound)]


def compressed(sound: Audio, ratio: float) -> Audio:
    """Return a sound as a mixing desk squeezes it."""
    return gain_control(sound, ratio, 0.15)


def rms(sound: NDArray[np.float32]) -> float:
    """Return the root mean square where there is sound."""
    loud = np.abs(sound) > 1e-5
    return float(np.sqrt((sound[loud].astype(np.float64) ** 2).mean())) if loud.any() else 1e-5
