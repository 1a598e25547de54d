"""Which take a tile shows when: splices, moved and stretched phrases, dropped samples."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncvid.arrays import Floats
from syncvid.picture.following import (
    BESIDE_S,
    SHORTEST_S,
    Loudness,
    Shot,
    Take,
    follow,
    heard_together_s,
)
from syncvid.timeline import Placement, Span

LENGTH_S = 100.0


def take(
    *heard: tuple[float, float],
    offset_s: float = 0.0,
    offsets_s: tuple[float, ...] = (),
    loudness: Loudness | None = None,
    pictures_s: tuple[float, float] = (0.0, LENGTH_S),
) -> Take:
    """Return a take that is heard between reference seconds."""
    spans = tuple(
        Span(from_s - at, to_s - at, at)
        for (from_s, to_s), at in zip(heard, offsets_s or [offset_s] * len(heard), strict=True)
    )
    place = Placement(offset_s)
    return Take(place, (0.0, LENGTH_S), pictures_s, spans, loudness=loudness)


def rests(*between: tuple[float, float]) -> Loudness:
    """Return the levels of a take that plays but for some clip seconds."""

    def levels(clip_s: Floats) -> Floats:
        quiet = np.zeros(clip_s.shape, np.bool_)
        for from_s, to_s in between:
            quiet |= (clip_s >= from_s) & (clip_s < to_s)
        return np.where(quiet, -40.0, 0.0)

    return levels


def told(shots: tuple[Shot, ...]) -> list[tuple[int, float, float, float]]:
    return [
        (s.take, round(s.placement.offset_s, 6), round(s.from_s, 3), round(s.to_s, 3))
        for s in shots
    ]


def test_a_take_without_spans_is_shown_on_its_place_from_end_to_end() -> None:
    assert told(follow([take(offset_s=-5.0)])) == [(0, -5.0, -5.0, 95.0)]
    late = replace(take(offset_s=-5.0), late_s=0.12, pictures_s=(0.5, 90.0))
    assert told(follow([late])) == [(0, -5.12, -4.62, 84.88)]


def test_a_spliced_take_is_shown_where_it_is_heard() -> None:
    first = take((0.0, 20.0), (30.0, 60.0), offset_s=-3.0)
    second = take((20.0, 30.0), offset_s=-8.0)
    assert told(follow([first, second])) == [
        (0, -3.0, -3.0, 20.0),
        (1, -8.0, 20.0, 30.0),
        (0, -3.0, 30.0, 97.0),
    ]


def test_the_cut_lies_in_the_breath_beside_the_splice() -> None:
    """Both breathe from 20.2 to 20.4 s; the splice, as sync tells it, lies at 20.0 s."""
    first = take((0.0, 20.0), offset_s=-3.0, loudness=rests((23.2, 23.4)))
    second = take((20.0, 60.0), offset_s=-8.0, loudness=rests((28.2, 28.4)))
    cut_s = follow([first, second])[1].from_s
    assert 20.2 - 1e-6 <= cut_s <= 20.4
    # A breath of one of them alone helps nobody, and one that is too far away is not taken.
    second = take((20.0, 60.0), offset_s=-8.0, loudness=rests())
    assert follow([first, second])[1].from_s == pytest.approx(20.0)
    first = take((0.0, 20.0), offset_s=-3.0, loudness=rests((22.0, 22.4)))
    second = take((20.0, 60.0), offset_s=-8.0, loudness=rests((27.0, 27.4)))
    assert follow([first, second])[1].from_s == pytest.approx(20.0)


def test_a_moment_beside_the_splice_must_be_clearly_quieter() -> None:
    for by_db, cut_s in ((2.0, 20.0), (6.0, 20.3)):

        def levels(reference_s: Floats, by_db: float = by_db) -> Floats:
            return np.where(np.abs(reference_s - 20.35) < 0.05, -by_db, 0.0)

        first = take((0.0, 20.0), loudness=levels)
        second = take((20.0, 60.0), loudness=levels)
        assert follow([first, second])[1].from_s == pytest.approx(cut_s, abs=0.02)


def test_a_cut_leaves_enough_of_what_is_short() -> None:
    """What is heard for 0.8 s has a breath at both of its ends; the cuts may not both move in."""
    breaths = rests((20.15, 20.25), (20.55, 20.65))
    first = take((0.0, 20.0), (20.8, 60.0), loudness=breaths)
    second = take((20.0, 20.8), loudness=breaths)
    assert follow([first, second])[1].length_s >= SHORTEST_S


def test_in_a_rest_of_both_the_cut_lies_in_the_middle() -> None:
    """Nothing is heard from 28 to 32 s; both takes play along until 29 s in their own rooms."""
    first = take((0.0, 28.0), loudness=rests((29.0, 40.0)))
    second = take((32.0, 60.0), offset_s=10.0, loudness=rests((19.0, 30.0)))
    assert follow([first, second])[1].from_s == pytest.approx(30.0)
    second = take((32.0, 60.0), offset_s=10.0, loudness=rests((21.0, 30.0)))
    assert follow([first, second])[1].from_s == pytest.approx(31.0, abs=0.011)


def test_a_moved_phrase_is_shown_where_it_was_moved_to() -> None:
    """The mix has clip seconds 20 to 26 a quarter of a second later than the rest."""
    moved = take((0.0, 20.0), (20.25, 26.25), (26.25, 90.0), offsets_s=(0.0, 0.25, 0.0))
    shots = follow([moved], dissolve_s=0.25)
    assert told(shots) == [
        (0, 0.0, 0.0, 20.125),
        (0, 0.25, 20.125, 26.25),
        (0, 0.0, 26.25, 100.0),
    ]
    assert [shot.dissolve_s for shot in shots] == [0.0, 0.25, 0.25]


def test_a_stretched_phrase_is_followed_at_its_own_speed_without_a_cut() -> None:
    """From 10 s on a phrase of 5 s takes 5.5 s; what follows is half a second later."""
    spans = (Span(0.0, 10.0, 0.0), Span(10.0, 15.0, -1.0, 1e5), Span(15.0, 60.0, 0.5))
    shots = follow([Take(Placement(0.0), (0.0, 60.0), (0.0, 60.0), spans)], dissolve_s=0.25)
    assert [(round(s.from_s, 6), s.dissolve_s) for s in shots] == [(0, 0), (10.0, 0), (15.5, 0)]
    assert shots[1].placement.to_clip(12.2) == pytest.approx(12.0)
    for before, after in pairwise(shots):
        at_s = after.from_s
        assert before.placement.to_clip(at_s) == pytest.approx(after.placement.to_clip(at_s))


def test_dropped_samples_are_followed_at_their_time_without_a_cut() -> None:
    """A phone that loses 5 ms every ten seconds; the quiet moment near by does not matter."""
    heard = tuple((10.0 * k, 10.0 * (k + 1)) for k in range(5))
    steps = take(*heard, offsets_s=tuple(0.005 * k for k in range(5)), loudness=rests((10.1, 10.4)))
    shots = follow([steps], dissolve_s=0.25)
    assert [round(shot.from_s, 6) for shot in shots] == [0.0, 10.0, 20.0, 30.0, 40.0]
    assert [round(shot.placement.offset_s, 3) for shot in shots] == [0.0, 0.005, 0.01, 0.015, 0.02]
    assert all(shot.dissolve_s == 0 for shot in shots)


def test_a_hole_between_spans_of_one_place_is_no_cut() -> None:
    assert told(follow([take((0.0, 20.0), (21.0, 40.0), (55.0, 90.0))])) == [(0, 0.0, 0.0, 100.0)]


def test_what_is_too_short_for_a_picture_of_its_own_gets_none() -> None:
    first = take((0.0, 20.0), (20.6, 60.0))
    second = take((20.0, 20.6), offset_s=-8.0)
    assert told(follow([first, second])) == [(0, 0.0, 0.0, 100.0)]
    second = take((20.0, 20.8), offset_s=-8.0)
    first = take((0.0, 20.0), (20.8, 60.0))
    assert [shot.take for shot in follow([first, second])] == [0, 1, 0]


def test_a_take_is_shown_no_further_than_its_pictures_go() -> None:
    first = take((0.0, 20.0), pictures_s=(0.0, 19.0))
    second = take((20.0, 60.0), offset_s=-8.0)
    assert told(follow([first, second])) == [(0, 0.0, 0.0, 19.0), (1, -8.0, 20.0, 92.0)]
    first = take((0.0, 20.0), pictures_s=(0.0, 20.05))
    shots = follow([first, second], dissolve_s=0.25)
    assert shots[1].dissolve_s == pytest.approx(0.1), "the older picture ends at 20.05 s"
    assert follow([first, second])[1].dissolve_s == 0.0
    late = take((20.0, 60.0), offset_s=-8.0, pictures_s=(27.93, 90.0))
    shots = follow([take((0.0, 20.0)), late], dissolve_s=0.25)
    assert shots[1].dissolve_s == pytest.approx(0.14), "the newer picture begins at 19.93 s"


def test_takes_heard_at_once_are_known() -> None:
    spliced = take((0.0, 20.0), (30.0, 60.0))
    assert heard_together_s(spliced, take((19.5, 30.2), offset_s=-4.0)) == pytest.approx(0.5)
    assert heard_together_s(spliced, take(offset_s=20.0)) == pytest.approx(30.0)


@st.composite
def spliced(draw: st.DrawFn) -> tuple[list[Take], list[tuple[float, float, int, float]]]:
    """Return takes between which a mix changes, and (from, to, take, offset) of what is heard."""
    lengths = draw(st.lists(st.floats(2.0, 20.0), min_size=1, max_size=6))
    holes = draw(st.lists(st.sampled_from([0.0, 0.3, 2.0]), min_size=6, max_size=6))
    offsets = [-40.0, -55.5, -40.25, -40.012]
    heard, at_s = [], 0.0
    for length, hole in zip(lengths, holes, strict=False):
        line = draw(st.integers(0, 3))
        heard.append((at_s, at_s + length, int(line == 1), offsets[line]))
        at_s += length + hole
    quiet = draw(st.lists(st.floats(0.0, 200.0), max_size=8))
    loudness = rests(*((q, q + 0.3) for q in quiet))
    takes = [
        Take(
            Placement(offsets[number]),
            (0.0, 300.0),
            (0.0, 300.0),
            tuple(
                Span(a - offset, b - offset, offset) for a, b, of, offset in heard if of == number
            ),
            loudness=loudness,
        )
        for number in range(2)
    ]
    used = {of for _, _, of, _ in heard}
    return [t for number, t in enumerate(takes) if number in used], [
        (a, b, sorted(used).index(of), offset) for a, b, of, offset in heard
    ]


@given(spliced(), st.floats(0.0, 1.0))
def test_the_tile_shows_what_is_heard(
    case: tuple[list[Take], list[tuple[float, float, int, float]]], dissolve_s: float
) -> None:
    takes, heard = case
    shots = follow(takes, dissolve_s=dissolve_s)
    for before, after in pairwise(shots):
        assert before.to_s == after.from_s, "no hole where there are pictures, and no overlap"
        assert after.dissolve_s <= min(dissolve_s, before.length_s, after.length_s)
        jump_s = abs(before.placement.to_clip(after.from_s) - after.placement.to_clip(after.from_s))
        if before.take == after.take and jump_s < 0.02:
            assert after.dissolve_s == 0.0
    assert all(shot.length_s >= SHORTEST_S for shot in shots)
    assert shots[0].from_s <= heard[0][0]
    assert shots[-1].to_s >= heard[-1][1]
    for from_s, to_s, of, offset_s in heard:
        for at_s in np.linspace(from_s + BESIDE_S, to_s - BESIDE_S, 7)[1:-1]:
            (now,) = [s for s in shots if s.from_s <= at_s < s.to_s]
            assert (now.take, now.placement.offset_s) == (of, offset_s)
