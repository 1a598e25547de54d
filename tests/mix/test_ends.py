"""Ends of a mix: planted beginnings and endings, clean and in noise."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.mix.ends import Ends, find_ends, set_ends

RATE = 48_000


def music(length_s: float, level_db: float = -20.0, decay_s: float = 0.0) -> Audio:
    """Return strokes of a tone, five in two seconds, the last one dying away; peak at a level."""
    at_s = np.arange(round(length_s * RATE)) / RATE
    stroke = np.exp(-3 * (at_s % 0.4)) if decay_s == 0 else 1.0
    tones = np.cos(2 * np.pi * 440 * at_s) + 0.5 * np.cos(2 * np.pi * 660.5 * at_s)
    sound = tones * stroke / 1.5
    if decay_s:
        # 60 dB in this time, from half of the length on.
        sound *= 10 ** (-3 * np.maximum(at_s - length_s / 2, 0) / decay_s)
    return np.tile(10 ** (level_db / 20) * sound, (2, 1)).astype(np.float32)


def placed(sound: Audio, before_s: float, after_s: float) -> Audio:
    return np.pad(sound, ((0, 0), (round(before_s * RATE), round(after_s * RATE))))


def noise(rng: np.random.Generator, like: Audio, level_db: float, colour: float = 0.0) -> Audio:
    """Return noise of an RMS level, the more of it in the low the higher the colour."""
    spectrum = np.fft.rfft(rng.standard_normal(like.shape))
    hertz = np.fft.rfftfreq(like.shape[1], 1 / RATE)
    sound = np.fft.irfft(spectrum / np.maximum(hertz, 40) ** colour, like.shape[1])
    return (sound * 10 ** (level_db / 20) / sound.std()).astype(np.float32)


@pytest.mark.parametrize(("before_s", "after_s"), [(1.0, 2.0), (0.1237, 0.0501), (0, 0), (3, 0)])
def test_clean_ends_are_found_to_the_sample(before_s: float, after_s: float) -> None:
    sound = placed(music(4.0), before_s, after_s)
    found = find_ends(sound, sample_rate=RATE)
    assert found is not None
    assert found.music_from_s == pytest.approx(before_s, abs=1.5 / RATE)
    assert found.music_to_s == pytest.approx(before_s + 4.0, abs=0.001)


@pytest.mark.parametrize("colour", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("under_db", [30.0, 40.0, 60.0])
def test_noise_is_not_music(rng: np.random.Generator, colour: float, under_db: float) -> None:
    """Nothing of the music lies outside, and at most a fifth of a second of noise inside."""
    sound = placed(music(4.0), 2.0, 2.0)
    sound += noise(rng, sound, -20 - under_db, colour)
    found = find_ends(sound, sample_rate=RATE)
    assert found is not None
    assert 1.9 <= found.music_from_s <= 2.0
    assert 6.0 <= found.music_to_s <= 6.25


def test_noise_of_two_levels_is_measured_on_each_side(rng: np.random.Generator) -> None:
    sound = placed(music(4.0), 2.0, 2.0)
    half = sound.shape[1] // 2
    sound[:, :half] += noise(rng, sound, -75)[:, :half]
    sound[:, half:] += noise(rng, sound, -50)[:, half:]
    found = find_ends(sound, sample_rate=RATE)
    assert found is not None
    assert 1.9 <= found.music_from_s <= 2.0
    assert 6.0 <= found.music_to_s <= 6.25


def test_a_tail_ends_where_it_has_died_away(rng: np.random.Generator) -> None:
    """60 dB in 1.5 s from 5 s on: 80 dB down, where it is not heard any more, is 2 s later."""
    clean = find_ends(placed(music(8.0, decay_s=1.5), 1.0, 2.0), sample_rate=RATE)
    assert clean is not None
    # The mean level lies a few dB below the tone's peak.
    assert clean.music_to_s == pytest.approx(1.0 + 4.0 + 1.5 * 80 / 60, abs=0.15)
    # The tone lies at -25.6 dB RMS, the noise 37.4 dB under it: 3 dB under the noise at 6.01 s.
    sound = placed(music(8.0, decay_s=1.5), 1.0, 2.0)
    sound += noise(rng, sound, -20 - 3 - 40)
    noisy = find_ends(sound, sample_rate=RATE)
    assert noisy is not None
    assert 6.01 <= noisy.music_to_s <= 6.35


def test_a_last_note_that_still_rings_where_the_sound_stops_is_kept(
    rng: np.random.Generator,
) -> None:
    sound = placed(music(6.0, decay_s=8.0), 1.0, 0.0)
    for under_db in (200.0, 50.0):
        found = find_ends(sound + noise(rng, sound, -20 - under_db), sample_rate=RATE)
        assert found is not None
        assert found.music_to_s == 7.0


def test_a_crescendo_from_nothing_begins_at_its_beginning() -> None:
    sound = music(6.0, decay_s=100.0)
    sound *= np.linspace(0, 1, sound.shape[1], dtype=np.float32) ** 2
    found = find_ends(placed(sound, 1.0, 0.5), sample_rate=RATE)
    assert found is not None
    # At 0.1 s more it has come to -36 dB of its level at half a second.
    assert 1.0 <= found.music_from_s <= 1.1


def test_a_soft_beginning_belongs_to_the_music(rng: np.random.Generator) -> None:
    sound = np.concatenate((music(5.0, -50.0), music(5.0, -14.0)), axis=1)
    sound = placed(sound, 2.0, 1.0)
    sound += noise(rng, sound, -75)
    found = find_ends(sound, sample_rate=RATE)
    assert found is not None
    assert 1.9 <= found.music_from_s <= 2.0


def test_a_knock_is_not_music(rng: np.random.Generator) -> None:
    sound = placed(music(4.0), 3.0, 2.0)
    sound += noise(rng, sound, -65)
    sound[:, RATE : RATE + 480] += 0.05
    found = find_ends(sound, sample_rate=RATE)
    assert found is not None
    assert 2.9 <= found.music_from_s <= 3.0


def test_what_is_far_from_the_known_ends_is_not_music(rng: np.random.Generator) -> None:
    """A count of 2 s before, and talk of 1 s long after: told apart by the coarse times only."""
    sound = placed(music(4.0), 4.0, 4.0)
    sound[:, : 2 * RATE] += music(2.0)
    sound[:, 10 * RATE : 11 * RATE] += music(1.0)
    sound += noise(rng, sound, -70)
    found = find_ends(sound, sample_rate=RATE, near_s=(4.2, 7.9))
    assert found is not None
    assert 3.9 <= found.music_from_s <= 4.0
    assert 8.0 <= found.music_to_s <= 8.25
    everything = find_ends(sound, sample_rate=RATE)
    assert everything is not None
    assert everything.music_from_s <= 0.01
    assert 11.0 <= everything.music_to_s <= 11.25


def test_silence_has_no_ends_and_a_click_has() -> None:
    assert find_ends(np.zeros((2, RATE), np.float32), sample_rate=RATE) is None
    assert find_ends(np.zeros((2, 0), np.float32), sample_rate=RATE) is None
    click = np.zeros((2, RATE), np.float32)
    click[:, 1234] = 0.5
    assert find_ends(click, sample_rate=RATE) == Ends(1234 / RATE, 1235 / RATE)


@settings(deadline=None, max_examples=30)
@given(shift=st.integers(0, 60_000), more=st.integers(0, 60_000))
def test_silence_around_a_sound_moves_its_ends_and_nothing_else(shift: int, more: int) -> None:
    sound = music(1.5)
    found = find_ends(np.pad(sound, ((0, 0), (shift, more))), sample_rate=RATE)
    alone = find_ends(sound, sample_rate=RATE)
    assert found is not None
    assert alone is not None
    assert found.music_from_s == pytest.approx(alone.music_from_s + shift / RATE, abs=1e-9)
    assert found.music_to_s == pytest.approx(alone.music_to_s + shift / RATE, abs=1e-9)


@settings(deadline=None, max_examples=60)
@given(
    length=st.integers(1, 9000),
    seed=st.integers(0, 100),
    near=st.none() | st.tuples(st.floats(-5, 5), st.floats(-5, 5)),
)
def test_ends_lie_within_the_sound_in_order(
    length: int, seed: int, near: tuple[float, float] | None
) -> None:
    sound = np.random.default_rng(seed).uniform(-1, 1, (2, length)).astype(np.float32)
    found = find_ends(sound, sample_rate=8000, near_s=near)
    assert found is not None
    assert 0 <= found.music_from_s < found.music_to_s <= length / 8000
    set_ends(sound, found, sample_rate=8000, head_s=0.1, tail_s=0.1)


@settings(deadline=None, max_examples=40)
@given(
    head_s=st.one_of(st.floats(0, 0.2), st.floats(0, 3)),
    tail_s=st.one_of(st.floats(0, 0.2), st.floats(0, 3)),
    first=st.integers(0, 5000),
    length=st.integers(0, 5000),
)
def test_the_music_stays_and_the_silences_are_as_long_as_asked(
    head_s: float, tail_s: float, first: int, length: int
) -> None:
    rng = np.random.default_rng(first)
    sound = rng.uniform(-1, 1, (2, 12_000)).astype(np.float32)
    ends = Ends(first / RATE, (first + length) / RATE)
    made, cut = set_ends(sound, ends, sample_rate=RATE, head_s=head_s, tail_s=tail_s)
    head, tail = round(head_s * RATE), round(tail_s * RATE)
    assert made.shape == (2, head + length + tail)
    assert np.array_equal(made[:, head : head + length], sound[:, first : first + length])
    assert cut == first - head
    # At most half of each silence, and a quarter of a second, is a fade.
    assert not made[:, : head - min(head // 2, RATE // 4)].any()
    assert not made[:, head + length + min(tail // 2, RATE // 4) :].any()


def test_fades_rise_without_a_step() -> None:
    made, _ = set_ends(
        np.ones((2, 3 * RATE), np.float32), Ends(1, 2), sample_rate=RATE, head_s=1.0, tail_s=0.3
    )
    # A raised cosine of 0.25 s and one of 0.15 s: its steepest slope is pi/2 over its length.
    assert np.abs(np.diff(made[0, : 2 * RATE])).max() == pytest.approx(np.pi / 2 / 12_000, rel=1e-3)
    assert np.abs(np.diff(made[0, RATE:])).max() == pytest.approx(np.pi / 2 / 7200, rel=1e-3)
    assert made[0, RATE - 6000] == pytest.approx(0.5, abs=1e-3)
    assert (np.diff(made[:, : 2 * RATE]) >= 0).all()
    assert (np.diff(made[:, RATE:]) <= 0).all()


def test_at_another_rate_the_ends_are_the_same() -> None:
    # As many samples of music, read at 44.1 kHz: longer by 48 / 44.1.
    found = find_ends(placed(music(4.0), 1.0, 2.0), sample_rate=44_100)
    assert found is not None
    assert found.music_from_s == pytest.approx(48 / 44.1, abs=1.5 / 44_100)
    assert found.music_to_s == pytest.approx(5.0 * 48 / 44.1, abs=0.001)


def test_what_cannot_be_is_refused() -> None:
    sound = np.zeros((2, RATE), np.float32)
    with pytest.raises(SignalError, match="no music"):
        set_ends(sound, Ends(0.5, 1.5), sample_rate=RATE, head_s=1, tail_s=1)
    with pytest.raises(SignalError, match="Silences"):
        set_ends(sound, Ends(0, 1), sample_rate=RATE, head_s=-1, tail_s=1)
    with pytest.raises(SignalError, match="samples"):
        find_ends(np.zeros((1, 10), np.float32), sample_rate=RATE)
    with pytest.raises(SignalError, match="finite"):
        find_ends(np.full((2, 10), np.nan, np.float32), sample_rate=RATE)


@pytest.mark.parametrize("noise_db", [-200.0, -80.0, -60.0])
@pytest.mark.parametrize("pause_s", [1.2, 2.0])
def test_what_is_said_soon_after_the_last_note_is_left_out(
    rng: np.random.Generator, noise_db: float, pause_s: float
) -> None:
    """The music dies away in a room, and somebody speaks: planted 1.2 or 2 s after the end."""
    sound = np.pad(music(6.0, decay_s=1.6), ((0, 0), (RATE // 2, 9 * RATE)))
    ends_s = 0.5 + 3.0 + 1.0
    talk = rng.standard_normal(RATE) * np.hanning(RATE) * 0.1
    at = round((ends_s + pause_s) * RATE)
    sound[:, at : at + RATE] += talk.astype(np.float32)
    sound += noise(rng, sound, noise_db)
    found = find_ends(sound, sample_rate=RATE, near_s=(0.5, ends_s))
    assert found is not None
    assert found.music_to_s <= ends_s + pause_s
    # There it is 38 dB down: the noise of -60 dB covers it.
    assert found.music_to_s >= ends_s


def test_a_note_that_rings_on_for_long_ends_in_the_noise(rng: np.random.Generator) -> None:
    """60 dB in 6 s: it reaches the noise, 45 dB under it, after 4.5 s, 3.5 s after the beats."""
    sound = np.pad(music(9.0, decay_s=6.0), ((0, 0), (RATE // 2, 6 * RATE)))
    sound += noise(rng, sound, -68.0)
    found = find_ends(sound, sample_rate=RATE, near_s=(0.5, 6.0))
    assert found is not None
    assert 8.5 <= found.music_to_s <= 10.5
