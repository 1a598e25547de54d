"""Places by onsets alone."""

from __future__ import annotations

import numpy as np

from syncvid.signals.onsets import HOP_S, find_onsets
from syncvid.sync.rhythm import Rhythm, compare_onsets
from tests.sync.ensemble import RATE, melody, play


def test_another_take_is_found_to_a_hundredth(rng: np.random.Generator) -> None:
    notes = melody(rng, 40.0)
    mix, take = (play(rng, notes, 40.0) for _ in range(2))
    late = np.concatenate((np.zeros(5 * RATE, np.float32), take))
    onsets = [find_onsets(sound, sample_rate=RATE) for sound in (late, mix)]
    rhythm = compare_onsets(*onsets)
    assert abs(rhythm.offset_s + 5.0) <= 2 * HOP_S
    assert rhythm.strength > 1.5 * rhythm.rival
    assert rhythm.agreeing >= 6


def test_silence_has_no_rhythm() -> None:
    silent = np.zeros((100, 66), np.float32)
    assert compare_onsets(silent, silent) == Rhythm(0.0, 0.0)
