"""Moments: seconds, clocks, bars and beats, and what is said where they cannot be found."""

from __future__ import annotations

import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.production.captions import Caption, Section, time_captions, time_sections
from syncvid.production.moments import Moment, parse_moment
from syncvid.timeline import Bars, Beat, BeatMap
from tests.steady import steady_beats

# Two bars of count-in from guide second 1, bars 1 to 8 of four beats at 120: a beat is half a
# second, bar 1 begins at guide second 5.
BEATS = steady_beats(bars=8, beats_in_bar=4, tempo_bpm=120, count_in_bars=2, start_s=1.0)
BARS = Bars(BEATS, 100.0)


@pytest.mark.parametrize(
    ("written", "at_s"),
    [
        (12.5, 12.5),
        (0, 0.0),
        (-2, -2.0),
        ("12.5", 12.5),
        ("1:05.5", 65.5),
        ("0:07", 7.0),
        ("61:00", 3660.0),
        ("1:02:03.25", 3723.25),
        ("bar 1", 105.0),
        ("Bar 3", 109.0),
        ("bar 3 beat 3", 110.0),
        ("bar 3, beat 3", 110.0),
        ("bar 3 beat 2.5", 109.75),
        # The last beat lasts as long as the one before it.
        ("bar 8 beat 4.5", 120.75),
        # The count-in: bars -1 and 0.
        ("bar 0", 103.0),
        ("bar -1 beat 2", 101.5),
    ],
)
def test_moments_are_found(written: object, at_s: float) -> None:
    assert parse_moment(written).at_s(BARS) == pytest.approx(at_s, abs=1e-9)


@pytest.mark.parametrize(
    "written",
    [
        *["", "bar", "bar 9.5", "bars 9", "beat 3", "1:75", "soon"],
        *[True, None, float("nan"), [1], datetime.time(1, 5, 30)],
    ],
)
def test_what_is_no_moment_is_told_with_how_to_write_one(written: object) -> None:
    with pytest.raises(ProductionError, match=r"is no moment\. Write seconds \(12\.5\), a clock"):
        parse_moment(written)


@given(st.floats(0, 36000), st.integers(0, 3))
def test_a_clock_says_what_its_seconds_say(seconds: float, decimals: int) -> None:
    minutes, rest = divmod(round(seconds, decimals), 60)
    written = f"{int(minutes)}:{rest:0{3 + decimals if decimals else 2}.{decimals}f}"
    if not written.endswith("60" + ".000"[: decimals + 1 if decimals else 0]):
        at_s = parse_moment(written).at_s(None)
        assert at_s == pytest.approx(seconds, abs=0.51 * 10**-decimals)


@given(st.integers(-1, 8), st.integers(1, 4))
def test_what_a_moment_is_called_can_be_read_again(bar: int, beat: int) -> None:
    moment = Moment(None, bar, float(beat))
    assert parse_moment(str(moment)) == moment


def test_tempo_changes_are_followed() -> None:
    bars = Bars(BeatMap((Beat(1, 1, 0.0), Beat(1, 2, 1.0), Beat(2, 1, 1.5), Beat(2, 2, 2.0))), 10.0)
    assert bars.at_s(1, 2.5) == 11.25
    assert bars.at_s(2) == bars.end_s(1) == 11.5
    assert bars.end_s(2) == 12.5


def test_a_bar_that_is_played_twice_is_meant_the_first_time() -> None:
    beats = tuple(Beat(bar, 1, float(i)) for i, bar in enumerate([1, 2, 1, 2, 3]))
    bars = Bars(BeatMap(beats), 0.0)
    assert [bars.at_s(bar) for bar in (1, 2, 3)] == [0.0, 1.0, 4.0]
    assert bars.end_s(2) == 2.0


@pytest.mark.parametrize(
    ("written", "bars", "message"),
    [
        ("bar 9", BARS, "There is no bar 9: the guide has bars -1 to 8."),
        ("bar 3 beat 5", BARS, "Bar 3 has no beat 5: its beats are 1 to 4."),
        ("bar 3 beat 0.5", BARS, "Bar 3 has no beat 0.5"),
        (
            "bar 3",
            Bars(BEATS, None),
            "Bar 3 cannot be found: the guide's place on the mix is not known. Write seconds",
        ),
        ("bar 3 beat 2", None, "Bar 3 beat 2 cannot be found: no guide with a beat map is known."),
        ("bar 1", Bars(BeatMap(()), 0.0), "There is no bar 1: none is known."),
    ],
)
def test_bars_that_cannot_be_found_say_why(written: str, bars: Bars | None, message: str) -> None:
    with pytest.raises(ProductionError) as caught:
        parse_moment(written).at_s(bars)
    assert message in str(caught.value)


def test_seconds_need_no_bars() -> None:
    assert parse_moment(3.5).at_s(None) == 3.5


def test_captions_and_sections_come_in_the_order_of_time() -> None:
    captions = [
        Caption(parse_moment("bar 3"), parse_moment("bar 5"), "two"),
        Caption(parse_moment(1.0), parse_moment(2.0), "one", show=True),
    ]
    found = time_captions(captions, BARS)
    assert [(c.from_s, c.to_s, c.text, c.show) for c in found] == [
        (1.0, 2.0, "one", True),
        (109.0, 113.0, "two", False),
    ]
    sections = [Section("B", parse_moment("bar 5")), Section("A", parse_moment("bar 1"))]
    assert [(s.name, s.from_s) for s in time_sections(sections, BARS)] == [
        ("A", 105.0),
        ("B", 113.0),
    ]


def test_a_caption_that_ends_before_it_begins_is_named() -> None:
    caption = Caption(parse_moment("bar 3"), parse_moment(5), "backwards")
    with pytest.raises(ProductionError, match=r"end \(5 s\) before it begins \(bar 3\)") as caught:
        time_captions([caption], BARS)
    assert "caption 'backwards'" in str(caught.value)


def test_a_section_whose_bar_cannot_be_found_is_named() -> None:
    with pytest.raises(ProductionError, match=r"There is no bar 70.*\(section 'Coda'\)"):
        time_sections([Section("Coda", parse_moment("bar 70"))], BARS)
