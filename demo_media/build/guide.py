"""The guide track: count-in, clicks, a soft drone of the ground; and its beat map."""

from __future__ import annotations

import numpy as np

from . import score
from .plan import COUNT_IN_BARS, GUIDE_LEAD_S, MUSIC_LENGTH_S
from .signals import SAMPLE_RATE, add_at, db, fade_edges

PEAK_DB = -7.0
GUIDE_TAIL_S = 1.5
_ACCENT_HZ, _CLICK_HZ = 1_760.0, 1_320.0
_DRONE_DB = -25.0


def beats() -> list[dict[str, float]]:
    """Return every beat, count-in included, with its second in the guide."""
    first = -COUNT_IN_BARS + 1
    return [
        {
            "bar": bar,
            "beat": beat + 1,
            "guide_s": round(
                GUIDE_LEAD_S + ((bar - first) * score.BEATS_PER_BAR + beat) * score.BEAT_S, 6
            ),
        }
        for bar in range(first, score.BARS + 1)
        for beat in range(score.BEATS_PER_BAR)
    ]


def _click(*, accent: bool) -> np.ndarray:
    """Make one woodblock-like click; its first sample is the beat."""
    at_s = np.arange(int(0.09 * SAMPLE_RATE)) / SAMPLE_RATE
    hz = _ACCENT_HZ if accent else _CLICK_HZ
    tone = np.sin(2 * np.pi * hz * at_s) + 0.35 * np.sin(2 * np.pi * 2.4 * hz * at_s)
    # Two milliseconds of rise: sharp for the ear, gentle for the eardrum.
    return tone * np.clip(at_s / 0.002, 0, 1) * np.exp(-at_s / 0.016) * (1.0 if accent else 0.7)


def _drone_note(midi: int, seconds: float) -> np.ndarray:
    """Make one soft reed-like note."""
    at_s = np.arange(int(seconds * SAMPLE_RATE)) / SAMPLE_RATE
    hz = 440.0 * 2.0 ** ((midi - 69) / 12.0)
    tone = sum(np.sin(2 * np.pi * hz * n * at_s) / n**1.6 for n in (1, 2, 3, 4))
    return fade_edges(tone, seconds=0.06)


def render_guide() -> np.ndarray:
    """Render the guide, mono."""
    start_s = GUIDE_LEAD_S + COUNT_IN_BARS * score.BEATS_PER_BAR * score.BEAT_S
    track = np.zeros(round((start_s + MUSIC_LENGTH_S + GUIDE_TAIL_S) * SAMPLE_RATE))
    for index, beat in enumerate(beats()):
        # The first bar grows from quiet to full: nobody should be startled in headphones.
        level = min(1.0, 0.25 * (index + 1))
        click = level * _click(accent=beat["beat"] == 1)
        add_at(track, click, beat["guide_s"] * SAMPLE_RATE)
    for note in score.orchard_round()["Cello"]:
        at = (start_s + note.beat * score.BEAT_S) * SAMPLE_RATE
        add_at(track, db(_DRONE_DB) * _drone_note(note.midi, note.beats * score.BEAT_S), at)
    return track * db(PEAK_DB) / np.max(np.abs(track))
