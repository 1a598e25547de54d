"""What parts do over time, on made sounds with planted entries and rests."""

from __future__ import annotations

import time

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.listen.activity import HOP_S, join_activities, measure_activity
from syncvid.timeline import Placement

RATE = 16_000


def notes(rng: np.random.Generator, length_s: float, *times_s: tuple[float, float]) -> Audio:
    """Return room noise, in which notes of a third of a second follow each other at times."""
    sound = (0.002 * rng.standard_normal(round(length_s * RATE))).astype(np.float32)
    for from_s, to_s in times_s:
        for number, at_s in enumerate(np.arange(from_s, to_s - 0.05, 1 / 3)):
            clock = np.arange(round(0.3 * RATE)) / RATE
            pitch_hz = 440.0 * 2 ** ((0, 4, 7, 5)[number % 4] / 12)
            wave = sum(np.sin(2 * np.pi * k * pitch_hz * clock) / k for k in (1, 2, 3, 4))
            first = round(at_s * RATE)
            shape = np.minimum(1, np.minimum(clock / 0.02, (0.3 - clock) / 0.05))
            piece = (0.2 * wave * shape).astype(np.float32)
            sound[first : first + piece.size] += piece[: sound.size - first]
    return sound


def clicks(sound: Audio, level: float, every_s: float) -> Audio:
    """Add what leaks from headphones: 30 ms of 1.5 kHz on every beat."""
    out = sound.copy()
    clock = np.arange(round(0.03 * RATE)) / RATE
    click = (level * np.sin(2 * np.pi * 1500 * clock) * np.exp(-clock / 0.008)).astype(np.float32)
    for first in range(0, out.size - click.size, round(every_s * RATE)):
        out[first : first + click.size] += click
    return out


def test_entries_and_rests_are_found_where_they_were_planted(rng: np.random.Generator) -> None:
    sound = notes(rng, 40.0, (8.0, 16.0), (22.0, 36.0))
    activity = measure_activity(sound, sample_rate=RATE)
    assert activity.enters_s() == pytest.approx(8.0, abs=2 * HOP_S)
    assert activity.enters_s(17.0) == pytest.approx(22.0, abs=2 * HOP_S)
    assert activity.enters_s(37.0) is None
    ((_, first), (begin, end), (last, _)) = activity.rests(0.5)
    assert [first, begin, end, last] == pytest.approx([8.0, 16.0, 22.0, 36.0], abs=0.1)
    # Three notes a second were planted.
    playing = activity.playing.sum() * HOP_S
    assert activity.attacks.sum() / playing == pytest.approx(3.0, abs=0.2)


@pytest.mark.parametrize(("level", "every_s"), [(0.02, 0.5), (0.1, 0.5), (0.1, 0.25)])
def test_leaked_clicks_and_breaths_are_no_playing(
    rng: np.random.Generator, level: float, every_s: float
) -> None:
    sound = clicks(notes(rng, 40.0, (8.0, 16.0), (22.0, 36.0)), level, every_s)
    breath = 0.02 * rng.standard_normal(round(0.25 * RATE)) * np.hanning(round(0.25 * RATE))
    at = round(7.4 * RATE)
    sound[at : at + breath.size] += breath.astype(np.float32)
    sound[round(3.0 * RATE) : round(3.08 * RATE)] += np.float32(0.5)
    activity = measure_activity(sound, sample_rate=RATE)
    assert activity.enters_s() == pytest.approx(8.0, abs=2 * HOP_S)
    assert len(activity.rests(0.5)) == 3


@pytest.mark.parametrize("gain_db", [-40.0, -20.0, 6.0])
def test_how_loud_a_phone_recorded_does_not_matter(
    rng: np.random.Generator, gain_db: float
) -> None:
    sound = notes(rng, 20.0, (4.0, 12.0))
    one = measure_activity(sound, sample_rate=RATE)
    other = measure_activity(sound * np.float32(10 ** (gain_db / 20)), sample_rate=RATE)
    assert np.array_equal(one.playing, other.playing)
    assert other.levels_db == pytest.approx(one.levels_db, abs=0.01)


def test_silence_and_next_to_nothing_never_play() -> None:
    for count in (0, 100, 5 * RATE):
        activity = measure_activity(np.zeros(count, np.float32), sample_rate=RATE)
        assert not activity.playing.any()
        assert activity.enters_s() is None
        assert np.ptp(activity.loudness_at(np.linspace(-1, 6, 20))) == 0.0


def test_a_rest_is_all_one_level_and_a_breath_between_notes_is_quieter(
    rng: np.random.Generator,
) -> None:
    sound = notes(rng, 20.0, (4.0, 8.0), (8.25, 12.0))
    activity = measure_activity(sound, sample_rate=RATE)
    ((_, begin), (end, _)) = activity.rests()
    assert [begin, end] == pytest.approx([4.0, 12.2], abs=0.1), "a breath is no rest"
    assert np.ptp(activity.loudness_at(np.arange(0.5, 3.5, 0.1))) == 0.0
    times_s = np.arange(6.0, 10.0, 0.01)
    quietest_s = times_s[np.argmin(activity.loudness_at(times_s))]
    assert 7.95 <= quietest_s <= 8.25


def test_takes_are_joined_on_the_reference(rng: np.random.Generator) -> None:
    one = measure_activity(notes(rng, 20.0, (5.0, 15.0)), sample_rate=RATE)
    other = measure_activity(notes(rng, 20.0, (2.0, 8.0)), sample_rate=RATE)
    slow = Placement(10.0, 1e4)
    pieces = [(one.on(Placement(-3.0)), 0.0, 9.0), (other.on(slow), 9.0, 30.0)]
    joined = join_activities(pieces, from_s=0.0, to_s=25.0)
    assert joined.to_s == pytest.approx(25.0)
    assert joined.enters_s() == pytest.approx(2.0, abs=2 * HOP_S)
    # Of the first take what lies after 9 s does not count; the other one enters at 10 + 2 * 1.01.
    (_, (begin, end), (last, _)) = joined.rests(0.5)
    expected_s = [9.0, slow.to_reference(2.0), slow.to_reference(8.0)]
    assert [begin, end, last] == pytest.approx(expected_s, abs=0.1)


def test_four_minutes_take_no_time(rng: np.random.Generator) -> None:
    sound = (0.1 * rng.standard_normal(240 * RATE)).astype(np.float32)
    begun = time.process_time()
    measure_activity(sound, sample_rate=RATE)
    # Measured 0.02 s alone; a machine that is shared is given ten times as long.
    assert time.process_time() - begun < 0.5
