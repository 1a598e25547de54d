"""Notes: where they begin and sound, and what is none."""

from __future__ import annotations

import numpy as np

from syncvid.signals.notes import BANDS, HOP_S, find_notes

RATE = 16_000


def notes_at(*starts_and_pitches: tuple[float, float], length_s: float = 4.0) -> np.ndarray:
    """Return plucked notes."""
    times = np.arange(round(length_s * RATE)) / RATE
    sound = np.zeros(len(times))
    for start_s, pitch_hz in starts_and_pitches:
        fading = np.exp(-3 * np.clip(times - start_s, 0, None))
        sound += (times >= start_s) * np.sin(2 * np.pi * pitch_hz * times) * fading
    return sound.astype(np.float32)


def test_notes_are_found_where_they_begin_and_in_their_band() -> None:
    notes = find_notes(notes_at((1.0, 220.0), (2.5, 880.0)), sample_rate=RATE)
    for feature in (notes.onsets, notes.attacks, notes.strokes):
        assert feature.shape == (400, BANDS)
        for start_s, octave in ((1.0, 1), (2.5, 3)):
            around = feature[round(start_s / HOP_S) - 30 : round(start_s / HOP_S) + 31]
            hop, band = np.unravel_index(np.argmax(around), around.shape)
            # A window of 128 ms sees a note coming up to 64 ms before it begins.
            assert -6 <= hop - 30 <= 0
            # 220 Hz lies 17.5 semitones above 80 Hz, 880 Hz two octaves higher.
            assert abs(band - (12 * octave + 5)) <= 1


def test_tones_last_as_long_as_a_note_sounds() -> None:
    tones = find_notes(notes_at((1.0, 440.0)), sample_rate=RATE).tones
    # 440 Hz lies 29.5 semitones above 80 Hz.
    assert tones[130:200, 28:31].max(axis=1).min() > 0.35 * tones.max()
    assert tones[:80, 28:31].max() < 0.05 * tones.max()


def test_what_is_loudest_counts_in_strokes_and_what_is_first_in_attacks() -> None:
    # A soft note at 1 s is joined in its band by one that is 20 dB louder 80 ms later.
    sound = 0.1 * notes_at((1.0, 440.0)) + notes_at((1.08, 440.0))
    notes = find_notes(sound, sample_rate=RATE)
    bands = slice(28, 31)
    first, loudest = (
        int(feature[:, bands].sum(axis=1).argmax()) for feature in (notes.attacks, notes.strokes)
    )
    assert loudest - first >= 3


def test_a_steady_tone_and_silence_have_no_notes() -> None:
    times = np.arange(3 * RATE) / RATE
    tone = find_notes(np.sin(2 * np.pi * 440 * times).astype(np.float32), sample_rate=RATE)
    assert np.abs(tone.onsets[120:180]).max() < 0.02 * np.abs(tone.onsets).max()
    assert find_notes(np.zeros(RATE, np.float32), sample_rate=RATE).silent
    for short in (0, 10, 500):
        notes = find_notes(np.zeros(short, np.float32), sample_rate=RATE)
        assert notes.silent
        assert len(notes) == 0


def test_loudness_does_not_matter(rng: np.random.Generator) -> None:
    sound = notes_at((1.0, 220.0), (2.5, 880.0))
    sound += 0.01 * rng.standard_normal(len(sound)).astype(np.float32)
    loud, soft = (find_notes(sound * np.float32(g), sample_rate=RATE) for g in (1.0, 0.01))
    for feature in ("onsets", "tones", "attacks", "strokes"):
        ours, theirs = getattr(loud, feature), getattr(soft, feature)
        assert np.abs(ours - theirs).max() < 1e-3 * np.abs(ours).max()
