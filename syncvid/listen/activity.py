"""What a part does over time: when it plays, how strongly, how busily.

A phone hears more than the player: the clicks that leave headphones, a breath, a chair, the room.
So a short burst is no playing, and what counts as quiet is judged by the recording's own noise.
Levels are told against the sound's own usual strength: how loud a phone recorded does not matter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from syncvid.arrays import Audio, Floats, check_mono
from syncvid.lazily import fft, ndimage, signal
from syncvid.listen.ears import Playing
from syncvid.timeline import Placement

HOP_S = 0.025
"""Length of the stretches that are measured, in clip seconds."""

# Spectra of 32 ms at 16 kHz; below the lowest band there is rumble and hum, and little of what
# makes an instrument heard.
_SIZE_S = 0.032
_LOWEST_HZ, _HIGHEST_HZ = 150.0, 7000.0
_BANDS = 40

# Spectra worked on at a time.
_BLOCK = 2048

# A burst shorter than this is a click or a knock: a note, also a short one, rings longer.  A dip
# as short as that lies between two notes: nobody breathes.
_BURST_S = 0.1

# The usual strength is that of what lies within 20 dB of the loudest; bangs are left out of it.
_LOUDEST_PERCENTILE, _NEAR_LOUDEST_DB = 99.5, 20.0

# The noise is where only this share of the recording is quieter: phones run before and after.
_NOISE_PERCENTILE = 5.0

# Playing begins at this share of the way (in dB) from the noise up to the usual strength, but
# within these levels against the usual strength and at least so far above the noise.
_SHARE = 0.4
_LOWEST_DB, _HIGHEST_DB = -35.0, -14.0
_ABOVE_NOISE_DB = 4.0

# Gaps shorter than this lie between notes; playing shorter than this is none.
_BETWEEN_NOTES_S = 0.4
_LEAST_PLAYING_S = 0.3

# A part has entered where it plays for so long of the next so many seconds.
_ENTERS_S, _WITHIN_S = 1.0, 2.0

# An attack: a mean rise over all bands of so many dB within so many hops, each level taken over as
# many (a bow's tremble is no attack), the largest near by.
_RISE_DB, _RISE_HOPS = 3.0, 3
_APART_S = 0.1

# Digital silence.
_NOTHING = 1e-14


@dataclass(frozen=True, slots=True)
class Activity:
    """What a sound does over time.

    Attributes
    ----------
    from_s : float
        When the first hop begins.
    hop_s : float
        From one hop to the next, in seconds.
    levels_db : ndarray, shape (hops,), float64
        Against the usual strength of the sound; bursts and dips of a tenth of a second are left
        out.
    playing : ndarray, shape (hops,), bool
        Whether it plays.
    attacks : ndarray, shape (hops,), bool
        Whether a note begins.
    quiet_db : float
        The level above which it may be playing.
    """

    from_s: float
    hop_s: float
    levels_db: Floats = field(repr=False)
    playing: Playing = field(repr=False)
    attacks: Playing = field(repr=False)
    quiet_db: float = _HIGHEST_DB

    @property
    def to_s(self) -> float:
        """When the last hop ends."""
        return self.from_s + self.playing.size * self.hop_s

    def on(self, placement: Placement) -> Activity:
        """Return it on the reference, where it is on a clip's clock."""
        return Activity(
            placement.to_reference(self.from_s),
            self.hop_s * placement.rate,
            self.levels_db,
            self.playing,
            self.attacks,
            self.quiet_db,
        )

    def hops_at(self, times_s: Floats) -> tuple[np.ndarray, Playing]:
        """Return the hops of moments, shape (times,), int, and whether there are such hops."""
        hops = np.floor((times_s - self.from_s) / self.hop_s + 1e-9).astype(np.int64)
        inside = (hops >= 0) & (hops < self.playing.size)
        return np.clip(hops, 0, max(0, self.playing.size - 1)), inside

    def loudness_at(self, times_s: Floats) -> Floats:
        """Return levels in dB at moments, shape (times,); all that is no playing is as quiet."""
        hops, inside = self.hops_at(times_s)
        if not self.playing.size:
            return np.full(times_s.shape, self.quiet_db)
        levels_db = np.where(inside, self.levels_db[hops], self.quiet_db)
        return np.asarray(np.maximum(levels_db, self.quiet_db))

    def enters_s(self, from_s: float = 0.0) -> float | None:
        """Return when it first plays, for about a second at least; None if it never does.

        Parameters
        ----------
        from_s : float
            What comes earlier does not count.
        """
        hops, within = round(_ENTERS_S / self.hop_s), round(_WITHIN_S / self.hop_s)
        sums = np.concatenate([[0], np.cumsum(self.playing), np.zeros(within)])
        sums[self.playing.size + 1 :] = sums[self.playing.size]
        follows = sums[within : within + self.playing.size] - sums[: self.playing.size]
        first = max(0, int(np.ceil((from_s - self.from_s) / self.hop_s - 1e-9)))
        found = np.flatnonzero(self.playing[first:] & (follows[first:] >= hops))
        return self.from_s + (first + int(found[0])) * self.hop_s if found.size else None

    def rests(self, least_s: float = 0.0) -> list[tuple[float, float]]:
        """Return the times in which it does not play, as (from, to), if they are long enough."""
        edges = np.diff(np.concatenate([[0], ~self.playing, [0]]).astype(np.int8))
        begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
        times = [
            (self.from_s + float(begin) * self.hop_s, self.from_s + float(end) * self.hop_s)
            for begin, end in zip(begins, ends, strict=True)
        ]
        return [(begin, end) for begin, end in times if end - begin >= least_s]


