"""Whether a clip's sound is in the reference at a moment: evidence that has a true zero.

A correlation alone cannot say *absent*: another take of the same notes correlates by chance, and a
soft passage under loud neighbours correlates little although it is there.  So the reference is
taken for ``reference = filter * clip + everything else``, cell by cell of a short-time spectrum.
The filter (what room, microphone and mixing desk did to the part) is measured where the clip is
heard; then each moment is asked for the log likelihood ratio of *present* against *absent*:

    2 share Re(conj(filter * clip) * reference) - share**2 |filter * clip|**2
    ------------------------------------------------------------------------
                        power of the reference near the cell

It is as negative where the clip should be heard and is not, as it is positive where it is heard,
and zero where the clip rests or is drowned.

References
----------
H. L. Van Trees, "Detection, Estimation, and Modulation Theory, Part I" (1968), section 4.2: the
likelihood ratio of a known signal in noise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.lazily import fft, ndimage, signal
from syncvid.timeline import PPM, Placement

# Below 4 kHz lies nearly all of what a part shares with a mix; half the rate is half the work.
CELL_RATE = 8000

# 128 ms part neighbouring notes in time, and the overtones of neighbouring pitches in frequency.
SIZE = 1024
HOP = SIZE // 2
HOP_S = HOP / CELL_RATE
LOW_HZ, HIGH_HZ = 80.0, 3750.0
BINS = slice(round(LOW_HZ * SIZE / CELL_RATE), round(HIGH_HZ * SIZE / CELL_RATE))
BINS_HZ = np.arange(SIZE // 2 + 1)[BINS] * CELL_RATE / SIZE

# A gain that changes during the piece must not look like absence: a part at this share of its usual
# level, twice, counts as neither.
SHARE = 0.8

# Overlapping frames, neighbouring bins and notes that sound on carry the same evidence again.
INDEPENDENT = 0.5

# Cells, in frames and bins, over which the power of the reference is smoothed.
SMOOTH = (3, 5)

# Bins over which the filter is smoothed, and how far its power must exceed that of chance.
FILTER_BINS = 9
FILTER_LEAST = 4.0

# Cells this far below the loud passages of the reference at their own pitch are on the floor: in
# the tails of notes, rooms differ, so that no clip fits.
FLOOR = 10**-2.5
LOUD_PERCENTILE = 90.0

# Power of a cell of digital silence.
SILENT = np.float32(1e-10)

# The clip's own noise is what its quiet moments hold at a pitch, but no more than this share of its
# loud ones there (a drone has no quiet moments), and no less than this share of the loudest pitch
# (above the cut of a telephone or codec nothing is heard).  What is less than `NOISE_TIMES` above
# it is noise.
NOISE_PERCENTILE = 20.0
PEAK_PERCENTILE = 98.0
NOISE_MOST = 0.1
NOISE_LEAST = 10**-7.0
NOISE_TIMES = 2.0

# A line steeper than this is read by resampling the clip, not frame by frame.
STEEP_PPM = 500.0

Cells = NDArray[np.complex64]


@dataclass(frozen=True, slots=True)
class Scene:
    """A clip and a reference as short-time spectra, on the reference's clock.

    Attributes
    ----------
    clip : ndarray, shape (samples,), float32
        The clip's own sound at `CELL_RATE`.
    times_s : ndarray, shape (frames,), float64
        Middle of each frame, in reference seconds.
    reference : ndarray, shape (frames, bins), complex64
        Spectra of the reference.
    power : ndarray, shape (frames, bins), float32
        Its smoothed power.
    noise : ndarray, shape (bins,), float32
        Power of the clip's own noise.
    """

    clip: Audio = field(repr=False)
    times_s: Floats = field(repr=False)
    reference: Cells = field(repr=False)
    power: Audio = field(repr=False)
    noise: Audio = field(repr=False)

    def along(self, line: Placement) -> Cells:
        """Return the clip's spectra at the reference's frames, if it lay on a line.

        Cells that hold no more than the clip's noise are emptied.
        """
        spectra = self._read(line)
        power = _smooth(spectra)
        spectra *= np.clip(1.0 - NOISE_TIMES * self.noise / np.maximum(power, SILENT), 0.0, 1.0)
        return spectra

    def _read(self, line: Placement) -> Cells:
        """Return the clip's spectra as they are."""
        if abs(line.drift_ppm) > STEEP_PPM:
            return _resampled(self.clip, self.times_s, line)
        places = ((self.times_s - line.offset_s) / line.rate) * CELL_RATE - SIZE / 2
        starts = np.round(places).astype(np.int64)
        spectra = _frames(self.clip, starts)
        rests_s = (places - starts) / CELL_RATE
        phases = (2 * np.pi * rests_s[:, None] * BINS_HZ).astype(np.float32)
        turns = np.empty(phases.shape, np.complex64)
        np.cos(phases, out=turns.real)
        np.sin(phases, out=turns.imag)
        return np.multiply(spectra, turns, out=turns)


def set_scene(clip: Audio, reference: Audio, lines: Sequence[Placement]) -> Scene:
    """Cut the stretch of a reference that a clip may cover into short-time spectra.

    Parameters
    ----------
    clip, reference : ndarray, shape (samples,), float32
        Sounds as they are, at `CELL_RATE`.
    lines : sequence of Placement
        Where the clip may lie.

    Returns
    -------
    Scene
    """
    length_s = len(clip) / CELL_RATE
    first_s = max(0.0, min(line.offset_s for line in lines))
    last_s = min(len(reference) / CELL_RATE, max(line.to_reference(length_s) for line in lines))
    frames = max(0, int((last_s - first_s) / HOP_S))
    # All scenes of a reference share one grid, so that clips can be compared frame by frame.
    starts = HOP * (int(first_s / HOP_S) + np.arange(frames)) - HOP // 2
    spectra = _frames(reference, starts)
    power = _smooth(spectra)
    if len(power):
        loud = np.percentile(power, LOUD_PERCENTILE, axis=0).astype(np.float32)
        power += np.maximum(FLOOR * loud, SILENT)
    return Scene(clip, (starts + SIZE / 2) / CELL_RATE, spectra, power, _own_noise(clip))


