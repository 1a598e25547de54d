"""Scenes: who is seen when, changes slow enough, names that are there."""

from __future__ import annotations

import math
import re
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncvid.errors import ProductionError
from syncvid.picture.leads import follow
from syncvid.picture.pieces import Piece, Rect, Voice
from syncvid.picture.scenes import LEAST_SCENE_S, Scene, lay_out
from syncvid.production.layouts import Layout, ScenePlan, TileStyle
from syncvid.production.moments import Moment, parse_moment
from syncvid.timeline import Bars, Lead, Placement
from tests.steady import steady_beats

HD = (1920, 1080)
NAMES = ("Flute", "Oboe", "Violin", "Viola", "Cello")
GROUPS = ("Winds", "Winds", "Strings", "Strings", "Strings")


def voice(name: str, group: str = "", enters_s: float | None = None) -> Voice:
    piece = Piece(f"{name}.mov", Path(f"{name}.mov"), Placement(0.0), 0.0, 60.0, (1920, 1080))
    return Voice(f"{name} · Ines", name, (piece,), group, enters_s)


VOICES = tuple(voice(name, group) for name, group in zip(NAMES, GROUPS, strict=True))


def scenes_of(
    *plans: ScenePlan, leads: tuple[Lead, ...] = (), beats: Bars | None = None
) -> tuple[Scene, ...]:
    return lay_out(VOICES, Layout("mine", scenes=plans), size=HD, leads=leads, beats=beats)[0]


def at(seconds: float) -> Moment:
    return Moment(seconds)


def seen(scene: Scene) -> list[str]:
    return [NAMES[place.voice] for place in scene.places]


def largest(scene: Scene) -> str:
    return NAMES[max(scene.places, key=lambda p: p.rect.width * p.rect.height).voice]


def test_without_scenes_the_top_of_the_file_holds_for_ever() -> None:
    (scene,) = scenes_of()
    assert (scene.from_s, scene.to_s) == (-math.inf, math.inf)
    assert seen(scene) == list(NAMES)
    assert scene.dissolve_s == 0.0


def test_a_scene_lasts_to_the_next_one() -> None:
    first, second, third = scenes_of(
        ScenePlan(at(10.0), "full", lead="Viola"),
        ScenePlan(parse_moment("0:20"), "facing", pair=("Cello", "Flute"), caption="Duo"),
    )
    assert [(s.from_s, s.to_s) for s in (first, second, third)] == [
        (-math.inf, 10.0),
        (10.0, 20.0),
        (20.0, math.inf),
    ]
    assert second.places[0].rect == Rect(0, 0, *HD)
    assert seen(second) == ["Viola"]
    # The first of the pair stands on the left.
    assert {NAMES[p.voice]: p.rect.x > 0 for p in third.places} == {"Cello": False, "Flute": True}
    assert (third.caption, third.dissolve_s) == ("Duo", 0.4)


def test_bars_are_found_by_the_guide() -> None:
    # Bar 5 of four beats at 120, no count-in: guide second 8; the guide lies at 1.5.
    beats = steady_beats(bars=8, beats_in_bar=4, tempo_bpm=120, count_in_bars=0)
    plan = ScenePlan(parse_moment("bar 5"), "full")
    assert scenes_of(plan, beats=Bars(beats, 1.5))[1].from_s == 9.5
    with pytest.raises(
        ProductionError, match=r"guide's place on the mix.*\(layout mine, scene 1\)"
    ):
        scenes_of(plan, beats=Bars(beats, None))


def test_a_scene_from_the_beginning_takes_the_place_of_the_top() -> None:
    scenes, warnings = lay_out(
        VOICES, Layout("mine", "follow", scenes=(ScenePlan(at(0.0), "full"),)), size=HD
    )
    assert [(s.from_s, s.to_s) for s in scenes] == [(-math.inf, math.inf)]
    assert warnings == ()


