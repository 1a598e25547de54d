"""The signature of a guide: a short sound that tells which guide it is, and of which version.

The sound is described in `cue_sound`, its code in `cue_code`.  It is found in three steps: both
sweeps are searched in the whole sound, after evening out its level and spectrum; around the best
moments the chirps are read at the speed that the sweeps tell; and a codeword that was read is
compared with the sound as a whole, which gives the moment to some microseconds.

What is found by chance: for noise the score of a codeword is a sum of 28 squares, the highest of
2^24 and of some hundred lags and speeds; `LEAST_SCORE` is surpassed by less than one moment in a
million (chi-square tail 8e-17).  A codeword must have `LEAST_SHARE` of all scores as well, and as a
whole surpass `LEAST_READ`.  In 60 minutes of noise and 67 of music none was found (see
`tests/benchmarks/signature.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats, check_mono
from syncvid.lazily import fft, ndimage, signal
from syncvid.signals.cue_code import MOST_VERSION, SYMBOLS, Codeword, decode, encode
from syncvid.signals.cue_sound import (
    CHIRP_S,
    DATA_FROM_S,
    HIGH_HZ,
    LEAST_RATE,
    LOW_HZ,
    SIGNATURE_S,
    SWEEP_S,
    chirps,
    make_signature,
    sweep,
    whistle,
)
from syncvid.signals.peaks import fit_parabola

__all__ = [
    "SIGNATURE_S",
    "FoundSignature",
    "find_signatures",
    "make_signature",
    "match_signature",
]

Complex = NDArray[np.complex64]

# Sound is searched at this rate; others are brought to it.
RATE = 16_000

# Blocks of two seconds whose spectra are evened out, and how far they overlap: half a signature.
BLOCK = 1 << 15
OVERLAP = 1 << 13

# Bins of a block that hold the band; it is moved down to 0 Hz, and its rate to its width.
FIRST_BIN = 1000 * BLOCK // RATE
BINS = 5000 * BLOCK // RATE
BAND_RATE = 5000

# Level is evened out over steps of 20 ms; what is below this is silence.
LEVEL_STEP = 320
SILENT = 1e-6

# A sweep that is stretched by a share of its length seems to come this much later, in seconds per
# share: the first, and the second (see `cue_sound`).
FIRST_MOVES_S = SWEEP_S * HIGH_HZ / (HIGH_HZ - LOW_HZ)
SECOND_MOVES_S = -SWEEP_S * LOW_HZ / (HIGH_HZ - LOW_HZ)
APART_MOVES_S = SWEEP_S + SECOND_MOVES_S - FIRST_MOVES_S
MOST_STRETCH = 0.023

# Moments whose sweeps together are higher than this are looked at (noise: a sum of squares of 4
# degrees of freedom, the highest of 30 neighbours), at most so many, so far apart in seconds.
LEAST_SUM = 30.0
MOST_MOMENTS = 20
NEAR_S = 0.05

# A codeword's score, its fourteen squares of 2 degrees of freedom each, is believed from here.
LEAST_SCORE = 140.0

# So is a known signature as a whole, in standard deviations; and one that was read.
LEAST_HEIGHT = 7.5
LEAST_READ = 7.0

# A known signature is searched in four pieces, whose sum is compared at so many moments.
PIECES = 4
KNOWN_MOMENTS = 4

# Speeds that are tried around the one that the sweeps tell, or around 1.
FINE_PPM = np.arange(-1500.0, 1501.0, 60.0)
KNOWN_PPM = np.arange(-480.0, 481.0, 60.0)

# Sound that is looked at before and after a moment, in seconds.
MARGIN_S = 0.1

# Lags at which chirps are read, in samples; of these, where the first may be (echoes may be louder
# than what comes first), and by how much the speed may differ from what the sweeps tell.
LAG_STEP = 2
LAGS = np.arange(-32, 37, LAG_STEP)
FIRST_LAGS = np.arange(-2, 5)
READ_PPM = np.arange(-1000.0, 1001.0, 100.0)

# One chirp counts for no more than this, and none is heard where all is this much quieter.
MOST_EACH = 60.0
QUIETEST = 0.1

# The chirps of a signature stand out 1.9 times as much as its sweeps.  Of the chirps of any other
# at most five are the same, which makes 0.7 times; where some are the same a chirp away,
# the sweeps are missing.
LEAST_BY_CHIRPS = 1.25
MOST_BY_CHIRPS = 3.5

# What a codeword must have of the highest score at each of its places.
LEAST_SHARE = 0.8

# How much finer than `RATE` a stretch is made before its speed is undone, and a peak is read.
FINER = 4


@dataclass(frozen=True, slots=True)
class FoundSignature:
    """A signature that is heard in a sound.

    Attributes
    ----------
    at_s : float
        Where its first sample sounds, in seconds of the sound.
    guide, version : int
        What it says; of a version the lowest eight bits.
    strength : float
        How far it stands out of what else is heard, in standard deviations.
    drift_ppm : float
        How much longer a second of the sound is than one of the guide's, as in `timeline`:
        negative where the sound's clock counts more seconds than the guide's.
    """

    at_s: float
    guide: int
    version: int
    strength: float
    drift_ppm: float = 0.0


class _Moment(NamedTuple):
    """Where a signature may begin, and its length in the sound as a multiple of its own."""

    at_s: float
    stretch: float


def find_signatures(samples: Audio, sample_rate: int) -> tuple[FoundSignature, ...]:
    """Find all signatures in a sound, whatever they say.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound.
    sample_rate : int
        In Hz.

    Returns
    -------
    tuple of FoundSignature
        In the order of time; none below `LEAST_RATE`.
    """
    if sample_rate < LEAST_RATE:
        return ()
    sound = _at_rate(check_mono(samples), sample_rate)
    found: list[FoundSignature] = []
    for moment in _moments(sound):
        if any(abs(moment.at_s - other.at_s) < SIGNATURE_S for other in found):
            continue
        stretch = _stretch(sound, moment)
        word = _read(stretch)
        if word.score < LEAST_SCORE:
            continue
        one = _locate(stretch, moment, word, FINE_PPM)
        if one.strength >= LEAST_READ:
            found.append(one)
    return tuple(sorted(found, key=lambda one: one.at_s))


def match_signature(
    samples: Audio, sample_rate: int, guide: int, version: int
) -> FoundSignature | None:
    """Find one known signature, also where it is too faint to be read.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound.
    sample_rate : int
        In Hz.
    guide, version : int
        What it says.

    Returns
    -------
    FoundSignature or None
        The strongest; its clock is within 500 ppm of the guide's.
    """
    if sample_rate < LEAST_RATE:
        return None
    sound = _at_rate(check_mono(samples), sample_rate)
    symbols = encode(guide, version & MOST_VERSION)
    word = Codeword(guide, version & MOST_VERSION, symbols, 0.0)
    times = np.arange(round(SIGNATURE_S * RATE)) / RATE
    known = np.array_split(whistle(tuple(symbols.tolist()), times), PIECES)
    powers = _powers(sound, known)
    starts = np.cumsum([0] + [len(piece) for piece in known[:-1]]) * BAND_RATE // RATE
    total = np.zeros(max(0, powers.shape[1] - int(starts[-1])))
    for row, start in zip(powers, starts, strict=True):
        total += ndimage.maximum_filter1d(row, 5)[start : start + len(total)]
    best: FoundSignature | None = None
    for at in _highest(total, KNOWN_MOMENTS, 0.0):
        moment = _Moment(at / BAND_RATE, 1.0)
        one = _locate(_stretch(sound, moment), moment, word, KNOWN_PPM)
        if one.strength >= LEAST_HEIGHT and (best is None or one.strength > best.strength):
            best = one
    return best


def _at_rate(samples: Audio, sample_rate: int) -> Audio:
    """Return a sound at `RATE`."""
    if sample_rate == RATE:
        return samples
    common = int(np.gcd(sample_rate, RATE))
    return np.asarray(signal.resample_poly(samples, RATE // common, sample_rate // common), "f4")


def _moments(sound: Audio) -> list[_Moment]:
    """Return where both sweeps are heard one after the other, the clearest first."""
    times = np.arange(round(SWEEP_S * RATE)) / RATE
    first, second = _powers(sound, [sweep(times, up=True), sweep(times, up=False)])
    apart = round(SWEEP_S * BAND_RATE)
    reach = round(abs(APART_MOVES_S) * MOST_STRETCH * BAND_RATE) + 1
    if len(first) <= apart + reach:
        return []
    later = ndimage.maximum_filter1d(second, 2 * reach + 1)[apart:]
    total = first[: len(later)] + later
    moments = []
    for at in _highest(total, MOST_MOMENTS, LEAST_SUM):
        low = max(0, at + apart - reach)
        other = low + int(np.argmax(second[low : at + apart + reach + 1]))
        first_s, second_s = (
            _top(row, top) / BAND_RATE for row, top in ((first, at), (second, other))
        )
        longer = (second_s - first_s - SWEEP_S) / APART_MOVES_S
        moment = _Moment(first_s - longer * FIRST_MOVES_S, 1.0 + longer)
        end_s = moment.at_s + SIGNATURE_S * moment.stretch
        if abs(longer) <= MOST_STRETCH and moment.at_s > -NEAR_S and end_s < len(sound) / RATE:
            moments.append(moment)
    return moments


def _powers(sound: Audio, templates: list[Floats]) -> Audio:
    """Return how strongly some short sounds are heard to begin at each moment.

    Parameters
    ----------
    sound : ndarray, shape (samples,), float32
        At `RATE`.
    templates : list of ndarray, shape (samples,), complex
        At `RATE`, shorter than `OVERLAP`.

    Returns
    -------
    ndarray, shape (templates, samples * BAND_RATE / RATE), float32
        In squares of standard deviations, at `BAND_RATE`: 2 on the average.
    """
    band = slice(FIRST_BIN, FIRST_BIN + BINS)
    banks = [np.conj(fft.fft(one, BLOCK)[band]).astype(np.complex64) for one in templates]
    step = BLOCK - OVERLAP
    even = _even_level(sound)
    count = max(1, -(-(len(even) - OVERLAP) // step))
    padded = np.zeros((count - 1) * step + BLOCK, np.float32)
    padded[: len(even)] = even
    kept = step * BINS // BLOCK
    powers = np.empty((len(banks), count * kept), np.float32)
    for number in range(count):
        spectrum = fft.rfft(padded[number * step : number * step + BLOCK])[band]
        spectrum /= np.abs(spectrum) + np.float32(SILENT)
        for bank, row in zip(banks, powers, strict=True):
            answer = fft.ifft(spectrum * bank)[:kept]
            row[number * kept : (number + 1) * kept] = answer.real**2 + answer.imag**2
    powers = powers[:, : len(sound) * BAND_RATE // RATE]
    around = ndimage.uniform_filter1d(powers, BAND_RATE, axis=1) if powers.size else powers
    return np.asarray(2 * powers / np.maximum(around, around.max(initial=SILENT) * 1e-3), "f4")


def _even_level(sound: Audio) -> Audio:
    """Return a sound's differences, made equally loud everywhere: a clap counts like a moment."""
    steps = len(sound) // LEVEL_STEP + 1
    even = np.zeros(steps * LEVEL_STEP, np.float32)
    even[1 : len(sound)] = np.diff(sound)
    rows = even.reshape(steps, LEVEL_STEP)
    level = np.sqrt(np.einsum("ij,ij->i", rows, rows) / LEVEL_STEP)
    rows /= np.where(level > SILENT, level, np.inf)[:, None].astype(np.float32)
    return even[: len(sound)]


