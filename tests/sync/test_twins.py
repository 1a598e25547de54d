"""The same recording twice; judged by what was planted."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from syncvid.arrays import Audio
from syncvid.sync import Listened
from syncvid.sync.twins import find_twins

from .ensemble import RATE, band, melody, on_phone, play


def listened(*sounds: Audio) -> list[Listened]:
    """Return clips that hold some sounds."""
    return [Listened(str(index), samples) for index, samples in enumerate(sounds)]


def test_exports_of_one_recording_are_twins(rng: np.random.Generator) -> None:
    """Louder, upside down, cut at the head, low-passed at 4 kHz with noise as of lossy coding."""
    clips = [on_phone(rng, part) for part in band(rng, 30.0)]
    cut = -0.5 * clips[1][round(3.21 * RATE) :]
    low = signal.sosfilt(signal.butter(4, 4000, fs=RATE, output="sos"), clips[2])
    low = (low + 0.02 * low.std() * rng.standard_normal(low.size)).astype(np.float32)
    assert find_twins(listened(*clips, cut, low)) == [(1, 4), (2, 5)]


def test_two_players_two_takes_and_two_phones_are_none(rng: np.random.Generator) -> None:
    """The second phone stands elsewhere: its room adds echoes as strong as the direct sound."""
    notes = melody(rng, 28.0)
    takes = [play(rng, notes, 30.0) for _ in range(3)]
    echoes = np.zeros(2000)
    echoes[[0, *rng.integers(40, 2000, 12)]] = [1.0, *rng.normal(0, 0.35, 12)]
    room = signal.fftconvolve(takes[0], echoes)[: takes[0].size].astype(np.float32)
    assert find_twins(listened(*takes, on_phone(rng, room))) == []


@pytest.mark.parametrize("length_s", [0.0, 0.05, 2.0, 20.0])
def test_silence_and_scraps_are_none(length_s: float, rng: np.random.Generator) -> None:
    silence = np.zeros(round(length_s * RATE), np.float32)
    assert find_twins(listened(silence, silence.copy(), band(rng, 10.0)[0])) == []
    assert find_twins([]) == []