def test_parts_are_chosen_by_part_label_or_group() -> None:
    for parts, expected in [
        (("cello", "FLUTE"), ["Flute", "Cello"]),
        (("Strings",), ["Violin", "Viola", "Cello"]),
        (("Oboe · Ines", "winds"), ["Flute", "Oboe"]),
        ((), list(NAMES)),
    ]:
        scene = scenes_of(ScenePlan(at(5.0), "rows", parts=parts))[-1]
        assert seen(scene) == expected


def test_a_part_wins_over_a_group_of_the_same_name() -> None:
    voices = (voice("Solo", "Choir"), voice("Choir"))
    layout = Layout("mine", parts=("Choir",))
    (scene,), _ = lay_out(voices, layout, size=HD)
    assert [place.voice for place in scene.places] == [1]


def test_who_leads_is_seen_even_if_not_among_the_parts() -> None:
    scene = scenes_of(ScenePlan(at(5.0), "lead", parts=("Winds",), lead="Cello"))[1]
    assert seen(scene) == ["Flute", "Oboe", "Cello"]
    assert largest(scene) == "Cello"


@pytest.mark.parametrize("key", ["parts", "lead", "pair"])
def test_a_name_that_nobody_bears_is_told_with_the_closest(key: str) -> None:
    value = "Violon" if key == "lead" else ("Violon", "Cello")
    plan = ScenePlan(at(5.0), "facing", **{key: value})  # type: ignore[arg-type]
    with pytest.raises(ProductionError, match=r"no part 'Violon'.*scene 1.*mean 'Violin'\?"):
        scenes_of(plan)
    with pytest.raises(ProductionError, match="Parts: Flute, Oboe, Violin, Viola, Cello, Winds"):
        scenes_of(ScenePlan(at(5.0), lead="Xyz"))


def test_a_part_that_has_nothing_to_show_is_no_mistake() -> None:
    layout = Layout("mine", scenes=(ScenePlan(at(5.0), "lead", lead="Tuba"),))
    scenes, warnings = lay_out(VOICES, layout, size=HD, absent={"Tuba"})
    assert warnings == ("layout mine, scene 1: Tuba has nothing to show.",)
    assert largest(scenes[1]) == "Flute"


def test_scenes_that_flash_are_refused() -> None:
    # WCAG 2.2, success criterion 2.3.1: not more than three flashes in a second.
    assert LEAST_SCENE_S >= 1 / 3
    plans = (ScenePlan(at(5.0), "full"), ScenePlan(at(5.3), "grid"))
    with pytest.raises(ProductionError, match=r"from 5.3 s follows 0.3 s after.*seizures.*scene 2"):
        scenes_of(*plans)
    assert len(scenes_of(plans[0], ScenePlan(at(5.34), "grid"))) == 3


def test_scenes_out_of_order_are_refused() -> None:
    with pytest.raises(ProductionError, match=re.escape("begins 2 s before the one above it")):
        scenes_of(ScenePlan(at(7.0)), ScenePlan(at(5.0)))


def test_scenes_that_show_the_same_are_one() -> None:
    scenes = scenes_of(ScenePlan(at(3.0), "grid"), ScenePlan(at(6.0), "grid", caption="Now"))
    assert [(s.from_s, s.caption) for s in scenes] == [(-math.inf, ""), (6.0, "Now")]


@settings(deadline=None, max_examples=40)
@given(
    steps=st.lists(st.floats(0.4, 5.0), min_size=1, max_size=8),
    dissolve_s=st.floats(0.0, 10.0),
)
def test_dissolves_never_meet(steps: list[float], dissolve_s: float) -> None:
    starts = [sum(steps[: i + 1]) for i in range(len(steps))]
    plans = [
        ScenePlan(at(s), "full", lead=NAMES[i % 5], dissolve_s=dissolve_s)
        for i, s in enumerate(starts)
    ]
    scenes = scenes_of(*plans)
    assert all(s.dissolve_s <= s.to_s - s.from_s for s in scenes)
    for before, after in pairwise(scenes):
        ends_s = before.from_s + before.dissolve_s / 2
        assert math.isinf(ends_s) or after.from_s - after.dissolve_s / 2 >= ends_s - 1e-9