def measure_activity(samples: Audio, *, sample_rate: int) -> Activity:
    """Measure what a sound does over time, on the clip's clock.

    Parameters
    ----------
    samples : ndarray, shape (samples,), float32
        Mono sound.
    sample_rate : int
        Its rate in Hz, at least 16 kHz.

    Returns
    -------
    Activity
        Of silence, and of less than a hop: it never plays.
    """
    power = _bands(check_mono(samples), sample_rate)
    whole = power.sum(axis=1, dtype=np.float64)
    steady = _steady(whole)
    levels_db = 10 * np.log10(steady + _NOTHING)
    if not whole.size or not steady.any():
        nothing = np.zeros(whole.size)
        never = np.zeros(whole.size, np.bool_)
        return Activity(0.0, HOP_S, nothing + 10 * np.log10(_NOTHING), never, never)
    usual_db = _usual_db(levels_db)
    noise_db = float(np.percentile(levels_db, _NOISE_PERCENTILE)) - usual_db
    quiet_db = float(np.clip((1 - _SHARE) * noise_db, _LOWEST_DB, _HIGHEST_DB))
    quiet_db = min(max(quiet_db, noise_db + _ABOVE_NOISE_DB), -_ABOVE_NOISE_DB)
    levels_db -= usual_db
    playing = _without_gaps(levels_db > quiet_db)
    return Activity(0.0, HOP_S, levels_db, playing, _attacks(power) & playing, quiet_db)


def join_activities(
    pieces: Sequence[tuple[Activity, float, float]], *, from_s: float, to_s: float
) -> Activity:
    """Join what is heard of several takes of a part.

    Parameters
    ----------
    pieces : sequence of (Activity, float, float)
        Activities on the reference, and between which reference seconds each counts.
    from_s, to_s : float
        What the result covers.

    Returns
    -------
    Activity
        On the reference; where there is no piece nothing plays.
    """
    times_s = np.arange(from_s, max(from_s, to_s), HOP_S)
    levels_db = np.full(times_s.shape, 10 * np.log10(_NOTHING))
    playing, attacks = np.zeros((2, times_s.size), np.bool_)
    for activity, begin_s, end_s in pieces:
        hops, inside = activity.hops_at(times_s)
        here = inside & (times_s >= begin_s) & (times_s < end_s)
        levels_db[here] = activity.levels_db[hops[here]]
        playing[here] = activity.playing[hops[here]]
        attacks[here] = activity.attacks[hops[here]]
    quiet_db = max((activity.quiet_db for activity, _, _ in pieces), default=_HIGHEST_DB)
    return Activity(from_s, HOP_S, levels_db, playing, attacks, quiet_db)


def _bands(samples: Audio, sample_rate: int) -> Audio:
    """Return the power of every hop in bands, shape (hops, bands)."""
    hop, size = round(HOP_S * sample_rate), round(_SIZE_S * sample_rate)
    hops = samples.size // hop
    frequencies = fft.rfftfreq(size, 1 / sample_rate)
    edges = np.geomspace(_LOWEST_HZ, _HIGHEST_HZ, _BANDS + 1)
    bins = np.digitize(frequencies, edges)
    matrix = (bins[:, None] == np.arange(1, _BANDS + 1)).astype(np.float32)
    matrix = matrix[:, matrix.any(axis=0)]
    window = np.hanning(size).astype(np.float32)
    before = (size - hop) // 2
    padded = np.pad(samples, (before, size))
    pieces = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop][:hops]
    power = np.zeros((hops, matrix.shape[1]), np.float32)
    for first in range(0, hops, _BLOCK):
        spectra = fft.rfft(pieces[first : first + _BLOCK] * window, axis=1)
        power[first : first + _BLOCK] = (spectra.real**2 + spectra.imag**2) @ matrix
    return power


def _steady(power: Floats) -> Floats:
    """Return the power without bursts and dips that are too short to mean anything."""
    size = round(_BURST_S / HOP_S)
    if not power.size:
        return power
    return np.asarray(ndimage.grey_closing(ndimage.grey_opening(power, size), size))


def _usual_db(levels_db: Floats) -> float:
    """Return how strong a sound usually is where it sounds."""
    loudest_db = np.percentile(levels_db, _LOUDEST_PERCENTILE)
    near = levels_db[levels_db > loudest_db - _NEAR_LOUDEST_DB]
    return float(10 * np.log10(np.mean(10 ** (near / 10))))


def _without_gaps(playing: Playing) -> Playing:
    """Return playing without the gaps between notes and without what is too short."""
    gap, least = round(_BETWEEN_NOTES_S / HOP_S), round(_LEAST_PLAYING_S / HOP_S)
    padded = np.pad(playing, gap)
    closed = ndimage.binary_closing(padded, np.ones(gap, np.bool_))
    return np.asarray(ndimage.binary_opening(closed, np.ones(least, np.bool_))[gap:-gap])


def _attacks(power: Audio) -> Playing:
    """Return at which hops a note begins: the spectrum rises in many bands, or moves on."""
    noise = np.percentile(power, _NOISE_PERCENTILE, axis=0)
    level_db = 10 * np.log10(power + 4 * noise + 1e-6 * power.max(axis=0) + np.float32(_NOTHING))
    level_db = ndimage.uniform_filter1d(level_db, _RISE_HOPS, axis=0)
    rise = np.zeros(len(power))
    change_db = level_db[_RISE_HOPS:] - level_db[:-_RISE_HOPS]
    rise[_RISE_HOPS:] = np.maximum(change_db, 0.0).mean(axis=1)
    found, _ = signal.find_peaks(rise, height=_RISE_DB, distance=round(_APART_S / HOP_S))
    attacks = np.zeros(len(power), np.bool_)
    attacks[found] = True
    return attacks
