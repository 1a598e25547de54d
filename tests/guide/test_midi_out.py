"""A guide's time as a MIDI file, read back by mido, whose playback time judges ours."""

from __future__ import annotations

import io
from dataclasses import replace
from fractions import Fraction

import mido
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.guide.midi_in import read_midi
from syncvid.guide.midi_out import write_midi
from syncvid.guide.timing import at_speed, time_plan
from syncvid.production.guide_plan import (
    Bar,
    Clicks,
    CountIn,
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
from syncvid.production.metres import parse_metre

# What the beat map promises of its MIDI file.
TOLERANCE_S = 0.001

FOUR = parse_metre("4/4")


def plan_of(count: int, metre: Metre = FOUR, tempo: float = 96.0, **fields: object) -> GuidePlan:
    given: dict[str, object] = {
        "title": "A piece",
        "bars": tuple(Bar(number, metre, metre.length) for number in range(1, count + 1)),
        "sections": (PlanSection("Intro"),),
        "tempo": Tempo(tempo),
    }
    return GuidePlan(**(given | fields))  # type: ignore[arg-type]


def written(plan: GuidePlan) -> mido.MidiFile:
    return mido.MidiFile(file=io.BytesIO(write_midi(time_plan(plan).map, plan)), charset="utf-8")


def played(file: mido.MidiFile) -> list[tuple[float, mido.Message]]:
    """Return mido's own playback time of each message."""
    now, found = 0.0, []
    for message in file:
        now += message.time
        found.append((now, message))
    return found


def clicks_of(file: mido.MidiFile) -> list[float]:
    return [at_s for at_s, message in played(file) if message.type == "note_on"]


def largest_error_s(plan: GuidePlan) -> float:
    """Return by how much a click on a beat misses its beat in the map."""
    found, wanted = clicks_of(written(plan)), [b.guide_s for b in time_plan(plan).map.beats]
    assert len(found) == len(wanted)
    return max(abs(a - b) for a, b in zip(found, wanted, strict=True))


def test_tempo_of_96_in_bytes() -> None:
    # SMF 1.0: FF 51 03 09 89 68; one tempo for what comes before, one for the rest.
    plan = plan_of(200)
    data = write_midi(time_plan(plan).map, plan)
    assert b"\xff\x51\x03\x09\x89\x68" in data
    assert data.count(b"\xff\x51\x03") == 2
    assert data[8:14] == b"\x00\x01\x00\x02\x03\xc0"


@pytest.mark.parametrize("tempo", [97.3, 90.0, 143.0, 60.0])
def test_beats_stay_in_time_over_half_an_hour(tempo: float) -> None:
    plan = plan_of(round(tempo * 30 / 4), tempo=tempo)
    assert time_plan(plan).map.duration_s > 1795
    assert largest_error_s(plan) < TOLERANCE_S


@pytest.mark.parametrize("law", list(Law))
def test_a_ramp_of_half_an_hour(law: Law) -> None:
    way = TempoChange(Place(2), Tempo(150.0), Place(700), law)
    plan = plan_of(800, tempo=70.0, changes=(way,))
    assert largest_error_s(plan) < TOLERANCE_S


def test_fermatas_longer_than_a_tempo_can_be() -> None:
    # Three bytes hold 16.8 s a quarter at most (SMF 1.0).
    holds = (Hold(Place(2, Fraction(3)), 60.0), Hold(Place(4), 1.7, before=True))
    plan = plan_of(8, parse_metre("3/8 in 3"), holds=holds)
    assert largest_error_s(plan) < TOLERANCE_S


@st.composite
def plans(draw: st.DrawFn) -> GuidePlan:
    names = ["4/4", "3/4", "6/8", "7/8 (2+2+3)", "5/8", "cut", "9/16"]
    runs = draw(
        st.lists(st.tuples(st.sampled_from(names), st.integers(1, 40)), min_size=1, max_size=6)
    )
    metres = [parse_metre(name) for name, count in runs for _ in range(count)]
    bars = [Bar(number, metre, metre.length) for number, metre in enumerate(metres, start=1)]
    if draw(st.booleans()):
        whole = bars[0].metre
        short = min(
            draw(st.sampled_from([Fraction(1, 16), Fraction(1, 8), Fraction(1, 6)])),
            whole.length / 2,
        )
        bars.insert(0, Bar(0, whole, short, whole.length - short))
    places = st.integers(1, len(metres)).map(Place)
    tempi = st.floats(30, 300).map(Tempo)
    steps = [
        TempoChange(at, tempo) for at, tempo in draw(st.lists(st.tuples(places, tempi), max_size=6))
    ]
    ramp = TempoChange(
        Place(1), draw(tempi), Place(len(metres), Fraction(3, 2)), draw(st.sampled_from(Law))
    )
    steps.sort(key=lambda change: change.at.bar)
    return GuidePlan(
        title="Title",
        bars=tuple(bars),
        sections=(PlanSection("A"),),
        tempo=draw(tempi),
        changes=(ramp, *steps) if draw(st.booleans()) else tuple(steps),
        holds=tuple(
            Hold(at, seconds, before=before)
            for at, seconds, before in draw(
                st.lists(st.tuples(places, st.floats(0.01, 20), st.booleans()), max_size=4)
            )
        ),
        count_in=CountIn(draw(st.integers(0, 3))),
        sound=GuideSound(signature=draw(st.booleans())),
    )


@settings(deadline=None, max_examples=15, phases=(Phase.explicit, Phase.generate))
@given(plans())
def test_every_beat_of_any_plan_is_within_a_millisecond(plan: GuidePlan) -> None:
    assert largest_error_s(plan) < TOLERANCE_S


def test_divided_beats_and_practice_versions() -> None:
    plan = at_speed(plan_of(40, sections=(PlanSection("A", Clicks.THIRDS),)), 0.8)
    guide = time_plan(plan).map
    found = clicks_of(written(plan))
    for at_s, click in zip(found, guide.clicks, strict=True):
        assert at_s == pytest.approx(click.guide_s, abs=TOLERANCE_S)


def test_sections_and_metres_are_at_their_bars() -> None:
    three = parse_metre("3/4")
    bars = (
        Bar(0, FOUR, Fraction(1, 4), Fraction(3, 4)),
        Bar(1, FOUR, FOUR.length),
        Bar(2, three, three.length, section=1),
    )
    plan = plan_of(1, bars=bars, sections=(PlanSection("Intro"), PlanSection("Święto")))
    guide = time_plan(plan).map
    rows = played(written(plan))
    marks = {message.text: at_s for at_s, message in rows if message.type == "marker"}
    assert marks == {mark.name: pytest.approx(mark.guide_s, abs=1e-3) for mark in guide.marks}
    metres = [
        (message.numerator, message.denominator)
        for _, message in rows
        if message.type == "time_signature"
    ]
    # What comes before and a bar of the count-in; the bar that the upbeat completes; the upbeat.
    assert metres == [(4, 4), (3, 4), (1, 4), (4, 4), (3, 4)]


def test_clicks_are_on_channel_10_and_the_one_is_stronger() -> None:
    notes = [message for _, message in played(written(plan_of(2))) if message.type == "note_on"]
    assert {message.channel for message in notes} == {9}
    assert [message.velocity for message in notes[:4]] == [120, 80, 80, 80]


def test_what_is_written_reads_back_as_a_score() -> None:
    plan = plan_of(12, parse_metre("6/8"), tempo=90.0)
    guide = time_plan(plan).map
    score = read_midi(write_midi(guide, plan), name="guide.mid")
    assert score.plan.title == "A piece"
    assert [bar.metre.name for bar in score.plan.bars] == ["4/4"] + ["6/8"] * 14


def test_a_map_of_another_plan_is_refused() -> None:
    plan = plan_of(4)
    guide = time_plan(plan).map
    with pytest.raises(ProductionError, match="24 beats, its plan 28"):
        write_midi(guide, replace(plan, bars=plan_of(5).bars))
