"""Splices: where they are hidden, how loud they are at the joint, and that they do not click."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.mix.hiding import HOP_S, Heard
from syncvid.mix.splice_costs import Near, astray, pair_notes
from syncvid.mix.splices import Splice, cross_fade, fade_curves, find_splice, step_ratio

# The analysis sound, and the sound that is joined.
RATE, FULL_RATE = 16_000, 48_000
FROM_S, MARK_S, LENGTH_S = 43.5, 45.0, 3.0

# Levels of the noise of two phones, in dBFS.
NOISES = (-62.0, -52.0)


def times(rate: int = RATE) -> np.ndarray:
    """Return the reference times of the samples of a piece around the mark."""
    return FROM_S + np.arange(round(LENGTH_S * rate)) / rate


def played(notes: list[tuple[float, float]], rate: int = RATE, decay_s: float = 0.4) -> np.ndarray:
    """Return struck notes, each (reference seconds, Hz), that decay with four partials."""
    at_s = times(rate)
    total = np.zeros(at_s.size)
    for begin_s, hertz in notes:
        since = np.maximum(at_s - begin_s, 0.0)
        rise = np.clip(since / 0.002, 0, 1) * np.exp(-since / decay_s)
        total += 0.2 * rise * sum(np.sin(2 * np.pi * hertz * k * since) / k for k in (1, 2, 3, 4))
    return total


def held(hertz: float, degrees: float = 0.0, rate: int = RATE) -> np.ndarray:
    """Return a note that sounds all the time, its fundamental at a phase, with three partials."""
    turn = 2 * np.pi * hertz * times(rate) + np.radians(degrees)
    return 0.2 * sum(np.sin(k * turn) / k for k in (1, 2, 3))


def hushed(samples: np.ndarray, from_s: float, to_s: float, rate: int = RATE) -> np.ndarray:
    """Return the same with a rest, entered and left within 20 ms."""
    at_s = times(rate)
    outside = np.maximum(from_s - at_s, at_s - to_s)
    return samples * np.clip(outside / 0.020, 0.0, 1.0)


def takes(
    rng: np.random.Generator, old: np.ndarray, new: np.ndarray, noises: tuple[float, float] = NOISES
) -> tuple[Audio, Audio]:
    """Return two takes as two phones recorded them."""
    noisy = [
        take + 10 ** (level / 20) * rng.standard_normal(take.size)
        for take, level in zip((old, new), noises, strict=True)
    ]
    return noisy[0].astype(np.float32), noisy[1].astype(np.float32)


def find(old: Audio, new: Audio, *, mark_s: float = MARK_S, room_s: float = 0.35) -> Splice:
    return find_splice(
        old, new, sample_rate=RATE, from_s=FROM_S, marked_s=mark_s, room_s=room_s
    )  # fmt: skip


def joint(splice: Splice, rate: int) -> dict[str, int]:
    """Return a splice in samples."""
    return {
        "at": round((splice.at_s - FROM_S) * rate),
        "samples": round(splice.fade_s * rate),
    }


def gap_s(splice: Splice, attack_s: float) -> float:
    """Return for how long the fade is over when an attack begins."""
    return attack_s - (splice.at_s + splice.fade_s / 2)


def level_db(samples: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(np.square(samples, dtype=np.float64))))


def bump_db(old: Audio, new: Audio, splice: Splice) -> float:
    """Return how much louder a cross-fade is than the two takes, in the mean, are there."""
    at = joint(splice, RATE)
    joined = cross_fade(old, new, law=splice.law, **at)
    middle = slice(at["at"] - at["samples"] // 2, at["at"] + at["samples"] // 2)
    both = level_db(np.concatenate((old[middle], new[middle])))
    return level_db(joined[middle]) - both


# Curves


def test_curves_of_both_laws() -> None:
    # Definition: squares, or values, that add up to 1; half the power, or half the amplitude, at
    # the centre: 10 log10(1/2) = -3.01 dB, 20 log10(1/2) = -6.02 dB.
    falling, rising = fade_curves(1001, "equal power")
    assert np.abs(falling**2 + rising**2 - 1).max() < 1e-6
    assert 20 * np.log10(rising[500]) == pytest.approx(-3.0103, abs=1e-3)
    falling, rising = fade_curves(1001, "linear")
    assert np.abs(falling + rising - 1).max() < 1e-6
    assert 20 * np.log10(rising[500]) == pytest.approx(-6.0206, abs=1e-3)
    assert falling.dtype == rising.dtype == np.float32
    assert [curve.size for curve in fade_curves(0, "linear")] == [0, 0]


def test_curves_rise_all_the_time_and_mirror_each_other() -> None:
    for law in ("equal power", "linear"):
        falling, rising = fade_curves(480, law)
        assert (np.diff(rising) > 0).all()
        assert np.array_equal(falling, rising[::-1])
        # The steps into and out of the fade are no larger than those within.
        assert max(rising[0], 1 - rising[-1]) <= np.diff(rising).max()


def test_impossible_curves_are_refused() -> None:
    with pytest.raises(SignalError, match="-1 samples"):
        fade_curves(-1, "linear")
    with pytest.raises(SignalError, match="no cross-fade 'steep'"):
        fade_curves(8, "steep")  # type: ignore[arg-type]


# Cross-fades


@pytest.mark.parametrize(("law", "same"), [("equal power", False), ("linear", True)])
def test_a_fade_by_the_right_law_keeps_the_power(
    rng: np.random.Generator, law: str, same: bool
) -> None:
    # Facts of the sum (arithmetic): unlike sounds add their powers, like ones their amplitudes.
    count, length = 400, 2000
    old = rng.standard_normal((count, length)).astype(np.float32)
    new = old if same else rng.standard_normal((count, length)).astype(np.float32)
    joined = np.array(
        [
            cross_fade(a, b, at=1000, samples=800, law=law)  # type: ignore[arg-type]
            for a, b in zip(old, new, strict=True)
        ]
    )
    power_db = 10 * np.log10(np.mean(joined.reshape(count, 20, 100) ** 2.0, axis=(0, 2)))
    # The standard error of each is 4.34 * sqrt(2 / 40 000) dB = 0.03 dB.
    assert np.abs(power_db).max() < 0.13


def test_the_wrong_law_is_three_decibels_wrong_at_the_centre(rng: np.random.Generator) -> None:
    # Two equal amplitudes of -3.01 dB are +3.01 dB, two unlike powers of -6.02 dB are -3.01 dB.
    sound = rng.standard_normal(400_001).astype(np.float32)
    other = rng.standard_normal(sound.size).astype(np.float32)
    near = slice(195_000, 205_001)
    bump = cross_fade(sound, sound, at=200_000, samples=400_001, law="equal power")[near]
    dip = cross_fade(sound, other, at=200_000, samples=400_001, law="linear")[near]
    assert level_db(bump) - level_db(sound[near]) == pytest.approx(3.01, abs=0.05)
    assert level_db(dip) == pytest.approx(-3.01, abs=0.2)


def test_outside_of_the_fade_every_bit_is_kept(rng: np.random.Generator) -> None:
    old, new = (rng.standard_normal((2, 5000)).astype(np.float32) for _ in range(2))
    kept = old.copy(), new.copy()
    joined = cross_fade(old, new, at=2500, samples=101, law="equal power")
    assert np.array_equal(joined[:, :2450], old[:, :2450])
    assert np.array_equal(joined[:, 2551:], new[:, 2551:])
    assert not np.array_equal(joined[:, 2450:2551], old[:, 2450:2551])
    assert np.array_equal(old, kept[0])
    assert np.array_equal(new, kept[1])
    assert joined.dtype == np.float32


def test_one_channel_meets_two(rng: np.random.Generator) -> None:
    old = rng.standard_normal((1, 1000)).astype(np.float32)
    new = rng.standard_normal((2, 1000)).astype(np.float32)
    joined = cross_fade(old, new, at=500, samples=0, law="linear")
    assert np.array_equal(joined[:, :500], np.vstack([old, old])[:, :500])
    assert np.array_equal(joined[:, 500:], new[:, 500:])


@pytest.mark.parametrize(
    ("at", "before", "after"), [(-50, 0.0, 1.0), (0, 0.0, 1.0), (100, 0.0, 0.0), (200, 0.0, 0.0)]
)
def test_a_fade_beyond_the_sound_is_cut_off_there(at: int, before: float, after: float) -> None:
    old, new = np.zeros((1, 100), np.float32), np.ones((1, 100), np.float32)
    joined = cross_fade(old, new, at=at, samples=40, law="linear")[0]
    wanted = np.clip((np.arange(100) - (at - 20) + 0.5) / 40, before, 1.0)
    assert np.abs(joined - wanted).max() < 1e-6
    assert joined[-1] == pytest.approx(wanted[-1], abs=1e-6)
    assert (joined[-1] == 1.0) == (after == 1.0)


def test_takes_that_do_not_fit_are_refused() -> None:
    some = np.zeros((2, 100), np.float32)
    for other in (np.zeros((2, 99), "f4"), np.zeros((3, 100), "f4"), np.zeros(100, "f4")):
        with pytest.raises(SignalError, match="one clock"):
            cross_fade(some, other, at=50, samples=10, law="linear")
    broken = some.copy()
    broken[1, 50] = np.nan
    with pytest.raises(SignalError, match="not finite"):
        cross_fade(some, broken, at=50, samples=10, law="linear")


# Steps


def test_a_hard_cut_in_a_note_clicks_and_a_fade_does_not() -> None:
    old, new = (held(440.0, phase, FULL_RATE).astype(np.float32) for phase in (0.0, 130.0))
    ratios = [
        step_ratio(
            cross_fade(old, new, at=72_000, samples=samples, law="equal power"),
            old, new, at=72_000, samples=samples, sample_rate=FULL_RATE,
        )
        for samples in (0, 2400)
    ]  # fmt: skip
    # Arithmetic: the cut steps from one wave to the other.
    jump = abs(new[72_000] - old[71_999])
    own = np.hypot(np.abs(np.diff(old)).max(), np.abs(np.diff(new)).max())
    assert ratios[0] == pytest.approx(jump / own, rel=1e-3)
    assert ratios[0] > 2
    assert ratios[1] < 1


def test_an_attack_of_the_old_take_after_the_joint_excuses_nothing() -> None:
    old = held(200.0, rate=FULL_RATE).astype(np.float32)
    new = held(200.0, 90.0, rate=FULL_RATE).astype(np.float32)
    old[72_100] = 1.0
    joined = cross_fade(old, new, at=72_000, samples=0, law="linear")
    assert step_ratio(joined, old, new, at=72_000, samples=0, sample_rate=FULL_RATE) > 2


def test_silence_has_no_steps() -> None:
    nothing = np.zeros((2, 4800), np.float32)
    settings = {"at": 2400, "samples": 480}
    joined = cross_fade(nothing, nothing, law="linear", **settings)
    assert step_ratio(joined, nothing, nothing, sample_rate=FULL_RATE, **settings) == 0
    # Steps of half a unit of 16-bit sound, where the takes themselves have none.
    offset = np.full_like(nothing, 2.0**-16)
    joined = cross_fade(nothing, offset, at=2400, samples=0, law="linear")
    ratio = step_ratio(joined, nothing, offset, at=2400, samples=0, sample_rate=FULL_RATE)
    assert ratio == pytest.approx(0.5)


# Places: rests


def test_a_rest_of_both_takes_hides_it(rng: np.random.Generator) -> None:
    old = hushed(held(330.0), 44.90, 45.15)
    new = hushed(held(330.0, 70.0), 44.86, 45.10)
    splice = find(*takes(rng, old, new))
    assert splice.hidden_in == "rest"
    # Within what both have in common, the fade too.
    assert splice.at_s - splice.fade_s / 2 >= 44.90
    assert splice.at_s + splice.fade_s / 2 <= 45.10
    assert splice.at_s == pytest.approx(45.0, abs=0.02)
    assert 0.020 <= splice.fade_s <= 0.060
    assert splice.law == "equal power"


def test_a_long_rest_is_cut_where_the_mark_is(rng: np.random.Generator) -> None:
    old, new = (hushed(held(330.0, phase), 44.0, 46.0) for phase in (0.0, 70.0))
    for mark_s in (44.5, 45.2):
        assert find(*takes(rng, old, new), mark_s=mark_s).at_s == pytest.approx(mark_s, abs=1e-3)


def test_a_rest_of_one_take_hides_nothing(rng: np.random.Generator) -> None:
    splice = find(*takes(rng, held(330.0), hushed(held(330.0, 70.0), 44.9, 45.15)))
    assert splice.hidden_in != "rest"


def test_a_rest_too_short_hides_nothing(rng: np.random.Generator) -> None:
    # 52 ms between two ramps of 20 ms: a moment that is quiet, hardly a rest.
    old, new = (hushed(held(330.0, phase), 44.975, 45.027) for phase in (0.0, 70.0))
    assert find(*takes(rng, old, new)).hidden_in != "rest"


@pytest.mark.parametrize("noises", [(-70.0, -70.0), (-50.0, -60.0), (-60.0, -50.0)])
def test_takes_that_both_wait_are_in_a_rest(
    rng: np.random.Generator, noises: tuple[float, float]
) -> None:
    nothing = np.zeros(times().size)
    splice = find(*takes(rng, nothing, nothing, noises))
    assert (splice.hidden_in, splice.at_s) == ("rest", pytest.approx(MARK_S, abs=1e-3))
    assert splice.fade_s == pytest.approx(0.060)


def test_a_soft_held_note_is_no_noise(rng: np.random.Generator) -> None:
    # -48 dBFS, as soft as the noise of a bad phone.
    soft = [0.02 * held(330.0, phase) for phase in (0.0, 70.0)]
    assert find(*takes(rng, *soft, (-70.0, -70.0))).hidden_in == "held"


# Places: attacks

BEATS = (43.9, 44.3, 44.7, 45.0, 45.4, 45.8)
PITCHES = (220.0, 247.0, 262.0, 294.0, 330.0, 349.0)


@pytest.mark.parametrize("late_ms", list(itertools.product((-18, 0, 25), (-12, 8))))
@pytest.mark.parametrize("decay_s", [0.1, 0.4, 2.0])
def test_it_is_just_before_the_earlier_of_two_attacks(
    rng: np.random.Generator, late_ms: tuple[int, int], decay_s: float
) -> None:
    planted = [45.0 + late / 1000 for late in late_ms]
    both = [
        played(
            [(at + late / 1000, hertz) for at, hertz in zip(BEATS, PITCHES, strict=True)],
            decay_s=decay_s,
        )
        for late in late_ms
    ]
    splice = find(*takes(rng, *both))
    assert splice.hidden_in == "attack"
    assert 0.005 <= splice.fade_s <= 0.010
    # Over before the attack, and within 10 ms, in which one covers what was before it
    # (L. L. Elliott, JASA 34 (1962), 1116-1117, as told in ASA's demonstrations).
    assert 0.0 <= gap_s(splice, min(planted)) <= 0.010


def test_the_attack_nearest_to_the_mark_is_taken(rng: np.random.Generator) -> None:
    notes = list(zip(BEATS, PITCHES, strict=True))
    old, new = takes(rng, played(notes), played(notes))
    for beat in (44.7, 45.0, 45.4):
        splice = find(old, new, mark_s=beat + 0.03)
        assert splice.hidden_in == "attack"
        assert 0.0 <= gap_s(splice, beat) <= 0.010


def test_an_attack_at_the_mark_beats_a_rest_far_away(rng: np.random.Generator) -> None:
    # A rest from 44.62 to 44.74; an upbeat; the marked downbeat.
    notes = [(43.9, 220.0), (44.75, 262.0), (45.0, 294.0)]
    old, new = (hushed(played(notes, decay_s=1.5), 44.62, 44.74) for _ in range(2))
    splice = find(*takes(rng, old, new))
    assert splice.hidden_in == "attack"
    assert 0.0 <= gap_s(splice, 45.0) <= 0.010


def test_a_rest_at_the_mark_beats_an_attack_far_away(rng: np.random.Generator) -> None:
    notes = [(43.9, 220.0), (44.4, 262.0), (45.3, 294.0)]
    old, new = (hushed(played(notes, decay_s=2.0), 44.92, 45.08) for _ in range(2))
    splice = find(*takes(rng, old, new))
    assert splice.hidden_in == "rest"
    assert splice.at_s == pytest.approx(45.0, abs=0.03)


def test_a_mark_a_little_late_still_means_the_note(rng: np.random.Generator) -> None:
    # The marked note is over when the rest comes, which is as near to the mark as its attack.
    notes = [(44.3, 262.0), (45.0, 294.0), (45.7, 330.0)]
    both = [hushed(played(notes, decay_s=2.0), 45.12, 45.40) for _ in range(2)]
    splice = find(*takes(rng, *both), mark_s=45.10)
    assert splice.hidden_in == "attack"
    assert 0.0 <= gap_s(splice, 45.0) <= 0.010


def test_before_an_attack_it_is_where_the_loudness_changes_least(rng: np.random.Generator) -> None:
    # Low notes ring before the attack, and meet in all ways within its milliseconds.
    found_db, latest_db = [], []
    for degrees in range(0, 360, 30):
        ring = held(150.0, degrees), held(225.0, 2.3 * degrees)
        both = takes(rng, *(0.3 * low + played([(45.0, 880.0)]) for low in ring))
        splice = find(*both)
        assert splice.hidden_in == "attack"
        latest = Splice(45.0 - 0.0025 - splice.fade_s / 2, splice.fade_s, splice.law, "attack")
        found_db.append(abs(bump_db(*both, splice)))
        latest_db.append(abs(bump_db(*both, latest)))
    assert np.mean(found_db) < 0.7 * np.mean(latest_db)


@pytest.mark.parametrize("rise_s", [0.010, 0.040])
@pytest.mark.parametrize("hertz", [41.2, 196.0, 880.0])
def test_a_bowed_note_is_cut_before_it_is_heard(
    rng: np.random.Generator, rise_s: float, hertz: float
) -> None:
    # A note rises over the end of another one; low strings have their strength in the partials.
    at_s = times()
    both = []
    for late_s in (0.0, 0.015):
        begin_s = 45.0 + late_s
        turn = 2 * np.pi * (at_s - begin_s)
        rise = np.clip((at_s - begin_s) / rise_s, 0, 1)
        note = 0.1 * sum(np.sin(turn * hertz * k + k * k) / np.sqrt(k) for k in range(1, 9))
        before = played([(44.2, 330.0)], decay_s=0.3)
        both.append(before + rise * note)
    splice = find(*takes(rng, *both))
    assert splice.hidden_in == "attack"
    # A quarter of the rise is 12 dB below the note.
    assert -rise_s / 4 <= gap_s(splice, 45.0) <= 0.012


def test_no_note_is_heard_twice_or_lost(rng: np.random.Generator) -> None:
    # The note at the mark is struck 60 ms apart in the two takes: a cut between would double it.
    old = played([(44.2, 220.0), (44.97, 262.0), (45.6, 294.0)])
    new = played([(44.2, 220.0), (45.03, 262.0), (45.6, 294.0)])
    for first, second in ((old, new), (new, old)):
        splice = find(*takes(rng, first, second))
        assert splice.at_s + splice.fade_s / 2 <= 44.97 or splice.at_s >= 45.04


def test_between_the_attacks_of_one_note_is_the_worst_place() -> None:
    hops = round(LENGTH_S / HOP_S)
    never = np.zeros(hops, np.bool_)
    both = [
        Heard(np.zeros(hops), never, ~never, np.array([at_s]), np.array([9.0]))
        for at_s in (1.47, 1.53)
    ]
    for old, new in (both, both[::-1]):
        near = Near(old, new, pair_notes(old, new), 1.5, 0.35, LENGTH_S)
        before, between, after = astray(near, np.array([1.46, 1.50, 1.54]))
        assert between > max(before, after) + 1
        # The downbeat is the mark's: it belongs to the new take.
        assert after > before


# Places: what is left


def test_a_breath_hides_it_where_there_is_no_rest(rng: np.random.Generator) -> None:
    # A note that becomes 16 dB softer and louder again, slowly, and has neither rest nor attack.
    swell = 10 ** (-16 / 20 * np.exp(-(((times() - 45.12) / 0.08) ** 2)))
    splice = find(*takes(rng, held(330.0) * swell, held(330.0, 170.0) * swell))
    assert splice.hidden_in == "quiet"
    assert splice.at_s == pytest.approx(45.12, abs=0.03)


@pytest.mark.parametrize(
    ("degrees", "law"), [(0.0, "linear"), (40.0, "linear"), (90.0, "equal power")]
)
def test_the_law_follows_the_likeness_of_held_notes(
    rng: np.random.Generator, degrees: float, law: str
) -> None:
    # The likeness of two such notes is the mean of cos(k * degrees), weighted by 1 / k squared.
    splice = find(*takes(rng, held(220.0), held(220.0, degrees)))
    assert splice.hidden_in == "held"
    assert splice.law == law
    assert 0.030 <= splice.fade_s <= 0.080


@pytest.mark.parametrize("agree_s", [44.75, 45.0, 45.2])
def test_beating_notes_are_joined_where_the_waves_agree(
    rng: np.random.Generator, agree_s: float
) -> None:
    # 330 and 331.5 Hz agree every two thirds of a second.
    apart = np.degrees(2 * np.pi * 1.5 * agree_s)
    old, new = takes(rng, held(330.0), held(331.5, -apart))
    splice = find(old, new)
    assert splice.hidden_in == "held"
    assert splice.law == "linear"
    assert splice.at_s == pytest.approx(agree_s, abs=0.05)
    # Energy at the joint, over the fade: within half a decibel of the note's.
    at = joint(splice, RATE)
    joined = cross_fade(old, new, law=splice.law, **at)
    middle = slice(at["at"] - at["samples"] // 2, at["at"] + at["samples"] // 2)
    assert level_db(joined[middle]) == pytest.approx(level_db(old), abs=0.5)


def test_sounds_without_pitch_or_pause_keep_their_power(rng: np.random.Generator) -> None:
    nothing = np.zeros(times().size)
    old, new = takes(rng, nothing, nothing, (-20.0, -20.0))
    splice = find(old, new)
    assert (splice.hidden_in, splice.law) == ("held", "equal power")
    at = joint(splice, RATE)
    joined = cross_fade(old, new, law=splice.law, **at)
    middle = slice(at["at"] - at["samples"] // 2, at["at"] + at["samples"] // 2)
    # 1280 samples of noise: the standard error is 0.17 dB.
    assert level_db(joined[middle]) == pytest.approx(-20.0, abs=0.7)


# Places: takes that begin or end near the mark


def test_a_take_that_begins_within_a_note_is_faded_in_after_its_beginning(
    rng: np.random.Generator,
) -> None:
    old, new = takes(rng, held(220.0), held(220.0, 90.0))
    new[times() < 45.1] = 0
    splice = find(old, new)
    assert splice.at_s - splice.fade_s / 2 >= 45.1 - 1e-4


def test_a_take_that_ends_within_a_note_is_faded_out_before_its_end(
    rng: np.random.Generator,
) -> None:
    old, new = takes(rng, held(220.0), held(220.0, 90.0))
    old[times() >= 44.9] = 0
    splice = find(old, new)
    assert splice.at_s + splice.fade_s / 2 <= 44.9 + 1e-4
    # A shorter array means the same.
    shorter = find(old[: np.searchsorted(times(), 44.9)], new)
    assert shorter == splice


@pytest.mark.parametrize("begin_s", [44.95, 45.03])
def test_a_take_that_begins_in_a_rest_may_be_joined_there(
    rng: np.random.Generator, begin_s: float
) -> None:
    old = hushed(held(220.0), 44.8, 45.2)
    new = hushed(held(220.0, 90.0), 40.0, 45.2)
    old, new = takes(rng, old, new)
    new[times() < begin_s] = 0
    splice = find(old, new)
    assert splice.hidden_in == "rest"
    # Its noise is faded in too.
    assert splice.at_s - splice.fade_s / 2 >= begin_s - HOP_S
    assert splice.at_s + splice.fade_s / 2 <= 45.2


def test_a_shorter_take_counts_as_ended(rng: np.random.Generator) -> None:
    old, new = takes(rng, held(220.0), held(220.0, 90.0))
    silent = new.copy()
    silent[39_990:] = 0
    assert find(old, new[:39_990]) == find(old, silent)


# Edges of the search


@pytest.mark.parametrize("mark_s", [0.0, FROM_S, FROM_S + LENGTH_S, 100.0])
@pytest.mark.parametrize("room_s", [0.0, 0.35, 10.0])
def test_a_mark_outside_means_the_nearest_end(
    rng: np.random.Generator, mark_s: float, room_s: float
) -> None:
    splice = find(*takes(rng, held(220.0), held(220.0)), mark_s=mark_s, room_s=room_s)
    assert splice.at_s - splice.fade_s / 2 >= FROM_S - 1e-6
    assert splice.at_s + splice.fade_s / 2 <= FROM_S + LENGTH_S + 1e-6
    nearest = min(max(mark_s, FROM_S), FROM_S + LENGTH_S)
    assert abs(splice.at_s - nearest) <= room_s + splice.fade_s / 2 + 1e-6


@pytest.mark.parametrize("samples", [0, 1, 2, 100, 639, 640, 700, 2000])
def test_short_sounds_get_short_fades(rng: np.random.Generator, samples: int) -> None:
    old, new = takes(rng, held(220.0), held(220.0))
    splice = find(old[:samples], new[:samples], mark_s=FROM_S)
    assert splice.fade_s <= samples / RATE + 1e-9
    assert FROM_S <= splice.at_s <= FROM_S + samples / RATE
    assert find(0 * old[:samples], 0 * new[:samples], mark_s=FROM_S).hidden_in == "rest"


def test_what_is_not_finite_is_refused() -> None:
    good = np.zeros(RATE, np.float32)
    bad = good.copy()
    bad[3] = np.inf
    with pytest.raises(SignalError, match="new holds values"):
        find(good, bad)
    with pytest.raises(SignalError, match="mono"):
        find(good[np.newaxis], good)
    with pytest.raises(SignalError, match="finite"):
        find(good, good, mark_s=np.nan)


def test_other_rates_find_the_same(rng: np.random.Generator) -> None:
    notes = list(zip(BEATS, PITCHES, strict=True))
    old, new = takes(rng, played(notes, FULL_RATE), played(notes, FULL_RATE))
    splice = find_splice(old, new, sample_rate=FULL_RATE, from_s=FROM_S, marked_s=MARK_S)
    assert splice.hidden_in == "attack"
    assert 0.0 <= gap_s(splice, 45.0) <= 0.010


# Whatever the music


@st.composite
def musics(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, float]:
    """Draw two takes of the same notes, at 48 kHz, and where the splice is marked."""
    beat = draw(st.floats(0.3, 0.9))
    begins = np.arange(FROM_S - 0.3, FROM_S + LENGTH_S, beat)
    hertz = [draw(st.floats(41.0, 1500.0)) for _ in begins]
    kind = draw(st.sampled_from(["struck", "held", "rests", "noise"]))
    rng = np.random.default_rng(draw(st.integers(0, 2**31)))
    pair = []
    for _ in range(2):
        late = begins + rng.normal(0, 0.012, begins.size)
        tuned = [
            pitch * 2 ** (cents / 1200)
            for pitch, cents in zip(hertz, rng.normal(0, 6, len(hertz)), strict=True)
        ]
        if kind == "held":
            take = held(tuned[0], rng.uniform(0, 360), FULL_RATE)
        elif kind == "noise":
            take = 0.1 * rng.standard_normal(times(FULL_RATE).size)
        else:
            take = played(
                list(zip(late, tuned, strict=True)), FULL_RATE, draw(st.floats(0.05, 2.0))
            )
        if kind == "rests":
            take = hushed(take, 44.8, 45.1 + rng.normal(0, 0.02), FULL_RATE)
        gain = 10 ** (rng.uniform(-12, 0) / 20)
        pair.append(
            gain * (take + 10 ** (rng.uniform(-75, -50) / 20) * rng.standard_normal(take.size))
        )
    return pair[0], pair[1], draw(st.floats(44.6, 45.4))


@given(musics())
@settings(max_examples=30, deadline=None)
def test_no_splice_clicks(music: tuple[np.ndarray, np.ndarray, float]) -> None:
    old, new = (take.astype(np.float32) for take in music[:2])
    coarse = [signal.resample_poly(take, 1, 3).astype(np.float32) for take in (old, new)]
    splice = find(*coarse, mark_s=music[2])
    assert abs(splice.at_s - music[2]) <= 0.35 + 1e-3
    assert 0.005 <= splice.fade_s <= 0.080
    at = joint(splice, FULL_RATE)
    joined = cross_fade(old, new, law=splice.law, **at)
    assert step_ratio(joined, old, new, sample_rate=FULL_RATE, **at) <= 1.0
