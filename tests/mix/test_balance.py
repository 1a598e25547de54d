"""Where a balance starts: arithmetic of levels, and what is said about it."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import median

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.arrays import Audio
from syncvid.errors import SignalError
from syncvid.mix.balance import Balanced, starting_balance
from syncvid.mix.measures import BANDS_HZ, NOTHING_DB, StemMeasure, measure_stem
from syncvid.mix.panning import place

RATE = 48_000


def measure(loudness_lufs: float | None, noise_db: float = 50.0) -> StemMeasure:
    return StemMeasure(loudness_lufs, (NOTHING_DB,) * len(BANDS_HZ), -6.0, noise_db)


def part(loudness_lufs: float | None, name: str = "Alto", **more: object) -> Balanced:
    return replace(Balanced(name, measure(loudness_lufs)), **more)  # type: ignore[arg-type]


def noise(rng: np.random.Generator, amplitude: float) -> Audio:
    return (amplitude * rng.standard_normal((1, 10 * RATE))).astype(np.float32)


def test_parts_recorded_at_any_level_come_out_equally_loud() -> None:
    levels = (-40.0, -23.0, -18.5, -30.0, -12.0)
    gains = starting_balance([part(level) for level in levels]).starting_db
    sums = [gain + level for gain, level in zip(gains, levels, strict=True)]
    assert sums == pytest.approx([sums[0]] * 5, abs=1e-9)
    assert median(gains) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("stereo", [False, True])
def test_mono_and_stereo_stems_are_equally_loud_when_placed(
    stereo: bool, rng: np.random.Generator
) -> None:
    """Measured again by BS.1770 after placing: equal within 0.05 LU."""
    first, second = noise(rng, 0.1), noise(rng, 0.02)
    if stereo:
        second = np.concatenate((second, second))
    stems = (first, second)
    parts = [Balanced("A", measure_stem(stem, sample_rate=RATE)) for stem in stems]
    gains = starting_balance(parts).starting_db
    heard = [
        measure_stem(place(stem * np.float32(10 ** (gain / 20)), 0.0), sample_rate=RATE)
        for stem, gain in zip(stems, gains, strict=True)
    ]
    assert heard[0].loudness_lufs == pytest.approx(heard[1].loudness_lufs, abs=0.05)


def test_four_equal_parts_sum_to_six_decibels_more(rng: np.random.Generator) -> None:
    # Facts LV6: independent +6.02 dB; of 10 s of noise within 0.1.
    stems = [noise(rng, amplitude) for amplitude in (0.1, 0.03, 0.05, 0.2)]
    measures = [measure_stem(stem, sample_rate=RATE) for stem in stems]
    gains = starting_balance([Balanced("A", each) for each in measures]).starting_db
    raised = [stem * np.float32(10 ** (gain / 20)) for stem, gain in zip(stems, gains, strict=True)]
    total = measure_stem(np.sum(raised, axis=0), sample_rate=RATE).loudness_lufs
    assert total is not None
    assert measures[0].loudness_lufs is not None
    assert total - (measures[0].loudness_lufs + gains[0]) == pytest.approx(6.02, abs=0.1)


def test_a_section_is_as_loud_as_one_voice() -> None:
    # Arithmetic: four players are 10 log10(4) = 6.02 dB; each is so much softer than the solo.
    parts = [part(-20.0, group="violins") for _ in range(4)] + [part(-20.0)]
    gains = starting_balance(parts).starting_db
    assert gains[4] - gains[0] == pytest.approx(6.02, abs=0.01)
    section = 10 * math.log10(sum(10 ** (gain / 10) for gain in gains[:4]))
    assert section == pytest.approx(gains[4], abs=0.01)


def test_a_big_section_moves_nobody_too_far() -> None:
    # 16 against one: 12.04 dB apart by arithmetic, 8 by the limit of 4 dB each way.
    parts = [part(-20.0, group="choir") for _ in range(16)] + [part(-20.0)]
    gains = starting_balance(parts).starting_db
    assert gains[16] - gains[0] == pytest.approx(8.0, abs=1e-9)


def test_a_melody_stands_out() -> None:
    parts = [part(-20.0), part(-20.0), part(-25.0, melody=True)]
    gains = starting_balance(parts).starting_db
    assert gains == pytest.approx((0.0, 0.0, 7.5), abs=1e-9)


def test_silent_and_muted_parts_move_nobody() -> None:
    heard = [part(-20.0, group="horns"), part(-26.0)]
    silent = part(None, group="horns")
    muted = part(-60.0, group="horns", muted=True)
    alone = starting_balance(heard)
    assert alone.remarks == ()
    more = starting_balance([*heard, silent, muted])
    assert more.starting_db[:3] == pytest.approx((*alone.starting_db, 0.0), abs=1e-9)
    assert more.starting_db[3] - more.starting_db[0] > 20, "the gain that it would have"
    assert more.remarks == ()


def test_nobody_at_all_is_a_balance_too() -> None:
    assert starting_balance([]).starting_db == ()
    assert starting_balance([part(None), part(None)]).starting_db == (0.0, 0.0)
    assert starting_balance([part(-30.0, muted=True)]).starting_db == (0.0,)


def test_a_part_that_was_recorded_softly_is_named_with_its_noise() -> None:
    parts = [part(-20.0), part(-21.0), part(-19.0), part(-35.0, "Viola, Ann")]
    balance = starting_balance(parts)
    (said,) = balance.remarks
    # -35 against the median of the others, -20: 15.0 dB.
    assert "Viola, Ann" in said
    assert "15.0 dB" in said
    assert "50 dB under" in said
    never_rests = replace(parts[3], measure=measure(-35.0, noise_db=3.0))
    (said,) = starting_balance([*parts[:3], never_rests]).remarks
    assert "under its music" not in said


def test_twelve_decibels_are_still_no_matter() -> None:
    assert starting_balance([part(-20.0), part(-20.0), part(-31.9)]).remarks == ()
    assert starting_balance([part(-20.0), part(-20.0), part(-32.1)]).remarks != ()


def test_noise_alone_is_not_raised_without_end() -> None:
    balance = starting_balance([part(-20.0), part(-20.0), part(-68.0, "Tuba")])
    assert balance.starting_db[2] == 24.0
    assert "48.0 dB" in balance.remarks[0]
    assert "stays softer" in balance.remarks[0]


@pytest.mark.parametrize(
    ("wish", "more", "words"),
    [
        (8.0, {}, ("+8.0 dB", "closer")),
        (-6.5, {}, ("-6.5 dB", "farther away")),
        (2.0, {"muted": True}, ("left out", "+2.0 dB")),
        (2.0, {"measure": measure(None)}, ("silent", "+2.0 dB")),
    ],
)
def test_wishes_that_do_nothing_or_too_much_are_named(
    wish: float, more: dict[str, object], words: tuple[str, ...]
) -> None:
    wished = replace(part(-20.0, "Flute"), wish_db=wish, **more)  # type: ignore[arg-type]
    (said,) = starting_balance([part(-20.0), wished, part(-20.0)]).remarks
    assert all(word in said for word in ("Flute", *words))


@pytest.mark.parametrize("wish", [6.0, -6.0, 0.0])
def test_wishes_within_reason_need_no_word(wish: float) -> None:
    assert starting_balance([part(-20.0), part(-20.0, wish_db=wish)]).remarks == ()


@pytest.mark.parametrize("bad", [{"wish_db": math.nan}, {"measure": measure(math.inf)}])
def test_values_that_are_not_finite_are_refused(bad: dict[str, object]) -> None:
    with pytest.raises(SignalError, match="Alto"):
        starting_balance([replace(part(-20.0), **bad)])  # type: ignore[arg-type]


@given(
    st.lists(
        st.tuples(st.floats(-40, -10), st.sampled_from(["", "a", "b"]), st.booleans()),
        min_size=1,
        max_size=12,
    ),
    st.floats(-3, 3),
)
def test_the_level_of_a_recording_changes_nothing(
    rows: list[tuple[float, str, bool]], louder_db: float
) -> None:
    parts = [part(level, group=group, melody=leads) for level, group, leads in rows]
    gains = starting_balance(parts).starting_db
    assert median(gains) == pytest.approx(0.0, abs=1e-9) or max(gains) == 24.0
    if max(gains) < 20:
        moved = [replace(parts[0], measure=measure(rows[0][0] + louder_db)), *parts[1:]]
        after = starting_balance(moved).starting_db
        change = np.subtract(after, gains) + np.eye(1, len(parts))[0] * louder_db
        assert change == pytest.approx(np.full(len(parts), change[0]), abs=1e-9)
