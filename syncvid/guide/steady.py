"""The simplest guide: music in one tempo, a click on every beat."""

from __future__ import annotations

import numpy as np

from syncvid.arrays import Audio, Sound
from syncvid.timeline import Beat, BeatMap, to_samples

# Peaks of a guide stay at or below -6 dBFS: many ears meet it on headphones (common practice).
PEAK = 10 ** (-6 / 20)

_CLICK_S = 0.030
_CLICK_HZ = 1600.0
_ACCENT_HZ = 2400.0
_WEAK = 0.6


def steady_beats(
    *, bars: int, beats_in_bar: int, tempo_bpm: float, count_in_bars: int = 2, start_s: float = 0.0
) -> BeatMap:
    """Count the beats of music in one tempo.

    Parameters
    ----------
    bars, beats_in_bar : int
        Bars of music, beats in each.
    tempo_bpm : float
        Beats per minute.
    count_in_bars : int
        Bars that are counted before bar 1.
    start_s : float
        Guide time of the first beat of the count-in.

    Returns
    -------
    BeatMap

    Examples
    --------
    >>> beats = steady_beats(bars=8, beats_in_bar=4, tempo_bpm=96, count_in_bars=0, start_s=2.0)
    >>> beats.beats[8].guide_s, beats.beats[31].guide_s
    (7.0, 21.375)
    """
    beats = (
        Beat(
            bar=bar - count_in_bars + 1,
            beat=beat + 1,
            guide_s=start_s + (bar * beats_in_bar + beat) * 60.0 / tempo_bpm,
        )
        for bar in range(count_in_bars + bars)
        for beat in range(beats_in_bar)
    )
    return BeatMap(tuple(beats))


def render_clicks(beats: BeatMap, *, duration_s: float, sample_rate: int = 48_000) -> Sound:
    """Make a click on every beat, its attack on the beat to the sample.

    Parameters
    ----------
    beats : BeatMap
        The beats; the first of each bar gets the accent.
    duration_s : float
        Length of the sound in seconds.
    sample_rate : int
        Its rate in Hz.

    Returns
    -------
    Sound
        One channel, peaks at most -6 dBFS.
    """
    samples = np.zeros(to_samples(duration_s, sample_rate), np.float32)
    accent, plain = (_click(hz, sample_rate) for hz in (_ACCENT_HZ, _CLICK_HZ))
    for beat in beats.beats:
        at = to_samples(beat.guide_s, sample_rate)
        if 0 <= at < samples.size:
            click = accent if beat.beat == 1 else plain * np.float32(_WEAK)
            length = min(click.size, samples.size - at)
            samples[at : at + length] += click[:length]
    return Sound(np.clip(samples, -PEAK, PEAK)[np.newaxis], sample_rate)


def _click(pitch_hz: float, sample_rate: int) -> Audio:
    """Return one click: a tone that begins at its crest and dies away, shape (samples,)."""
    at_s = np.arange(to_samples(_CLICK_S, sample_rate)) / sample_rate
    tone = np.cos(2 * np.pi * pitch_hz * at_s) * np.exp(-at_s / (_CLICK_S / 6))
    return (PEAK * tone).astype(np.float32)
