"""When everything in a guide happens, by arithmetic."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from syncvid.errors import ProductionError
from syncvid.guide.timing import QUIET_S, SIGNATURE_FROM_S, at_speed, time_plan
from syncvid.production.guide_plan import (
    Bar,
    Clicks,
    CountIn,
    Entry,
    GuidePlan,
    GuideSound,
    Hold,
    Law,
    Metre,
    Place,
    PlanSection,
    Tempo,
    TempoChange,
)

QUARTER = Fraction(1, 4)
THREE = Metre("3/4", (QUARTER,) * 3)
FOUR = Metre("4/4", (QUARTER,) * 4)
SEVEN = Metre("7/8", (QUARTER, QUARTER, 3 * QUARTER / 2))
PLAIN = GuideSound(signature=False)


def plan_of(
    count: int, metre: Metre = FOUR, tempo: float = 60.0, count_in: int = 0, clicks: str = "beats"
) -> GuidePlan:
    return GuidePlan(
        title="",
        bars=tuple(Bar(number, metre, metre.length) for number in range(1, count + 1)),
        sections=(PlanSection(clicks=Clicks(clicks)),),
        tempo=Tempo(tempo),
        count_in=CountIn(count_in),
        sound=PLAIN,
    )


def times(plan: GuidePlan) -> list[float]:
    """Return the times of the beats from the beginning of the music."""
    found = time_plan(plan).map
    return [beat.guide_s - found.music_from_s for beat in found.beats if not beat.is_count_in]


def test_clicks_at_96() -> None:
    # facts: 60 / M.M. seconds per beat (arithmetic of the metronome).
    found = times(plan_of(8, tempo=96.0))
    assert found[8] + 2.0 == pytest.approx(7.0, abs=1e-9)
    assert found[31] + 2.0 == pytest.approx(21.375, abs=1e-9)


def test_a_rest_that_is_put_in_delays_all_that_follows() -> None:
    # Arithmetic: at 80, a quarter of a second before click 16.
    plan = replace(plan_of(6, tempo=80.0), holds=(Hold(Place(5), seconds=0.25, before=True),))
    found = [2.0 + at_s for at_s in times(plan)]
    assert found[15:21:5] == pytest.approx([13.25, 17.25], abs=1e-9)
    assert found[16] == pytest.approx(14.25, abs=1e-9)


def test_two_bars_of_three_at_72_last_five_seconds() -> None:
    found = time_plan(plan_of(2, THREE, 72.0)).map
    assert found.music_to_s - found.music_from_s == pytest.approx(5.0, abs=1e-9)
    assert found.duration_s == pytest.approx(found.music_to_s + QUIET_S)


def test_a_dotted_quarter_at_60_is_90_quarters() -> None:
    # MusicXML's metronome mark; arithmetic.
    assert Tempo(60.0, Fraction(3, 8)).quarters == 90.0


@pytest.mark.parametrize(
    ("law", "seconds"),
    [
        # The integral of 60 / q over 4 beats, q from 60 to 120 linear in beats: 4 ln 2.
        (Law.BY_BEATS, 4.0 * math.log(2.0)),
        # The mean tempo over the time is 90: 4 beats at 90.
        (Law.BY_TIME, 4.0 * 60.0 / 90.0),
        # Beats at 60, 75, 90 and 105.
        (Law.STEPS, sum(60.0 / tempo for tempo in (60.0, 75.0, 90.0, 105.0))),
    ],
)
def test_the_laws_of_a_ramp_from_60_to_120_in_four_beats(law: Law, seconds: float) -> None:
    change = TempoChange(Place(2), Tempo(120.0), Place(3), law)
    found = times(replace(plan_of(4), changes=(change,)))
    assert found[8] - found[4] == pytest.approx(seconds, abs=1e-9)
    assert found[9] - found[8] == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize("end", [30.0, 59.0, 61.0, 240.0])
def test_beats_within_ramps_agree_with_numerical_integration(end: float) -> None:
    # scipy's integrators, given the law in words: tempo linear in beats, tempo linear in time.
    def by(law: Law) -> list[float]:
        return times(
            replace(plan_of(2), changes=(TempoChange(Place(1), Tempo(end), Place(2), law),))
        )

    for beat in range(1, 5):
        wanted, _ = quad(lambda x: 60.0 / (60.0 + (end - 60.0) * x / 4.0), 0.0, beat)
        assert by(Law.BY_BEATS)[beat] == pytest.approx(wanted, abs=1e-9)
    lasts_s = 2.0 * 4.0 * 60.0 / (60.0 + end)
    walked = solve_ivp(
        lambda t, _: [(60.0 + (end - 60.0) * t / lasts_s) / 60.0],
        (0.0, lasts_s),
        [0.0],
        rtol=1e-10,
        atol=1e-12,
        t_eval=by(Law.BY_TIME)[:4],
    )
    assert walked.y[0] == pytest.approx([0.0, 1.0, 2.0, 3.0], abs=1e-6)


def test_a_ramp_that_meets_another_change_is_cut_off() -> None:
    ramp = TempoChange(Place(1), Tempo(120.0), Place(3))
    plan = replace(plan_of(3), changes=(ramp, TempoChange(Place(2), Tempo(30.0))))
    found = times(plan)
    # Half of the way up: from 60 to 90 over 4 beats.
    assert found[4] == pytest.approx(8.0 * math.log(1.5), abs=1e-9)
    assert found[5] - found[4] == pytest.approx(2.0, abs=1e-9)


def test_a_held_beat_is_longer_by_a_note_in_its_tempo() -> None:
    # A sixteenth at 60 quarters is a quarter of a second.
    plan = replace(plan_of(2), holds=(Hold(Place(1, Fraction(3)), length=Fraction(1, 16)),))
    assert times(plan)[:5] == pytest.approx([0.0, 1.0, 2.0, 3.25, 4.25], abs=1e-9)
    beats = time_plan(plan).map.beats
    assert [beat.held_s for beat in beats[:5]] == [0.0, 0.0, 0.25, 0.0, 0.0]
    assert beats[2].length_s == pytest.approx(1.25, abs=1e-9)


def test_a_fermata_on_the_last_note_lengthens_the_piece() -> None:
    plan = replace(plan_of(1), holds=(Hold(Place(1, Fraction(4)), seconds=2.0),))
    found = time_plan(plan).map
    assert found.music_to_s - found.music_from_s == pytest.approx(6.0, abs=1e-9)
    assert found.beats[-1].length_s == pytest.approx(3.0, abs=1e-9)


def test_notes_sound_up_to_a_breath_and_begin_after_it() -> None:
    timing = time_plan(replace(plan_of(2), holds=(Hold(Place(2), seconds=0.5, before=True),)))
    zero_s = timing.map.music_from_s
    assert timing.sounds_until(Fraction(1)) - zero_s == pytest.approx(4.0, abs=1e-9)
    assert timing.seconds_at(Fraction(1)) - zero_s == pytest.approx(4.5, abs=1e-9)
    assert [(beat.held_s, beat.breath_s) for beat in timing.map.beats[3:5]] == [(0, 0.5), (0, 0)]


def test_what_is_held_sounds_on_until_the_next_note() -> None:
    timing = time_plan(replace(plan_of(2), holds=(Hold(Place(1, Fraction(4)), seconds=2.0),)))
    zero_s = timing.map.music_from_s
    assert timing.sounds_until(Fraction(1)) - zero_s == pytest.approx(6.0, abs=1e-9)
    assert timing.seconds_at(Fraction(1)) - zero_s == pytest.approx(6.0, abs=1e-9)


def test_the_count_in_ends_in_bar_0() -> None:
    found = time_plan(plan_of(2, THREE, count_in=2)).map
    assert [(b.bar, b.beat) for b in found.beats if b.is_count_in] == [
        (bar, beat) for bar in (-1, 0) for beat in (1, 2, 3)
    ]
    assert found.music_from_s == pytest.approx(1.0 + 6.0)


def test_an_upbeat_completes_the_last_bar_of_the_count_in() -> None:
    plan = plan_of(2, THREE, count_in=2)
    upbeat = Bar(0, THREE, QUARTER, begin=Fraction(1, 2))
    found = time_plan(replace(plan, bars=(upbeat, *plan.bars))).map
    assert [(b.bar, b.beat, b.is_count_in) for b in found.beats[:7]] == [
        (-1, 1, True), (-1, 2, True), (-1, 3, True),
        (0, 1, True), (0, 2, True), (0, 3, False), (1, 1, False),
    ]  # fmt: skip
    assert [c.strength for c in found.clicks[:7]] == [0, 2, 2, 0, 2, 2, 0]


def test_an_upbeat_of_an_eighth_begins_within_a_counted_beat() -> None:
    plan = plan_of(1, FOUR, count_in=1)
    upbeat = Bar(0, FOUR, Fraction(1, 8), begin=Fraction(7, 8))
    found = time_plan(replace(plan, bars=(upbeat, *plan.bars))).map
    assert [(b.bar, b.beat) for b in found.beats[:5]] == [(0, 1), (0, 2), (0, 3), (0, 4), (1, 1)]
    gaps = [later.guide_s - beat.guide_s for beat, later in itertools.pairwise(found.beats[:5])]
    assert gaps == pytest.approx([1.0] * 4, abs=1e-9)
    assert found.beats[4].guide_s - found.music_from_s == pytest.approx(0.5, abs=1e-9)


def test_a_count_in_by_seconds_has_as_many_bars_as_fill_them() -> None:
    plan = replace(plan_of(2, THREE), count_in=CountIn(seconds=6.5))
    assert sum(beat.is_count_in for beat in time_plan(plan).map.beats) == 9


def test_a_bar_that_is_repeated_is_meant_each_time_or_one_time() -> None:
    plan = plan_of(4)
    plan = replace(plan, bars=plan.bars[:2] * 2 + plan.bars[2:])
    for time, wanted in ((0, [1.0, 1.0]), (2, [0.0, 1.0])):
        found = time_plan(replace(plan, holds=(Hold(Place(2, time=time), seconds=1.0),))).map
        assert [beat.held_s for beat in found.beats if (beat.bar, beat.beat) == (2, 1)] == wanted
    assert found.beat_map.at(found.music_from_s + 12.1).bar == 2  # type: ignore[union-attr]


def test_halves_of_a_bar_that_a_repeat_divides_are_one_bar() -> None:
    plan = plan_of(1, FOUR)
    halves = (Bar(2, FOUR, Fraction(3, 4)), Bar(2, FOUR, QUARTER, begin=Fraction(3, 4)))
    found = time_plan(replace(plan, bars=(*plan.bars, *halves))).map
    assert [(b.bar, b.beat) for b in found.beats[4:]] == [(2, n) for n in (1, 2, 3, 4)]


@pytest.mark.parametrize(
    ("density", "metre", "strengths"),
    [
        ("none", FOUR, []),
        ("bars", FOUR, [0]),
        ("half bars", FOUR, [0, 2]),
        ("half bars", THREE, [0]),
        ("beats", FOUR, [0, 2, 2, 2]),
        ("halves", THREE, [0, 3, 2, 3, 2, 3]),
        ("thirds", Metre("2/4", (QUARTER,) * 2), [0, 3, 3, 2, 3, 3]),
        ("beats", SEVEN, [0, 2, 2]),
    ],
)
def test_clicks_are_as_dense_as_asked(density: str, metre: Metre, strengths: list[int]) -> None:
    plan = plan_of(1, metre, clicks=density)
    assert [click.strength for click in time_plan(plan).map.clicks] == strengths


def test_groups_have_an_accent_of_their_own() -> None:
    five = Metre("5/8", (Fraction(1, 8),) * 5, strong=(0, 3))
    assert [c.strength for c in time_plan(plan_of(1, five)).map.clicks] == [0, 2, 2, 1, 2]


def test_a_cue_comes_a_bar_before_its_entry() -> None:
    plan = replace(plan_of(4, THREE), entries=(Entry("Cello", Place(3, Fraction(2))),))
    (mark,) = time_plan(plan).map.marks
    assert (mark.name, mark.bar, mark.kind) == ("Cello", 3, "cue")
    assert mark.guide_s == pytest.approx(1.0 + 4.0)


def test_named_sections_are_marked() -> None:
    plan = plan_of(4)
    bars = tuple(replace(bar, section=int(bar.number > 2)) for bar in plan.bars)
    plan = replace(plan, bars=bars, sections=(PlanSection("A"), PlanSection("B")))
    assert [(m.name, m.bar, m.guide_s) for m in time_plan(plan).map.marks] == [
        ("A", 1, 1.0),
        ("B", 3, 9.0),
    ]


def test_a_practice_version_keeps_everything_in_proportion() -> None:
    ramp = TempoChange(Place(1), Tempo(120.0), Place(3))
    holds = (Hold(Place(2), seconds=0.5), Hold(Place(3), length=Fraction(1, 4), before=True))
    plan = replace(plan_of(4), changes=(ramp,), holds=holds)
    full, slow = times(plan), times(at_speed(plan, 0.8))
    assert [at_s * 0.8 for at_s in slow] == pytest.approx(full, abs=1e-9)


@pytest.mark.parametrize(
    ("hold", "message"),
    [
        (Hold(Place(9)), "There is no bar 9: the piece has bars 1 to 4."),
        (Hold(Place(2, Fraction(7))), "Bar 2 has no beat 7 there"),
        (Hold(Place(2, time=2)), "Bar 2 is played once, not 2 times."),
    ],
)
def test_places_that_are_not_played_are_refused(hold: Hold, message: str) -> None:
    with pytest.raises(ProductionError, match=message):
        time_plan(replace(plan_of(4), holds=(hold,)))


def test_a_signature_leaves_its_room() -> None:
    plan = replace(plan_of(1, count_in=1), sound=GuideSound(signature=True))
    found = time_plan(plan, guide=7, version=3).map
    assert found.signature is not None
    assert (found.signature.guide, found.signature.version) == (7, 3)
    assert found.signature.guide_s == SIGNATURE_FROM_S
    assert found.beats[0].guide_s == 3.5


tempi = st.floats(20.0, 300.0)


@given(
    start=tempi,
    steps=st.lists(st.tuples(st.integers(1, 12), tempi, st.sampled_from(Law), st.integers(0, 3))),
    holds=st.lists(st.tuples(st.integers(1, 12), st.floats(0.0, 3.0), st.booleans())),
)
def test_time_only_goes_forward(
    start: float,
    steps: list[tuple[int, float, Law, int]],
    holds: list[tuple[int, float, bool]],
) -> None:
    changes = tuple(
        TempoChange(Place(bar), Tempo(tempo), Place(bar + length) if length else None, law)
        for bar, tempo, law, length in steps
        if bar + length <= 12
    )
    plan = replace(
        plan_of(12, THREE, start, count_in=1),
        changes=changes,
        holds=tuple(Hold(Place(bar), seconds, before=before) for bar, seconds, before in holds),
    )
    found = time_plan(plan).map
    assert all(beat.length_s > 0 for beat in found.beats)
    total_s = sum(beat.length_s for beat in found.beats)
    assert total_s == pytest.approx(found.music_to_s - found.beats[0].guide_s, abs=1e-6)
    put_in_s = sum(seconds for _, seconds, _ in holds)
    told_s = sum(beat.held_s + beat.breath_s for beat in found.beats)
    assert told_s == pytest.approx(put_in_s, abs=1e-6)