def _highest(heights: Audio | Floats, count: int, least: float) -> list[int]:
    """Return the highest places that are not near each other, the highest first."""
    near = round(NEAR_S * BAND_RATE)
    left = np.array(heights[: len(heights) // near * near]).reshape(-1, near)
    tops = left.max(axis=1) if left.size else np.zeros(0)
    found: list[int] = []
    for row in np.argsort(-tops)[: 4 * count].tolist():
        at = row * near + int(np.argmax(left[row]))
        if tops[row] < least or len(found) == count:
            break
        if all(abs(at - other) >= near for other in found):
            found.append(at)
    return found


def _top(row: Audio, at: int) -> float:
    """Return where a peak lies, between samples."""
    if not 0 < at < len(row) - 1:
        return float(at)
    before, middle, after = np.sqrt(row[at - 1 : at + 2, None].astype(np.float64))
    return at + float(fit_parabola(before, middle, after).positions[0])


def _stretch(sound: Audio, moment: _Moment) -> Complex:
    """Return the sound from before a moment on, evened out, at the guide's speed.

    Returns
    -------
    ndarray, shape (samples,), complex64
        The band's positive frequencies at `RATE`; the moment is `MARGIN_S` from its beginning.
    """
    length_s = (SIGNATURE_S + 2 * MARGIN_S) * moment.stretch
    begin = int(np.floor((moment.at_s - MARGIN_S * moment.stretch) * RATE)) - 8
    size = fft.next_fast_len(round(length_s * RATE) + 32, real=True)
    piece = np.zeros(size + 1, np.float32)
    low, high = max(0, begin), min(len(sound), begin + size + 1)
    piece[max(0, low - begin) : max(0, high - begin)] = sound[low : max(low, high)]
    spectrum = fft.rfft(_even_level(piece)[1:])
    hertz = fft.rfftfreq(size, 1 / RATE)
    inside = (hertz > LOW_HZ - 200) & (hertz < HIGH_HZ + 300)
    spectrum = np.where(inside, spectrum / (np.abs(spectrum) + SILENT), 0)
    fine = fft.ifft(spectrum, FINER * size)
    wanted = np.arange(round((SIGNATURE_S + 2 * MARGIN_S) * RATE)) / RATE - MARGIN_S
    # The differences lie half a sample before the second of each two samples.
    places = ((moment.at_s + wanted * moment.stretch) * RATE - begin - 0.5) * FINER
    return np.asarray(np.interp(places, np.arange(len(fine)), fine), np.complex64)


def _read(stretch: Complex) -> Codeword:
    """Read the chirps of a stretch of sound, at the lag and speed at which they are clearest."""
    bank = _chirp_bank()
    chirp = round(CHIRP_S * RATE)
    begin = round((MARGIN_S + DATA_FROM_S) * RATE)
    starts = begin + LAGS[:, None] + (np.arange(SYMBOLS) * chirp)[None]
    answer = np.lib.stride_tricks.sliding_window_view(stretch, chirp)[starts] @ bank
    power = answer.real**2 + answer.imag**2
    # Of the squares of noise, half are below 2 ln 2 where they are 2 on the average.
    usual = np.maximum(np.median(power, axis=(0, 2)), np.median(power) * QUIETEST) + 1e-20
    scores = np.minimum(power * (2 * np.log(2) / usual[:, None]), MOST_EACH)
    rows = _lag_rows()
    clear = scores.max(axis=2)[rows, np.arange(SYMBOLS)].sum(axis=1)
    best = scores[rows[int(np.argmax(clear))], np.arange(SYMBOLS)].astype(np.float64)
    word = decode(best)
    # A stranger has the six symbols by which it was read, and few more.
    return word if word.score >= LEAST_SHARE * best.max(axis=1).sum() else word._replace(score=0.0)


@cache
def _lag_rows() -> NDArray[np.int64]:
    """Return which lag of `LAGS` each chirp has, for each first lag and speed."""
    from_s = DATA_FROM_S - FIRST_MOVES_S + CHIRP_S * np.arange(SYMBOLS)
    moved = np.rint(READ_PPM[:, None] * 1e-6 * from_s * RATE / LAG_STEP).astype(np.int64)
    rows = (FIRST_LAGS[:, None, None] + moved[None]).reshape(-1, SYMBOLS)
    return np.asarray(np.clip(rows + int(np.argmin(np.abs(LAGS))), 0, len(LAGS) - 1))


@cache
def _chirp_bank() -> Complex:
    """Return the conjugate of the sixteen chirps, shape (samples, ALPHABET)."""
    return np.asarray(np.conj(chirps(np.arange(round(CHIRP_S * RATE)) / RATE)).T, np.complex64)


def _locate(
    stretch: Complex, moment: _Moment, word: Codeword, speeds_ppm: Floats
) -> FoundSignature:
    """Lay the whole signature against a stretch of sound, at several speeds."""
    size = fft.next_fast_len(len(stretch) + round(SIGNATURE_S * RATE))
    spectrum = fft.fft(stretch, size)
    lags = round(2 * MARGIN_S * RATE)
    times = np.arange(round(SIGNATURE_S * RATE)) / RATE
    symbols = tuple(word.symbols.tolist())

    sweeps = (times < DATA_FROM_S).astype(np.float64)

    def answer_at(ppm: float, finer: int, part: Floats | None = None) -> Audio:
        sound = whistle(symbols, times * (1 - ppm * 1e-6))
        sound = sound if part is None else sound * part
        bank = np.conj(fft.fft(sound.astype(np.complex64), size))
        # Above half of the rate there is nothing of it.
        product = (spectrum * bank)[: size // 2]
        answer = fft.ifft(product, size * finer)[: lags * finer]
        return np.asarray(answer.real**2 + answer.imag**2, np.float32)

    rows = np.array([answer_at(ppm, 1) for ppm in speeds_ppm.tolist()])
    best = int(np.argmax(rows.max(axis=1)))
    top = rows[best].max()
    strength = float(np.sqrt(2 * top / max(float(np.median(rows)) / np.log(2), 1e-20)))
    heights = np.sqrt(rows.max(axis=1).astype(np.float64))
    step = float(speeds_ppm[1] - speeds_ppm[0])
    ppm = float(speeds_ppm[0]) + step * _top(np.square(heights).astype(np.float32), best)
    parts = [answer_at(ppm, 1, part) / part.mean() for part in (sweeps, 1 - sweeps)]
    at = int(np.argmax(rows[best]))
    by_sweeps, by_chirps = (float(np.sqrt(part[max(0, at - 1) : at + 2].max())) for part in parts)
    whole = LEAST_BY_CHIRPS * by_sweeps <= by_chirps <= MOST_BY_CHIRPS * by_sweeps
    row = answer_at(ppm, FINER)
    lag_s = _top(row, int(np.argmax(row))) / (FINER * RATE) - MARGIN_S
    stretched = moment.stretch * (1 + ppm * 1e-6)
    return FoundSignature(
        at_s=moment.at_s + lag_s * moment.stretch,
        guide=word.guide,
        version=word.version,
        strength=strength if whole else 0.0,
        drift_ppm=(1 / stretched - 1) * 1e6,
    )
