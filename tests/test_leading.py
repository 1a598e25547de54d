"""Who leads, on activities with planted solos."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncvid.listen.activity import HOP_S, Activity
from syncvid.listen.leading import propose_leads
from syncvid.timeline import Lead

LENGTH_S = 60.0


def part(
    *solos: tuple[float, float],
    notes_hz: float = 1.0,
    solo_hz: float = 1.0,
    louder_db: float = 0.0,
    plays: tuple[float, float] = (0.0, LENGTH_S),
    level_db: float = 0.0,
) -> Activity:
    """Return what a part does that plays evenly, but louder or busier in its solos."""
    times_s = np.arange(0.0, LENGTH_S, HOP_S)
    solo = np.zeros(times_s.size, np.bool_)
    for from_s, to_s in solos:
        solo |= (times_s >= from_s) & (times_s < to_s)
    playing = (times_s >= plays[0]) & (times_s < plays[1])
    counted = np.floor(np.cumsum(np.where(solo, solo_hz, notes_hz) * HOP_S) + 1e-9)
    attacks = (np.diff(counted, prepend=0.0) > 0) & playing
    levels_db = np.where(playing, level_db + louder_db * solo, -60.0)
    return Activity(0.0, HOP_S, levels_db, playing, attacks)


def told(leads: tuple[Lead, ...]) -> list[tuple[int, float, float]]:
    return [(lead.voice, round(lead.from_s, 3), round(lead.to_s, 3)) for lead in leads]


def test_the_part_that_comes_out_leads() -> None:
    parts = [
        part((0.0, 20.0), louder_db=5.0),
        part((40.0, 60.0), louder_db=5.0),
        part((20.0, 40.0), louder_db=5.0),
    ]
    leads = propose_leads(parts)
    assert [lead.voice for lead in leads] == [0, 2, 1]
    assert [lead.from_s for lead in leads] == pytest.approx([0.0, 20.0, 40.0], abs=1.0)
    barred = propose_leads(parts, beats=np.arange(0.0, 61.0, 2.0).tolist())
    assert told(barred) == [(0, 0.0, 20.0), (2, 20.0, 40.0), (1, 40.0, 60.0)]


def test_the_part_that_moves_leads() -> None:
    parts = [part((0.0, 30.0), solo_hz=3.0), part((30.0, 60.0), solo_hz=3.0)]
    leads = propose_leads(parts)
    assert [lead.voice for lead in leads] == [0, 1]
    assert leads[1].from_s == pytest.approx(30.0, abs=2.0)


def test_a_drone_does_not_lead_by_being_loud() -> None:
    drone = part((20.0, 60.0), notes_hz=0.1, solo_hz=0.1, louder_db=1.0)
    assert {lead.voice for lead in propose_leads([drone, part(notes_hz=1.5)])} == {1}


@pytest.mark.parametrize("level_db", [-30.0, 0.0, 12.0])
def test_how_loud_a_phone_recorded_does_not_matter(level_db: float) -> None:
    solos = [part((0.0, 30.0), louder_db=5.0), part((30.0, 60.0), louder_db=5.0)]
    other = part((30.0, 60.0), louder_db=5.0, level_db=level_db)
    assert propose_leads([solos[0], other]) == propose_leads(solos)


def test_a_part_that_enters_leads_and_nobody_leads_who_rests() -> None:
    late = part(plays=(24.0, 50.0))
    leads = propose_leads([part(plays=(0.0, 23.0)), late])
    assert [lead.voice for lead in leads] == [0, 1]
    assert leads[1].from_s == pytest.approx(24.0, abs=1.0)
    assert leads[-1].to_s == pytest.approx(50.0, abs=HOP_S)
    entering = propose_leads([part(), part(plays=(30.0, 60.0))])
    assert entering[0].voice == 0
    assert any(lead.voice == 1 and abs(lead.from_s - 30.0) < 1.0 for lead in entering)


def test_a_part_that_rests_leads_no_more_than_one_that_plays_softly() -> None:
    resting = part(plays=(0.0, 20.0))
    soft = part((0.0, 20.0), (40.0, 60.0), louder_db=6.0)
    assert told(propose_leads([resting, soft])) == [(1, 0.0, 60.0)]


def test_a_change_goes_to_a_bar_line() -> None:
    strong = [part((0.0, 20.0), louder_db=5.0), part((20.0, 60.0), louder_db=5.0)]
    assert propose_leads(strong, beats=[0.0, 10.1, 20.3, 30.5])[1].from_s == 20.3
    # Where neither stands out much a bar line that lies further away will do.
    weak = [part((0.0, 20.0), louder_db=1.0), part((20.0, 60.0), louder_db=1.0)]
    assert propose_leads(weak, beats=[0.0, 9.0, 19.0, 29.0])[1].from_s == 19.0


def test_where_all_is_equal_the_upper_part_leads() -> None:
    assert told(propose_leads([part(), part(), part()])) == [(0, 0.0, 60.0)]


def test_nobody_leads_for_a_moment_only() -> None:
    assert told(propose_leads([part(), part((30.0, 31.5), louder_db=3.0)])) == [(0, 0.0, 60.0)]
    parts = [part((0.0, 30.0), (34.0, 60.0), louder_db=6.0), part((30.0, 34.0), louder_db=9.0)]
    for least_s in (2.0, 6.0, 9.0):
        (_, lead, _) = propose_leads(parts, least_s=least_s)
        assert lead.voice == 1
        assert lead.to_s - lead.from_s >= least_s


def test_silence_has_no_leads() -> None:
    assert propose_leads([]) == ()
    assert propose_leads([part(plays=(0.0, 0.0))]) == ()


@settings(max_examples=40)
@given(st.integers(0, 10_000), st.floats(1.0, 12.0), st.booleans())
def test_leads_follow_each_other_without_holes_and_none_is_too_short(
    seed: int, least_s: float, barred: bool
) -> None:
    rng = np.random.default_rng(seed)
    parts = []
    for _ in range(int(rng.integers(1, 5))):
        solos = [(at, at + rng.uniform(1, 15)) for at in rng.uniform(0, 55, 3)]
        plays = (float(rng.uniform(0, 20)), float(rng.uniform(30, 60)))
        loud, busy = float(rng.uniform(0, 8)), float(rng.uniform(0.5, 4))
        parts.append(part(*solos, louder_db=loud, solo_hz=busy, plays=plays))
    beats = np.arange(0.3, 60.0, 1.7).tolist() if barred else None
    leads = propose_leads(parts, least_s=least_s, beats=beats)
    assert all(a.to_s == b.from_s and a.voice != b.voice for a, b in pairwise(leads))
    # A change may move to a bar line near by.
    assert all(b.to_s - b.from_s >= least_s * 0.3 for b in leads)
    assert all(b.to_s - b.from_s >= least_s - 1.5 for b in leads)
    assert leads[0].from_s == pytest.approx(min(p.enters_s() or 99.0 for p in parts), abs=1e-6)
