"""Instruments and voices: played notes become sound (16 kHz mono float32)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from .music import Played, Rng

RATE = 16_000
TABLE = 2048

Audio = NDArray[np.float32]

VOWELS = (
    (730, 1090, 2440),
    (530, 1840, 2480),
    (270, 2290, 3010),
    (570, 840, 2410),
    (300, 870, 2240),
)


@dataclass(frozen=True, slots=True)
class Instrument:
    """How an instrument sounds.

    `kind` is sustained, struck, bar (inharmonic), voice or drum; `octave` moves the written pitch;
    `fall` is the exponent of the harmonics' fall; `odd` weakens even harmonics (0 to 1);
    `decay_s` the time constant of struck notes at the middle octave.
    """

    kind: str
    octave: int = 0
    fall: float = 1.2
    odd: float = 0.0
    attack_s: float = 0.03
    vibrato_cents: float = 0.0
    breath: float = 0.01
    decay_s: float = 0.6


INSTRUMENTS = {
    "fiddle": Instrument("sustained", 0, 0.9, 0.0, 0.05, 18, 0.02),
    "viol": Instrument("sustained", 0, 0.9, 0.0, 0.07, 10, 0.02),
    "cello": Instrument("sustained", -1, 0.9, 0.0, 0.06, 15, 0.015),
    "double bass": Instrument("sustained", -1, 1.0, 0.0, 0.07, 6, 0.02),
    "recorder": Instrument("sustained", 1, 2.2, 0.3, 0.03, 6, 0.05),
    "reed": Instrument("sustained", 0, 0.8, 0.8, 0.025, 4, 0.015),
    "bassoon": Instrument("sustained", -1, 0.7, 0.0, 0.03, 7, 0.015),
    "horn": Instrument("sustained", -1, 1.6, 0.0, 0.045, 3, 0.01),
    "cornet": Instrument("sustained", 0, 0.9, 0.0, 0.025, 9, 0.01),
    "accordion": Instrument("sustained", 0, 0.7, 0.2, 0.04, 0, 0.01),
    "low brass": Instrument("sustained", -1, 1.2, 0.0, 0.05, 3, 0.01),
    "soprano": Instrument("voice", 0, 1.1, 0.0, 0.06, 45, 0.015),
    "tenor": Instrument("voice", -1, 1.0, 0.0, 0.06, 35, 0.015),
    "low voice": Instrument("voice", -1, 0.9, 0.0, 0.05, 20, 0.02),
    "mandolin": Instrument("struck", 0, 0.9, 0.0, 0.002, 0, 0.02, 0.25),
    "harp": Instrument("struck", 0, 1.4, 0.0, 0.003, 0, 0.005, 0.9),
    "classical guitar": Instrument("struck", -1, 1.1, 0.2, 0.003, 0, 0.02, 0.7),
    "plucked bass": Instrument("struck", -1, 1.3, 0.0, 0.004, 0, 0.01, 0.6),
    "piano": Instrument("struck", 0, 1.2, 0.0, 0.004, 0, 0.005, 0.8),
    "glockenspiel": Instrument("bar", 1, 1.0, 0.0, 0.001, 0, 0.0, 0.7),
    "vibraphone": Instrument("bar", 0, 1.0, 0.0, 0.002, 0, 0.0, 1.2),
    "wood bars": Instrument("bar", 0, 1.0, 0.0, 0.001, 0, 0.005, 0.15),
    "box drum": Instrument("drum"),
    "shaker": Instrument("drum", 1),
}
BY_ROLE = {
    "melody": ("fiddle", "recorder", "reed", "cornet", "soprano", "mandolin", "accordion", "tenor"),
    "inner": ("viol", "horn", "tenor", "reed", "accordion", "harp", "vibraphone", "wood bars"),
    "bass": ("cello", "double bass", "bassoon", "low brass", "low voice", "plucked bass"),
    "chords": ("piano", "classical guitar", "harp", "accordion", "vibraphone"),
    "drum": ("box drum", "shaker"),
    "few": ("glockenspiel", "horn", "box drum", "harp", "low brass"),
}


def choose_instrument(rng: Rng, role: str) -> str:
    """Return an instrument that suits a role."""
    return str(rng.choice(BY_ROLE[role]))


def sound_of(
    rng: Rng,
    notes: list[Played],
    name: str,
    *,
    from_s: float,
    to_s: float,
    cents: NDArray[np.float64] | None = None,
) -> Audio:
    """Return a stretch of the guide's clock as one player sounds, dry.

    `cents` moves each note's pitch and nothing else, as pitch correction does: with a generator of
    the same state the timing, phases and breath are the same.
    """
    instrument = INSTRUMENTS[name]
    out = np.zeros(round((to_s - from_s) * RATE) + 4 * RATE, np.float32)
    breath = rng.standard_normal(5 * RATE).astype(np.float32)
    breath = np.diff(breath, prepend=np.float32(0))
    manner = float(rng.uniform(0.7, 1.3)), float(rng.uniform(4.6, 6.4)), rng.integers(5)
    for index, note in enumerate(notes):
        shift = 0.0 if cents is None else float(cents[index])
        where = (note.start_s - from_s) * RATE
        first = int(np.floor(where))
        for pitch in note.pitches:
            wave = _note(rng, instrument, pitch + shift / 100, note, breath, manner, where - first)
            if 0 <= first < len(out):
                piece = wave[: len(out) - first]
                out[first : first + len(piece)] += piece
    return out[: round((to_s - from_s) * RATE)]


def _note(
    rng: Rng,
    instrument: Instrument,
    pitch: float,
    note: Played,
    breath: Audio,
    manner: tuple[float, float, int],
    late: float,
) -> Audio:
    """Return the sound of one note; `late` is the part of a sample by which it starts late."""
    if instrument.kind == "drum":
        return _drum(rng, int(pitch) + 3 * instrument.octave, note.velocity, late)
    pitch += 12 * instrument.octave
    pitch_hz = 440 * 2 ** ((pitch - 69 + 0.06 * rng.standard_normal()) / 12)
    ring = instrument.kind in ("struck", "bar")
    decay_s = instrument.decay_s * 2 ** (-(pitch - 60) / 30)
    length_s = note.length_s + (min(0.5, decay_s) if ring else 0.08)
    if ring:
        length_s = min(length_s + 0.3, 5 * decay_s)
    times = (np.arange(int(max(0.06, length_s) * RATE), dtype=np.float32) - np.float32(late)) / RATE
    times = np.maximum(times, 0)
    if instrument.kind == "bar":
        wave = _bar(rng, pitch_hz, times, decay_s)
    else:
        wave = _harmonic(rng, instrument, pitch_hz, times, note, manner)
    envelope = _envelope(rng, instrument, times, note.length_s, decay_s)
    start = int(rng.integers(0, RATE))
    puff = breath[start : start + len(times)]
    puff = np.pad(puff, (0, len(times) - len(puff)))
    return (note.velocity * 0.12 * envelope * (wave + 2 * instrument.breath * puff)).astype(
        np.float32
    )


def _envelope(
    rng: Rng, instrument: Instrument, times: Audio, length_s: float, decay_s: float
) -> Audio:
    """Return loudness over a note."""
    rise = np.minimum(times / np.float32(instrument.attack_s * rng.uniform(0.7, 1.4)), 1)
    if instrument.kind in ("struck", "bar"):
        damp = np.clip((length_s + 0.25 - times) / np.float32(0.25), 0, 1)
        return np.asarray(rise * np.exp(-times / np.float32(decay_s)) * damp, np.float32)
    swell = 1 + np.float32(rng.uniform(-0.3, 0.4)) * np.sin(np.pi * times / max(length_s, 0.1))
    release = np.clip((length_s + 0.08 - times) / np.float32(0.08), 0, 1)
    settle = 0.8 + 0.2 * np.exp(-times / np.float32(0.12))
    return np.asarray(rise * settle * swell * release, np.float32)


def _harmonic(
    rng: Rng,
    instrument: Instrument,
    pitch_hz: float,
    times: Audio,
    note: Played,
    manner: tuple[float, float, int],
) -> Audio:
    """Return a harmonic tone whose colour goes from bright to dull, with vibrato and scoop."""
    depth, rate_hz, vowel = manner
    cents = np.zeros(len(times), np.float32)
    if instrument.vibrato_cents:
        width = np.float32(instrument.vibrato_cents * depth) * np.minimum(times / 0.3, 1)
        cents += width * np.sin(
            np.float32(2 * np.pi * rate_hz * rng.uniform(0.93, 1.07)) * times
            + np.float32(6.28 * rng.random())
        )
    if instrument.kind == "voice":
        cents -= np.float32(rng.uniform(0, 120)) * np.exp(-times / np.float32(0.05))
        vowel = int(rng.integers(5)) if rng.random() < 0.5 else vowel
    if instrument.kind in ("voice", "sustained"):
        cents += np.float32(rng.uniform(-8, 8)) * times / max(note.length_s, 0.2)
    steps = pitch_hz / RATE * np.exp2(cents.astype(np.float64) / 1200)
    phase = (np.cumsum(steps) + rng.random()) % 1.0
    bright = _table(rng, instrument, pitch_hz, instrument.fall, vowel)
    dull = _table(rng, instrument, pitch_hz, instrument.fall + 0.7, vowel)
    place = phase * TABLE
    whole = place.astype(np.int32)
    part = (place - whole).astype(np.float32)
    fade = np.exp(-times / np.float32(0.5 * instrument.decay_s))
    one = bright[whole] * (1 - part) + bright[whole + 1] * part
    other = dull[whole] * (1 - part) + dull[whole + 1] * part
    return np.asarray(one * fade + other * (1 - fade), np.float32)


def _table(rng: Rng, instrument: Instrument, pitch_hz: float, fall: float, vowel: int) -> Audio:
    """Return one period of a tone, band-limited, of unit power."""
    count = max(1, min(TABLE // 2 - 1, int(7600 / pitch_hz)))
    number = np.arange(1, count + 1)
    size = number.astype(np.float64) ** -fall
    size[1::2] *= 1 - instrument.odd
    if instrument.kind == "voice":
        hz = number * pitch_hz
        peaks = sum(
            gain / (1 + ((hz - at) / (60 + 0.06 * at)) ** 2)
            for at, gain in zip(VOWELS[vowel], (1.0, 0.6, 0.35), strict=True)
        )
        size = size * (peaks + 0.03)
    # As many draws for any pitch, so that a corrected pitch changes nothing else.
    luck, phases = rng.standard_normal(TABLE // 2), rng.random(TABLE // 2)
    size *= np.exp(0.25 * luck[:count])
    size /= np.sqrt((size**2).sum() / 2)
    spectrum = np.zeros(TABLE // 2 + 1, np.complex128)
    spectrum[1 : count + 1] = size * np.exp(2j * np.pi * phases[:count]) * TABLE / 2
    period = np.fft.irfft(spectrum, TABLE)
    return np.append(period, period[0]).astype(np.float32)


def _bar(rng: Rng, pitch_hz: float, times: Audio, decay_s: float) -> Audio:
    """Return a struck bar: few inharmonic partials, the high ones short."""
    wave = np.zeros(len(times), np.float32)
    for ratio, gain in ((1.0, 1.0), (3.93, 0.35), (9.5, 0.15)):
        if ratio * pitch_hz < 7600:
            angle = np.float32(2 * np.pi * ratio * pitch_hz) * times
            extra = np.exp(-times * np.float32((ratio - 1) / decay_s))
            wave += np.float32(gain) * extra * np.sin(angle + np.float32(6.28 * rng.random()))
    return wave * np.float32(1.4)


def _drum(rng: Rng, kind: int, velocity: float, late: float) -> Audio:
    """Return a stroke: a low thump, a slap, or a hiss."""
    times = np.maximum(np.arange(int(0.35 * RATE)) - late, 0) / RATE
    noise = rng.standard_normal(len(times))
    if kind == 0:
        fall_hz = 65 + 60 * np.exp(-times / 0.02)
        body = np.sin(2 * np.pi * np.cumsum(fall_hz) / RATE) * np.exp(-times / 0.12)
        wave = body + 0.2 * noise * np.exp(-times / 0.008)
    elif kind < 3:
        tone = np.sin(2 * np.pi * (180 + 150 * kind) * times) * np.exp(-times / 0.05)
        wave = 0.5 * tone + 0.6 * noise * np.exp(-times / 0.04)
    else:
        hiss = np.diff(noise, prepend=0)
        wave = (
            0.7 * hiss * np.minimum(times / 0.015, 1) * np.exp(-times / (0.02 + 0.02 * (kind - 3)))
        )
    return (0.3 * velocity * rng.uniform(0.85, 1.15) * wave).astype(np.float32)


def talk(rng: Rng, length_s: float) -> Audio:
    """Return something like speech: syllables of gliding pitch and changing vowels."""
    out = np.zeros(round(length_s * RATE) + RATE, np.float32)
    base = float(rng.uniform(42, 56))
    at_s = float(rng.uniform(0, 0.2))
    speaker = Instrument("voice", 0, 0.8, 0.0, 0.025, 60, 0.03, 0.6)
    breath = rng.standard_normal(5 * RATE).astype(np.float32)
    while at_s < length_s - 0.1:
        long_s = float(rng.uniform(0.07, 0.25))
        note = Played(at_s, long_s, (base,), float(rng.uniform(0.4, 1.0)))
        pitch = base + float(rng.uniform(-4, 5))
        manner = (1.0, float(rng.uniform(1, 3)), int(rng.integers(5)))
        wave = _note(rng, speaker, pitch, note, breath, manner, 0.0)
        first = round(at_s * RATE)
        out[first : first + len(wave)] += wave[: len(out) - first]
        if rng.random() < 0.5:
            burst = np.diff(rng.standard_normal(int(rng.uniform(0.02, 0.09) * RATE)))
            burst *= 0.03 * np.hanning(len(burst))
            out[first : first + len(burst)] += burst.astype(np.float32)
        at_s += long_s + float(rng.choice([0.03, 0.06, 0.35], p=[0.5, 0.35, 0.15]))
    return out[: round(length_s * RATE)]


def claps(rng: Rng, times_s: NDArray[np.float64], *, from_s: float, to_s: float) -> Audio:
    """Return hand claps at times on the guide's clock."""
    out = np.zeros(round((to_s - from_s) * RATE) + RATE, np.float32)
    for at_s in times_s:
        first = round((at_s - from_s) * RATE)
        if 0 <= first < len(out) - RATE // 2:
            ring = np.arange(RATE // 4) / RATE
            low, high = sorted(rng.uniform(500, 3500, 2))
            taps = signal.butter(2, (low, high + 500), "bandpass", fs=RATE, output="sos")
            hit = signal.sosfilt(taps, rng.standard_normal(len(ring))) * np.exp(
                -ring / rng.uniform(0.008, 0.035)
            )
            hit *= rng.uniform(0.5, 1.0) / np.abs(hit).max()
            out[first : first + len(hit)] += hit.astype(np.float32)
    return out[: round((to_s - from_s) * RATE)]


def applause(rng: Rng, length_s: float) -> Audio:
    """Return many hands."""
    count = int(180 * length_s)
    times_s = np.sort(rng.uniform(0, max(0.1, length_s - 0.3), count))
    hits = np.zeros(round(length_s * RATE))
    hits[(times_s * RATE).astype(int)] = rng.uniform(0.3, 1, count)
    ring = rng.standard_normal(800) * np.exp(-np.arange(800) / 120)
    noise = signal.oaconvolve(hits, ring)[: len(hits)]
    edge = np.minimum(np.arange(len(hits)), np.arange(len(hits))[::-1]) / (0.5 * RATE)
    return (0.02 * noise * np.minimum(edge, 1)).astype(np.float32)