def test_names_can_be_left_out_and_tiny_ones_are() -> None:
    scene = scenes_of(ScenePlan(at(5.0), names=False))[1]
    assert not any(place.named for place in scene.places)
    many = tuple(voice(f"Voice {i}") for i in range(400))
    (crowd,), _ = lay_out(many, Layout("mine"), size=HD)
    # 400 tiles of 96 x 54: letters of 0.072 of that are 4 pixels high.
    assert not any(place.named for place in crowd.places)


def test_tiles_enter_with_their_parts_where_wanted() -> None:
    voices = (voice("Flute", enters_s=2.5), voice("Oboe"))
    for enter, expected in [(True, [2.5, -math.inf]), (False, [-math.inf, -math.inf])]:
        layout = Layout("mine", tile=TileStyle(enter=enter))
        (scene,), _ = lay_out(voices, layout, size=HD)
        assert [place.enters_s for place in scene.places] == expected


def test_the_picture_follows_who_leads() -> None:
    leads = (Lead(10.0, 20.0, 2), Lead(20.0, 21.0, 0), Lead(30.0, 40.0, 4))
    scenes = scenes_of(ScenePlan(at(5.0), "follow", lead="Oboe"), leads=leads)[1:]
    # The flute leads for a second only, and the violin stays large until the cello leads.
    turns = [(s.from_s, largest(s)) for s in scenes]
    assert turns == [(5.0, "Oboe"), (10.0, "Violin"), (30.0, "Cello")]
    for scene in scenes:
        small = [NAMES[p.voice] for p in sorted(scene.places, key=lambda p: (p.rect.y, p.rect.x))]
        small.remove(largest(scene))
        assert small == [name for name in NAMES if name != largest(scene)]


def test_unless_somebody_is_named_the_first_to_lead_is_large_from_the_beginning() -> None:
    (scene,) = lay_out(VOICES, Layout("mine", "follow"), size=HD, leads=[Lead(9.0, 30.0, 3)])[0]
    assert largest(scene) == "Viola"


def test_where_nobody_is_known_to_lead_that_is_told() -> None:
    scenes, warnings = lay_out(VOICES, Layout("mine", "follow"), size=HD)
    assert largest(scenes[0]) == "Flute"
    assert warnings == ("It is not known who leads; Flute stays large.",)


leads_of_five = st.lists(
    st.builds(
        lambda begins, length, who: Lead(begins, begins + length, who),
        st.floats(-5, 60),
        st.floats(0.1, 20),
        st.integers(0, 5),
    ),
    max_size=20,
)


@given(leads=leads_of_five, ends=st.sampled_from([(0.0, 50.0), (-math.inf, math.inf), (3.0, 5.0)]))
def test_turns_are_long_enough_and_differ(leads: list[Lead], ends: tuple[float, float]) -> None:
    turns = follow(leads, {0, 1, 2, 3, 4}, *ends, 0, 4.0)
    assert turns[0][0] == ends[0]
    times = [*(begins for begins, _ in turns), ends[1]]
    assert len(turns) == 1 or all(after - before >= 4.0 for before, after in pairwise(times))
    assert all(one[1] != other[1] for one, other in pairwise(turns))
    assert {who for _, who in turns} <= {0, 1, 2, 3, 4}


def test_leads_that_a_short_one_parts_are_one_again() -> None:
    leads = [Lead(0.0, 3.0, 0), Lead(3.0, 5.0, 1), Lead(5.0, 8.0, 0), Lead(8.0, 30.0, 2)]
    assert follow(leads, {0, 1, 2}, 0.0, 30.0, 0, 4.0) == [(0.0, 0), (8.0, 2)]


def test_a_short_lead_before_a_rest_is_passed_over_too() -> None:
    leads = [Lead(0.0, 8.0, 0), Lead(9.0, 10.0, 1), Lead(30.0, 40.0, 2)]
    assert follow(leads, {0, 1, 2}, 0.0, 50.0, 0, 4.0) == [(0.0, 0), (30.0, 2)]
