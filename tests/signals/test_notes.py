"""Onsets: where they are, and what is none."""

from __future__ import annotations

import numpy as np
from syncvid.signals.onsets import BANDS, HOP_S, find_onsets

RATE = 16_000


def test_notes_are_found_where_they_begin_and_in_their_band() -> None:
    times = np.arange(4 * RATE) / RATE
    sound = np.zeros(4 * RATE)
    for start_s, pitch_hz in ((1.0, 220.0), (2.5, 880.0)):
        sound += (
            (times >= start_s)
            * np.sin(2 * np.pi * pitch_hz * times)
            * np.exp(-3 * np.clip(times - start_s, 0, None))
        )
    onsets = find_onsets(sound.astype(np.float32), sample_rate=RATE)
    assert onsets.shape == (400, BANDS)
    for start_s, octave in ((1.0, 1), (2.5, 3)):
        around = onsets[round(start_s / HOP_S) - 30 : round(start_s / HOP_S) + 31]
        hop, band = np.unravel_index(np.argmax(around), around.shape)
        # A window of 128 ms sees a note coming up to 64 ms before it begins.
        assert -6 <= hop - 30 <= -3
        # 220 Hz lies 17.5 semitones above 80 Hz, 880 Hz two octaves higher.
        assert abs(band - (12 * octave + 5)) <= 1


def test_a_steady_tone_and_silence_have_no_onsets() -> None:
    times = np.arange(3 * RATE) / RATE
    tone = find_onsets(np.sin(2 * np.pi * 440 * times).astype(np.float32), sample_rate=RATE)
    assert np.abs(tone[120:180]).max() < 0.02 * np.abs(tone).max()
    assert not find_onsets(np.zeros(RATE, np.float32), sample_rate=RATE).any()
    assert find_onsets(np.zeros(10, np.float32), sample_rate=RATE).shape == (0, BANDS)


def test_loudness_does_not_matter(rng: np.random.Generator) -> None:
    ramp = np.linspace(0, 1, 4 * RATE, dtype=np.float32)
    sound = rng.standard_normal(4 * RATE).astype(np.float32) * ramp
    loud, soft = (find_onsets(sound * np.float32(g), sample_rate=RATE) for g in (1.0, 0.01))
    # The mean over a second is taken off, so that busy music is no onset.
    assert np.abs(loud[120:-60].mean()) < 0.02 * np.abs(loud).max()
    assert np.abs(loud - soft).max() < 1e-3 * np.abs(loud).max()
