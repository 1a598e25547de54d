"""The clicks of a guide track: when they sound, and which of them sound alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Audio, Floats
from syncvid.lazily import fft, ndimage
from syncvid.signals.outstanding import without_drone
from syncvid.sync.hearing import ANALYSIS_RATE
from syncvid.timeline import to_samples

# Spectra of 16 ms, every 4 ms.
SIZE = 256
HOP = 64

# A click makes one of these bands louder by `RISE_DB` within some hops, while it has more than
# this share of the loudest moment's power.
BAND_EDGES_HZ = (200.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
RISE_DB = 10.0
RISE_HOPS = 10
BACK_HOPS = 4
LEAST_POWER = 0.005
QUIETEST = 1e-6

# Clicks closer than this are one; faster ones are subdivisions that nobody plays against.
APART_S = 0.12

# A click begins where it reaches this share of its peak.
BEGINS = 0.2

# What is kept of a click, and how like another it must be to count as the same.
SHAPE = to_samples(0.06, ANALYSIS_RATE)
ALIKE = 0.8
ALIKE_ALONE = 0.5
JITTER = 40

# A guide is one of clicks if it has at least so many, and so many kinds at most make up nearly all.
FEWEST = 8
MOST_KINDS = 6
LEAST_SHARE = 0.8

# Clicks may subdivide beats; a beat of this length is usual, and others lie within these bounds.
MOST_PER_BEAT = 4
USUAL_BEAT_S = 0.3
FAST_BEAT_S = 0.22
SLOW_BEAT_S = 0.8

# A count-in of fewer beats is none: an accent alone sounds unlike the rest.
FEWEST_COUNTED = 3

# Accents repeat after this many beats at most.
LONGEST_BAR = 12


@dataclass(frozen=True, slots=True)
class Clicks:
    """The clicks of a guide.

    Attributes
    ----------
    times_s : ndarray, shape (clicks,), float64
        When each begins, in guide seconds.
    kinds : ndarray, shape (clicks,), int64
        Which shape it has.
    shapes : ndarray, shape (kinds, SHAPE), float32
        What each kind sounds like, from its beginning on.
    duration_s : float
        Length of the guide.
    meter : int or None
        Beats in a bar, if accents tell.
    count_in : int or None
        Number of clicks before the music, if they sound unlike the others.
    """

    times_s: Floats
    kinds: NDArray[np.int64]
    shapes: Audio = field(repr=False)
    duration_s: float
    meter: int | None = None
    count_in: int | None = None

    @property
    def beat_s(self) -> float:
        """Usual time from click to click."""
        return float(np.median(np.diff(self.times_s)))

    @property
    def end_s(self) -> float:
        """When the last beat is over."""
        return float(2 * self.times_s[-1] - self.times_s[-2])


def thin_out(clicks: Clicks, stride: int) -> Clicks:
    """Return every so many-th click, from the first on: the beats of a guide that subdivides them.

    Parameters
    ----------
    clicks : Clicks
        All clicks.
    stride : int
        Clicks per beat.

    Returns
    -------
    Clicks
        Meter and count-in in beats; unknown where they are no whole number of them.
    """

    def beats(count: int | None) -> int | None:
        return None if count is None or count % stride else count // stride

    return replace(
        clicks,
        times_s=clicks.times_s[::stride],
        kinds=clicks.kinds[::stride],
        meter=beats(clicks.meter),
        count_in=beats(clicks.count_in),
    )


def beat_strides(clicks: Clicks) -> tuple[int, ...]:
    """Return how many clicks may make a beat: the usual number first."""
    lengths = {stride: stride * clicks.beat_s for stride in range(1, MOST_PER_BEAT + 1)}
    usual = next((s for s, beat_s in lengths.items() if beat_s >= USUAL_BEAT_S), MOST_PER_BEAT)
    possible = [
        stride
        for stride, beat_s in lengths.items()
        if (clicks.meter or stride) % stride == 0
        and (stride == 1 or beat_s < SLOW_BEAT_S)
        and (stride == usual or beat_s >= FAST_BEAT_S)
    ]
    return tuple(sorted({usual, *possible}, key=lambda stride: (stride != usual, stride)))


def find_clicks(guide: Audio) -> Clicks | None:
    """Find the clicks of a guide track.

    Parameters
    ----------
    guide : ndarray, shape (samples,), float32
        Mono sound at `ANALYSIS_RATE`.

    Returns
    -------
    Clicks or None
        None where the guide is not made of clicks.
    """
    # A drone would make each click another kind.  Silence in front lets a click on the very first
    # sample rise from something.
    short = without_drone(guide, sample_rate=ANALYSIS_RATE)
    padded = np.pad(short, (SIZE + SHAPE, SHAPE + JITTER))
    begins = _attacks(padded)
    if len(begins) < FEWEST:
        return None
    begins, kinds, shapes = _sort_by_sound(padded, begins)
    counts = np.bincount(kinds, minlength=len(shapes))
    common = np.argsort(-counts, kind="stable")[:MOST_KINDS]
    if counts[common].sum() < LEAST_SHARE * len(begins):
        return None
    kept = np.isin(kinds, common)
    kinds = np.argsort(common)[np.searchsorted(np.sort(common), kinds[kept])]
    times_s = (begins[kept] - SIZE - SHAPE) / ANALYSIS_RATE
    meter, count_in = _bars(kinds)
    return Clicks(times_s, kinds, shapes[common], len(guide) / ANALYSIS_RATE, meter, count_in)


def _attacks(sound: Audio) -> NDArray[np.int64]:
    """Return the samples at which something begins suddenly."""
    hops = (len(sound) - SIZE) // HOP + 1
    pieces = np.lib.stride_tricks.sliding_window_view(sound, SIZE)[::HOP][:hops]
    window = np.hanning(SIZE).astype(np.float32)
    frequencies = fft.rfftfreq(SIZE, 1 / ANALYSIS_RATE)
    bands = np.digitize(frequencies, BAND_EDGES_HZ)
    inside = [bands == band for band in range(1, len(BAND_EDGES_HZ))]
    power = np.abs(fft.rfft(pieces * window, axis=1)) ** 2
    levels = np.stack([power[:, band].sum(axis=1) for band in inside], axis=1)
    loudest = float(levels.sum(axis=1).max(initial=0.0))
    if loudest <= 0.0:
        return np.zeros(0, np.int64)
    before = np.roll(ndimage.maximum_filter1d(levels, RISE_HOPS, axis=0, origin=4), BACK_HOPS, 0)
    before[:BACK_HOPS] = before[BACK_HOPS]
    rise_db = 10 * np.log10((levels + QUIETEST * loudest) / (before + QUIETEST * loudest))
    rise_db[levels < LEAST_POWER * loudest] = 0.0
    begins: list[int] = []
    for hop in np.flatnonzero(rise_db.max(axis=1) >= RISE_DB).tolist():
        first = max(0, hop * HOP - SIZE)
        if begins and hop * HOP - begins[-1] < APART_S * ANALYSIS_RATE:
            continue
        stretch = np.abs(sound[first : first + SIZE + SHAPE])
        begins.append(first + int(np.argmax(stretch > BEGINS * stretch.max())))
    return np.array(begins, np.int64)


def _sort_by_sound(
    sound: Audio, begins: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], Audio]:
    """Return exact beginnings, the kind of each click, and the shape of each kind."""
    shapes: list[Audio] = []
    kinds: list[int] = []
    exact: list[int] = []
    for begin in begins.tolist():
        stretch = sound[begin - JITTER : begin + SHAPE + JITTER]
        likeness, kind, shift = _most_alike(stretch, shapes)
        if likeness < ALIKE:
            kind, shift = len(shapes), 0
            shapes.append(sound[begin : begin + SHAPE])
        kinds.append(kind)
        exact.append(begin + shift)
    # A click that is one of its kind was changed by chance: the beginning or end of a drone.
    counts = np.bincount(kinds, minlength=len(shapes))
    several = np.flatnonzero(counts > 1)
    for number in np.flatnonzero(counts[kinds] == 1).tolist():
        begin = exact[number]
        stretch = sound[begin - JITTER : begin + SHAPE + JITTER]
        likeness, kind, shift = _most_alike(stretch, [shapes[common] for common in several])
        if likeness >= ALIKE_ALONE:
            kinds[number], exact[number] = int(several[kind]), begin + shift
    left = np.unique(kinds)
    return np.array(exact), np.searchsorted(left, kinds), np.array(shapes, np.float32)[left]


def _most_alike(stretch: Audio, shapes: Sequence[Audio]) -> tuple[float, int, int]:
    """Return how like the best of some shapes a sound is, which one, and how much later."""
    best = (0.0, 0, 0)
    for number, shape in enumerate(shapes):
        lags = np.correlate(stretch, shape, "valid")
        energy = float(np.dot(stretch, stretch)) * float(np.dot(shape, shape))
        likeness = float(lags.max()) / float(np.sqrt(max(energy, 1e-20)))
        best = max(best, (likeness, number, int(np.argmax(lags)) - JITTER))
    return best


def _bars(kinds: NDArray[np.int64]) -> tuple[int | None, int | None]:
    """Return beats in a bar and clicks of the count-in, where their sound tells."""
    meter, count_in = None, None
    late = np.unique(kinds[len(kinds) // 2 :])
    early = np.flatnonzero(~np.isin(kinds, late))
    early = early[early < len(kinds) // 2]
    if len(early) >= FEWEST_COUNTED and early[-1] == len(early) - 1:
        count_in = len(early)
    elif len(early) >= 2 and early[0] == 0 and len(set(np.diff(early).tolist())) == 1:
        # Only its accents sound unlike the music's clicks: its last bar ends a bar after the last.
        meter = int(early[1])
        count_in = int(early[-1]) + meter
    body = kinds[count_in or 0 :]
    for beats in range(2, LONGEST_BAR + 1):
        accented = np.arange(len(body)) % beats == 0
        accents, plain = set(body[accented].tolist()), set(body[~accented].tolist())
        if len(accents) == len(plain) == 1 and accents != plain:
            return beats, count_in
    return meter, count_in
