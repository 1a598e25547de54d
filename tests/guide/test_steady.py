"""Beats and clicks of the simplest guide."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.guide import PEAK, render_clicks, steady_beats


def test_two_bars_of_three_at_72_last_five_seconds() -> None:
    # Arithmetic of the metronome: 6 beats of 60/72 s.
    beats = steady_beats(bars=1, beats_in_bar=3, tempo_bpm=72, count_in_bars=2)
    assert beats.beats[6].guide_s == pytest.approx(5.0, abs=1e-9)
    assert [b.bar for b in beats.bar_starts()] == [-1, 0, 1]


def test_every_click_starts_on_its_beat_to_the_sample_and_stays_below_minus_six() -> None:
    beats = steady_beats(bars=2, beats_in_bar=4, tempo_bpm=100, count_in_bars=1, start_s=0.25)
    sound = render_clicks(beats, duration_s=8.0)
    samples = sound.samples[0]
    starts = np.flatnonzero((samples != 0) & (np.roll(samples, 1) == 0))
    wanted = [round(beat.guide_s * sound.sample_rate) for beat in beats.beats]
    heard = [int(s) for s in starts if any(s == w for w in wanted)]
    assert heard == wanted
    assert np.abs(samples).max() <= PEAK + 1e-6
