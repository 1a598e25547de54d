"""Clocks and rounding.  Check values by id from the project's table of standards."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.errors import SyncvidError
from syncvid.timeline import (
    Beat,
    BeatMap,
    Placement,
    clock_text,
    first_picture_from,
    middle_of_picture_s,
    parse_frame_rate,
    picture_start_s,
    pictures_to_cover,
    to_samples,
)

PLACES = st.builds(
    Placement,
    offset_s=st.floats(-600, 600),
    drift_ppm=st.floats(-1000, 1000),
)


def test_a_positive_offset_means_that_the_clip_starts_after_the_reference() -> None:
    assert Placement(offset_s=3.0).to_reference(0.0) == 3.0
    assert Placement(offset_s=3.0).to_clip(10.0) == 7.0


def test_a_positive_drift_means_that_a_clip_second_lasts_longer_than_a_reference_second() -> None:
    # Arithmetic: 50 millionths over 4 minutes are 12.0 ms.
    gained_s = Placement(0.0, drift_ppm=50.0).to_reference(240.0) - 240.0
    assert gained_s == pytest.approx(0.0120, abs=1e-9)


@given(PLACES, st.floats(-3600, 3600))
def test_to_clip_undoes_to_reference(place: Placement, clip_s: float) -> None:
    assert place.to_clip(place.to_reference(clip_s)) == pytest.approx(clip_s, abs=1e-8)


@pytest.mark.parametrize(
    ("text", "rate"),
    [
        # SMPTE ST 12-1: 29.97 and its kin are 30000/1001 and so on.
        ("29.97", Fraction(30000, 1001)),
        ("23.976", Fraction(24000, 1001)),
        ("59.94", Fraction(60000, 1001)),
        ("30000/1001", Fraction(30000, 1001)),
        (30, Fraction(30)),
        ("12.5", Fraction(25, 2)),
    ],
)
def test_picture_rates_are_exact(text: str | int, rate: Fraction) -> None:
    assert parse_frame_rate(text) == rate


@pytest.mark.parametrize("text", ["", "x", "0", "-30", "1/0", "241", "nan"])
def test_what_is_no_picture_rate_is_refused(text: str) -> None:
    with pytest.raises(SyncvidError, match="picture rate"):
        parse_frame_rate(text)


def test_a_picture_lasts_1001_over_30000_seconds_at_the_broken_rate() -> None:
    # Definition: 33.36667 ms.
    rate = parse_frame_rate("29.97")
    assert picture_start_s(1, rate) == pytest.approx(0.0333666667, abs=1e-9)
    # Five of them are 8008 samples at 48 kHz.
    assert to_samples(picture_start_s(5, rate), 48_000) == 8008


def test_the_middle_of_a_picture_lies_half_a_picture_in() -> None:
    assert middle_of_picture_s(2, Fraction(25)) == pytest.approx(0.1)


@given(PLACES, PLACES, st.floats(-500, 500))
def test_one_placement_after_another(first: Placement, second: Placement, at_s: float) -> None:
    both = first.then(second).to_reference(at_s)
    assert abs(both - second.to_reference(first.to_reference(at_s))) < 1e-6
    assert abs(first.inverse().to_reference(first.to_reference(at_s)) - at_s) < 1e-6


@given(st.floats(0.01, 7200), st.sampled_from(["24", "25", "29.97", "30", "60"]))
def test_enough_pictures_cover_a_duration_and_not_one_more(duration_s: float, text: str) -> None:
    rate = parse_frame_rate(text)
    count = pictures_to_cover(duration_s, rate)
    assert float(count / rate) >= duration_s - 2e-6
    assert count == 1 or float((count - 1) / rate) < duration_s


@given(st.floats(-60, 600), st.sampled_from(["25", "29.97", "60"]))
def test_the_first_picture_from_a_moment_has_its_middle_there_or_later(
    time_s: float, text: str
) -> None:
    rate = parse_frame_rate(text)
    index = first_picture_from(time_s, rate)
    assert middle_of_picture_s(index, rate) >= time_s - 1e-6
    assert middle_of_picture_s(index - 1, rate) < time_s


def test_clock_text_rounds_before_it_carries() -> None:
    # W3C WebVTT writes 59.9996 s as one minute: round, then carry.
    assert clock_text(59.9996, decimals=3) == "1:00.000"
    assert clock_text(-0.0001, decimals=1) == "0:00.0"


def test_a_beat_map_knows_the_beat_that_sounds() -> None:
    beats = BeatMap((Beat(0, 1, 0.0), Beat(1, 1, 2.0), Beat(1, 2, 2.5), Beat(2, 1, 3.0)))
    assert beats.at(-0.1) is None
    assert beats.at(2.4) == Beat(1, 1, 2.0)
    assert [beat.bar for beat in beats.bar_starts()] == [0, 1, 2]
    with pytest.raises(SyncvidError, match="follow each other"):
        BeatMap((Beat(1, 1, 1.0), Beat(1, 2, 1.0)))
