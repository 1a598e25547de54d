"""The signature of a guide: what was planted is read, and nothing else."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.signals.cue import (
    SIGNATURE_S,
    find_signatures,
    make_signature,
    match_signature,
)
from syncvid.signals.cue_code import SYMBOLS, decode, encode

RATE = 16_000


def planted(
    rng: np.random.Generator,
    guide: int,
    version: int,
    *,
    at_s: float,
    length_s: float,
    snr_db: float,
    stretch: float = 1.0,
) -> Audio:
    """Return noise of the band with a signature so far under it, made finer and slower by scipy."""
    fine = signal.resample_poly(make_signature(guide, version, 48_000), 4, 1)
    times = np.arange(round(length_s * RATE)) / RATE
    places = (times - at_s) / stretch * 192_000
    sound = np.interp(places, np.arange(len(fine)), fine, left=0.0, right=0.0)
    band = signal.butter(4, [1000, 6000], "bandpass", fs=RATE, output="sos")
    noise = signal.sosfilt(band, rng.standard_normal(len(times)))
    level = np.std(noise) * 10 ** (snr_db / 20) / (1 / math.sqrt(2))
    return (0.01 * (noise + level * sound)).astype(np.float32)


def test_every_two_guides_differ_in_nine_symbols(rng: np.random.Generator) -> None:
    # A Reed-Solomon code of 14 symbols for 6 has a least distance of 14 - 6 + 1 (Singleton's bound,
    # reached by every code of this kind).
    words = np.array(
        [encode(int(g), int(v)) for g, v in rng.integers((65536, 256), size=(300, 2))]
        + [encode(7, v) for v in range(256)]
    )
    apart = (words[:, None] != words[None]).sum(axis=2)
    assert apart[apart > 0].min() >= SYMBOLS - 6 + 1


def test_four_wrong_symbols_are_mended(rng: np.random.Generator) -> None:
    for _ in range(50):
        guide, version = int(rng.integers(65536)), int(rng.integers(256))
        symbols = encode(guide, version)
        for at in rng.choice(SYMBOLS, 4, replace=False):
            symbols[at] = (symbols[at] + int(rng.integers(1, 16))) % 16
        scores = np.zeros((SYMBOLS, 16))
        # What is wrong is heard less clearly than what is right.
        wrong = symbols != encode(guide, version)
        scores[np.arange(SYMBOLS), symbols] = np.where(wrong, 1.0, 1.1)
        word = decode(scores)
        assert (word.guide, word.version) == (guide, version)


def test_sound_is_short_soft_and_within_its_band() -> None:
    sound = make_signature(4711, 2, 48_000)
    assert SIGNATURE_S <= 2.0
    assert len(sound) == round(SIGNATURE_S * 48_000)
    assert np.abs(sound).max() == pytest.approx(1.0, abs=1e-6)
    assert np.abs(sound[:24]).max() < 0.01
    assert np.abs(sound[-24:]).max() < 0.01
    power = np.abs(np.fft.rfft(sound)) ** 2
    hertz = np.fft.rfftfreq(len(sound), 1 / 48_000)
    outside = power[(hertz < 1000) | (hertz > 6000)].sum() / power.sum()
    assert 10 * math.log10(outside) < -40


def test_sound_is_the_same_at_every_rate() -> None:
    assert np.allclose(make_signature(9, 1, 48_000)[::3], make_signature(9, 1, RATE), atol=1e-4)


@pytest.mark.parametrize(("guide", "rate"), [(-1, 48_000), (65_536, 48_000), (1, 8000)])
def test_numbers_and_rates_that_do_not_fit_are_refused(guide: int, rate: int) -> None:
    with pytest.raises(SignalError):
        make_signature(guide, 1, rate)


@pytest.mark.parametrize("stretch", [1.0, 1.0003, 0.9997, 1.02, 0.98])
def test_signature_under_noise_is_read_at_every_speed(
    rng: np.random.Generator, stretch: float
) -> None:
    sound = planted(rng, 40_000, 7, at_s=3.21034, length_s=8, snr_db=-12, stretch=stretch)
    (found,) = find_signatures(sound, RATE)
    assert (found.guide, found.version) == (40_000, 7)
    assert found.at_s == pytest.approx(3.21034, abs=1e-4)
    assert found.drift_ppm == pytest.approx((1 / stretch - 1) * 1e6, abs=30)


def test_several_signatures_are_found_at_any_rate(rng: np.random.Generator) -> None:
    sound = np.concatenate(
        [planted(rng, 5, version, at_s=1.0, length_s=4, snr_db=0) for version in (1, 2)]
    )
    louder = signal.resample_poly(sound, 3, 1).astype(np.float32)
    for samples, rate in ((sound, RATE), (louder, 48_000)):
        found = find_signatures(samples, rate)
        assert [(one.guide, one.version) for one in found] == [(5, 1), (5, 2)]
        assert [one.at_s for one in found] == pytest.approx([1.0, 5.0], abs=1e-4)


def test_known_signature_is_found_where_it_cannot_be_read(rng: np.random.Generator) -> None:
    sound = planted(rng, 300, 3, at_s=2.5, length_s=8, snr_db=-21, stretch=1.0001)
    assert not find_signatures(sound, RATE)
    found = match_signature(sound, RATE, 300, 3)
    assert found is not None
    assert found.at_s == pytest.approx(2.5, abs=1e-3)


@pytest.mark.parametrize("snr_db", [10.0, -10.0, -18.0])
def test_another_version_is_not_taken_for_the_known_one(
    rng: np.random.Generator, snr_db: float
) -> None:
    for version in (1, 3, 200):
        sound = planted(rng, 300, version, at_s=2.5, length_s=8, snr_db=snr_db)
        assert match_signature(sound, RATE, 300, 2) is None


def test_noise_claps_tones_and_silence_have_no_signature(rng: np.random.Generator) -> None:
    times = np.arange(20 * RATE) / RATE
    noise = 0.01 * rng.standard_normal(len(times))
    claps = noise.copy()
    for at in range(RATE, len(times) - RATE, RATE // 2):
        claps[at : at + 800] += rng.standard_normal(800) * np.exp(-np.arange(800) / 150)
    glides = 0.3 * signal.chirp(times % 0.5, 1200, 0.5, 5600) + noise
    for sound in (noise, claps, glides, np.zeros(len(times)), np.zeros(0), np.zeros(100)):
        samples = sound.astype(np.float32)
        assert not find_signatures(samples, RATE)
        assert match_signature(samples, RATE, 300, 2) is None
