"""Takes of one part in one mix: spliced takes share no time, doublings stay."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.production.results import Finding
from syncvid.sync.hearing import Heard, hear
from syncvid.sync.overlaps import _first_frame, _joint, _sound_together, resolve_takes
from syncvid.sync.presence import HOP_S
from syncvid.sync.spans import Located, Run
from syncvid.timeline import Placement, Span
from tests.sync.ensemble import band, melody, on_phone, play, without

LENGTH_S = 40.0
HEAD_S = 1.5


@cache
def takes() -> tuple[Audio, Audio]:
    """Return two performances of the same notes by the same player."""
    rng = np.random.default_rng(51)
    notes = melody(rng, LENGTH_S)
    return play(rng, notes, LENGTH_S), play(rng, notes, LENGTH_S)


@cache
def others() -> Audio:
    return np.sum(band(np.random.default_rng(52), LENGTH_S, parts=2), axis=0, dtype=np.float32)


@cache
def clips() -> tuple[Heard, Heard]:
    rng = np.random.default_rng(53)
    first, second = takes()
    return (
        hear(on_phone(rng, first), name="first"),
        hear(on_phone(rng, second, head_s=HEAD_S), name="second"),
    )


def found(*spans: tuple[float, float], offset_s: float = 0.0) -> Finding:
    """Return a finding with spans that are given in reference seconds."""
    return Finding(
        "sure",
        0.9,
        "",
        offset_s,
        0.0,
        "mix",
        tuple(Span(from_s - offset_s, to_s - offset_s, offset_s) for from_s, to_s in spans),
    )


def in_mix(finding: Finding) -> list[tuple[float, float]]:
    return [
        (span.clip_from_s + span.offset_s, span.clip_to_s + span.offset_s) for span in finding.spans
    ]


def settle(mix: Audio, *findings: Finding) -> list[Finding]:
    return resolve_takes(findings, clips()[: len(findings)], hear(mix, name="mix"))


def spliced(*second: tuple[float, float]) -> Audio:
    """Return a mix that holds the second take in some stretches and the first elsewhere."""
    first_take, second_take = takes()
    only_second = second_take - without(second_take, *second)
    return (without(first_take, *second) + only_second + others()).astype(np.float32)


@pytest.mark.parametrize("border_s", [14.0, 20.03, 27.5])
def test_two_spliced_takes_share_no_time_and_meet_at_the_splice(border_s: float) -> None:
    mix = spliced((border_s, LENGTH_S))
    # Both were thought to go on for some seconds beyond the splice.
    one, other = settle(
        mix, found((0.0, border_s + 4)), found((border_s - 4, LENGTH_S), offset_s=-HEAD_S)
    )
    (first,), (second,) = in_mix(one), in_mix(other)
    assert first[1] == pytest.approx(border_s, abs=0.25)
    assert second[0] == pytest.approx(border_s, abs=0.25)
    assert first[1] <= second[0] + 1e-6
    assert first[0] == pytest.approx(0.0, abs=0.25)
    assert second[1] == pytest.approx(LENGTH_S, abs=0.25)


def test_a_stretch_of_the_other_take_leaves_two_spans_around_it() -> None:
    one, other = settle(
        spliced((15.0, 25.0)), found((0.0, LENGTH_S)), found((13.0, 28.0), offset_s=-HEAD_S)
    )
    (before, after), (inside,) = in_mix(one), in_mix(other)
    assert inside == pytest.approx((15.0, 25.0), abs=0.25)
    assert before[1] <= inside[0] + 1e-6
    assert inside[1] <= after[0] + 1e-6
    # All but the spans is left as it was.
    assert replace(one, spans=()) == replace(found((0.0, LENGTH_S)), spans=())


def test_a_doubling_at_equal_strength_stays_as_it_is() -> None:
    first, second = takes()
    given = [found((0.0, LENGTH_S)), found((0.0, LENGTH_S), offset_s=-HEAD_S)]
    assert settle((first + second + others()).astype(np.float32), *given) == given


def test_takes_without_spans_are_left_alone() -> None:
    nothing = Finding("none", 0.8, "")
    given = [found((0.0, LENGTH_S)), nothing]
    assert settle(spliced((20.0, LENGTH_S)), *given) == given
    assert settle(others(), nothing, nothing) == [nothing, nothing]
    assert settle(others()) == []


def located(first_frame: int, gains: list[list[float]]) -> Located:
    """Return what `locate` says of a clip that begins at some frame of the reference."""
    rows = np.array(gains)
    count = rows.shape[1]
    return Located(
        tuple(Placement(float(n)) for n in range(len(rows))),
        (Run(0, count, 0),),
        (first_frame + np.arange(count) + 0.5) * HOP_S,
        rows,
        np.full(count, 5.0),
    )


@pytest.mark.parametrize("first_frame", [0, 1, 2, 3, 50, 51, 1001])
def test_frames_have_the_numbers_of_the_grid(first_frame: int) -> None:
    """The middle of frame k lies at k + 1/2 hops, which rounding would send to either side."""
    assert _first_frame(located(first_frame, [[1.0]])) == first_frame


def test_clips_that_begin_at_different_frames_are_laid_side_by_side() -> None:
    joint = _joint([located(2, [[9.0] * 30]), located(21, [[20.0] * 30, [-9.0] * 30])])
    assert joint.gains.shape == (3, 49)
    np.testing.assert_allclose(joint.times_s, (2.5 + np.arange(49)) * HOP_S)
    assert joint.gains[0].tolist() == [9.0] * 30 + [-3.0] * 19
    assert joint.gains[1].tolist() == [-3.0] * 19 + [20.0] * 30
    assert joint.runs == (Run(0, 19, 0), Run(19, 49, 1))


@pytest.mark.parametrize(
    ("strength", "start", "together"),
    [(6.0, 0, True), (4.0, 0, False), (10.0, 11, True), (10.0, 13, False), (25.0, 0, False)],
    ids=["as strong", "too weak", "mostly shared", "hardly shared", "too strong"],
)
def test_together_are_clips_that_share_most_frames_at_like_strength(
    strength: float, start: int, together: bool
) -> None:
    """Of 30 frames 19 and 17 are shared, of which 60 % is 18; half of 10 is 5."""
    one, other = located(5, [[10.0] * 30]), located(5 + start, [[strength] * 30])
    assert _sound_together(one, other) is together
    assert _sound_together(other, one) is together
