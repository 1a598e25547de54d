"""Taking known sounds out of a mix: what is planted must go, the rest must stay."""

from __future__ import annotations

import numpy as np
from scipy import signal

from syncvid.arrays import Audio
from syncvid.signals.cancel import cancel

RATE = 8000


def level_db(samples: Audio) -> float:
    return float(10 * np.log10(np.mean(np.square(samples, dtype=np.float64)) + 1e-20))


def in_room(rng: np.random.Generator, dry: Audio, decay_s: float = 0.02) -> Audio:
    """Return a sound with a direct path and a tail that dies away."""
    times = np.arange(round(8 * decay_s * RATE)) / RATE
    tail = 0.05 * rng.standard_normal(len(times)) * np.exp(-times / decay_s)
    tail[0] = 1.0
    return signal.fftconvolve(dry, tail)[: len(dry)].astype(np.float32)


def test_known_sound_goes_and_unknown_stays(rng: np.random.Generator) -> None:
    known, unknown = rng.standard_normal((2, 70 * RATE)).astype(np.float32)
    wet = in_room(rng, known)
    left = cancel(wet + unknown * 0.1, [known], sample_rate=RATE)
    # 20 dB louder than the unknown sound before, and under it by as much as learning disturbs.
    assert level_db(left - unknown * 0.1) < level_db(unknown * 0.1) - 6.0


def test_known_sounds_are_learned_together(rng: np.random.Generator) -> None:
    # Five known sounds, 27 dB over the unknown one in all.  One after the other they would leave
    # 10 dB more than it has: each is learned among the other four.
    *known, unknown = rng.standard_normal((6, 40 * RATE)).astype(np.float32)
    mix = np.sum([in_room(rng, sound) for sound in known], axis=0) + 0.1 * unknown
    left = cancel(mix.astype(np.float32), known, sample_rate=RATE)
    assert level_db(left - 0.1 * unknown) < level_db(0.1 * unknown) + 6.0


def test_blocks_meet_without_a_seam(rng: np.random.Generator) -> None:
    known, unknown = rng.standard_normal((2, 70 * RATE)).astype(np.float32)
    left = cancel(known + 0.3 * unknown, [known], sample_rate=RATE) - 0.3 * unknown
    for border in (30 * RATE, 60 * RATE):
        around = left[border - RATE // 10 : border + RATE // 10]
        assert level_db(around) < level_db(left) + 1.0


def test_nothing_known_changes_nothing(rng: np.random.Generator) -> None:
    mix = rng.standard_normal(3 * RATE).astype(np.float32)
    for sounds in ([], [np.zeros_like(mix)]):
        assert np.abs(cancel(mix, sounds, sample_rate=RATE) - mix).max() < 1e-6
    assert len(cancel(mix[:0], [mix[:0]], sample_rate=RATE)) == 0
