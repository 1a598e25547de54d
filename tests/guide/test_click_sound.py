"""Clicks: where they begin, how they differ, and that nothing of them lies outside their band."""

from __future__ import annotations

import itertools
from fractions import Fraction

import mir_eval
import numpy as np
import pytest
from scipy import signal

from syncvid.arrays import Audio
from syncvid.errors import ProductionError
from syncvid.guide.clicks import COLOURS, click_shapes, lay_clicks
from syncvid.production.beats import GuideClick
from syncvid.signals.loudness import k_energy

RATE = 48_000


def laid(clicks: list[GuideClick], colour: str, duration_s: float) -> Audio:
    out = np.zeros(round(duration_s * RATE), np.float32)
    lay_clicks(out, clicks, colour=colour, gain=0.05, sample_rate=RATE)
    return out


@pytest.mark.parametrize("colour", COLOURS)
@pytest.mark.parametrize("strength", range(4))
def test_the_first_sample_that_is_not_silent_lies_on_the_beat(colour: str, strength: int) -> None:
    # Arithmetic: beat n at 97 to the minute.
    beats = [Fraction(60 * n, 97) for n in range(1, 40)]
    sound = laid([GuideClick(float(at), strength) for at in beats], colour, 26.0)
    # In the 24 bits of a file, with quiet before it.
    heard = np.flatnonzero(np.rint(sound * 2**23))
    starts = heard[np.diff(heard, prepend=-10_000) > RATE // 10]
    assert all(
        abs(int(s) - at * RATE) <= Fraction(1, 2) for s, at in zip(starts, beats, strict=True)
    )


@pytest.mark.parametrize("colour", COLOURS)
def test_clicks_are_short_and_reach_their_crest_at_once(colour: str) -> None:
    for shape in click_shapes(colour, RATE):
        assert shape.size < 0.040 * RATE
        assert np.argmax(np.abs(shape)) < 0.002 * RATE
        # It ends without a step.
        assert np.abs(shape[-1]) < 1e-4 * np.abs(shape).max()


@pytest.mark.parametrize("colour", COLOURS)
def test_clicks_are_limited_to_a_band(colour: str) -> None:
    for shape in click_shapes(colour, RATE):
        power = np.abs(np.fft.rfft(shape.astype(np.float64), 1 << 16)) ** 2
        hertz = np.fft.rfftfreq(1 << 16, 1 / RATE)
        inside = power[(hertz >= 300) & (hertz <= 12_000)].sum() / power.sum()
        assert inside > 0.99
        # MP3 and AAC cut off at about 16 kHz.
        assert 10 * np.log10(power[hertz > 12_000].max() / power.max()) < -60


@pytest.mark.parametrize("colour", COLOURS)
def test_strengths_differ_in_pitch_and_in_level(colour: str) -> None:
    pitches, levels = [], []
    for shape in click_shapes(colour, RATE):
        spectrum = np.abs(np.fft.rfft(shape.astype(np.float64), 1 << 16))
        pitches.append(np.argmax(spectrum) * RATE / (1 << 16))
        # As loud as BS.1770 has it; its filter is tested in tests/signals.
        levels.append(10 * np.log10(k_energy(shape, RATE)))
    for stronger, weaker in itertools.pairwise(range(4)):
        assert pitches[stronger] / pitches[weaker] > 1.15
        assert levels[stronger] - levels[weaker] > 1.4


def find_onsets(sound: Audio) -> np.ndarray:
    """Find onsets simply: the energy of a millisecond is ten times that of the six before it.

    It knows nothing of clicks.  Nothing is found again within 20 ms.
    """
    hop = RATE // 1000
    power = np.pad(sound, (10 * hop, 0)).astype(np.float64) ** 2
    energy = power[: power.size // hop * hop].reshape(-1, hop).sum(axis=1) + 1e-9
    around = np.lib.stride_tricks.sliding_window_view(energy, 6)[:-1].max(axis=1)
    found: list[int] = []
    for at in np.flatnonzero(energy[6:] > 10 * around) + 6:
        if not found or at - found[-1] > 20:
            found.append(int(at))
    return (np.array(found) - 10) / 1000


@pytest.mark.parametrize("colour", COLOURS)
@pytest.mark.parametrize("beat_s", [0.1, 0.27, 1.31])
def test_every_onset_is_found_and_no_other(colour: str, beat_s: float) -> None:
    strengths = [0, 3, 2, 3, 1, 3, 2, 3]
    clicks = [GuideClick(0.5 + n * beat_s, strengths[n % 8]) for n in range(64)]
    sound = laid(clicks, colour, 0.6 + 64 * beat_s)
    truth = np.array([click.guide_s for click in clicks])
    # mir_eval 0.8: precision, recall and F of onsets; 50 ms is usual, 2 ms is strict.
    for window_s in (0.05, 0.002):
        scores = mir_eval.onset.f_measure(truth, find_onsets(sound), window=window_s)
        assert scores == (1.0, 1.0, 1.0)


@pytest.mark.parametrize("colour", COLOURS)
def test_no_resampling_filter_finds_anything_between_the_clicks(colour: str) -> None:
    """A click that was not limited to a band would ring where another rate is made of it."""
    sound = laid([GuideClick(0.5, 0)], colour, 1.0)
    there = signal.resample_poly(sound, 44_100, RATE)
    before = there[: round(0.4995 * 44_100)]
    assert np.abs(before).max() < 1e-3 * np.abs(there).max()


def test_what_lies_outside_is_left_out_and_what_overhangs_is_cut() -> None:
    clicks = [GuideClick(-1.0, 0), GuideClick(0.99, 0), GuideClick(5.0, 0)]
    sound = laid(clicks, "wood", 1.0)
    assert np.flatnonzero(sound)[0] == round(0.99 * RATE)
    assert sound.size == RATE


def test_an_unknown_colour_is_told_with_those_that_there_are() -> None:
    with pytest.raises(ProductionError, match=r"cowbell.*wood, bell, tick"):
        click_shapes("cowbell", RATE)