def _smooth(spectra: Cells) -> Audio:
    """Return the power of cells, smoothed over their neighbours."""
    squares = spectra.real**2 + spectra.imag**2
    return np.asarray(ndimage.uniform_filter(squares, SMOOTH, mode="nearest"), np.float32)


def _own_noise(clip: Audio) -> Audio:
    """Return the power of a clip's own noise in each bin."""
    power = _smooth(_frames(clip, np.arange(0, max(1, len(clip) - SIZE), SIZE)))
    quiet, loud = np.percentile(power, [NOISE_PERCENTILE, PEAK_PERCENTILE], axis=0)
    noise = np.maximum(np.minimum(quiet, NOISE_MOST * loud), NOISE_LEAST * loud.max(initial=0.0))
    return np.asarray(noise, np.float32)


def _frames(samples: Audio, starts: NDArray[np.int64]) -> Cells:
    """Return the spectra of frames; what lies outside of a sound is silent."""
    padded = np.zeros(len(samples) + 2 * SIZE, np.float32)
    padded[SIZE : SIZE + len(samples)] = samples
    window = signal.windows.hann(SIZE, sym=False).astype(np.float32)
    at = np.clip(starts + SIZE, 0, len(samples) + SIZE)
    pieces = np.lib.stride_tricks.sliding_window_view(padded, SIZE)[at]
    return np.asarray(fft.rfft(pieces * window, axis=1)[:, BINS], np.complex64)


def _resampled(clip: Audio, times_s: Floats, line: Placement) -> Cells:
    """Return the spectra of a clip that is read at another speed."""
    if not len(times_s):
        return _frames(clip, np.zeros(0, np.int64))
    first_s = times_s[0] - SIZE / 2 / CELL_RATE
    count = HOP * len(times_s) + SIZE
    at_s = (first_s + np.arange(count) / CELL_RATE - line.offset_s) / line.rate
    read = np.interp(at_s * CELL_RATE, np.arange(len(clip)), clip, left=0.0, right=0.0)
    return _frames(read.astype(np.float32), HOP * np.arange(len(times_s)))


def measure_filter(scene: Scene, clip: Cells, heard: Floats) -> Cells:
    """Measure what became of the clip on its way into the reference.

    Parameters
    ----------
    scene : Scene
        From `set_scene`.
    clip : ndarray, shape (frames, bins), complex64
        The clip's spectra at the frames.
    heard : ndarray, shape (frames,), float64
        1 where the clip is heard, 0 where not.

    Returns
    -------
    ndarray, shape (bins,), complex64
        Zero where chance would give as much.
    """
    weights = heard.astype(np.float32)[:, None] / scene.power
    alone = (weights * (clip.real**2 + clip.imag**2)).sum(axis=0, dtype=np.float64) + 1e-20
    weighted = weights * np.conj(clip)
    across = np.multiply(weighted, scene.reference, out=weighted).sum(axis=0)
    even = np.hanning(FILTER_BINS + 2)[1:-1]
    across = np.convolve(across, even, "same")
    alone = np.convolve(alone, even, "same")
    stands_out = np.abs(across) ** 2 / alone
    trust = np.clip(1.0 - FILTER_LEAST / np.maximum(stands_out, 1e-12), 0.0, 1.0)
    return np.asarray(trust * across / alone, np.complex64)


@dataclass(frozen=True, slots=True)
class Presence:
    """What each frame of a reference says about a clip on a line.

    Attributes
    ----------
    gains : ndarray, shape (frames,), float64
        Log likelihood ratio of present against absent.
    expected : ndarray, shape (frames,), float64
        What it would be if the clip were there exactly as elsewhere.
    """

    gains: Floats = field(repr=False)
    expected: Floats = field(repr=False)


def weigh_presence(scene: Scene, clip: Cells, filtered: Cells) -> Presence:
    """Ask each frame whether a clip is there.

    Parameters
    ----------
    scene : Scene
        From `set_scene`.
    clip : ndarray, shape (frames, bins), complex64
        The clip's spectra at the frames.
    filtered : ndarray, shape (bins,), complex64
        From `measure_filter`.

    Returns
    -------
    Presence
    """
    should = clip * filtered
    power = should.real**2 + should.imag**2
    # A part that should drown the rest and is not there can speak against itself only so much.
    noise = scene.power + power
    across = should.real * scene.reference.real + should.imag * scene.reference.imag
    fits = (across / noise).sum(axis=1, dtype=np.float64)
    should_fit = (power / noise).sum(axis=1, dtype=np.float64)
    gains = INDEPENDENT * (2 * SHARE * fits - SHARE**2 * should_fit)
    return Presence(gains, INDEPENDENT * (2 * SHARE - SHARE**2) * should_fit)


def away_from(line: Placement, times_s: Floats, length_s: float) -> NDArray[np.bool_]:
    """Return at which reference times a clip on a line has not begun or is over."""
    clip_s = (times_s - line.offset_s) / (1.0 + line.drift_ppm * PPM)
    return np.asarray((clip_s < 0.0) | (clip_s > length_s), np.bool_)
