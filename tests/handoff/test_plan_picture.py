"""The picture of a plan: every tempo at its height, signs with words, legible at any length."""

from __future__ import annotations

import itertools
import re
import subprocess
import sys
import time
from xml.etree import ElementTree

import pytest

from syncvid.handoff import plan_drawing
from syncvid.handoff.plan_bars import again, played_bars
from syncvid.handoff.plan_drawing import LEFT, RIGHT, TYPE, WIDTH
from syncvid.handoff.plan_picture import plan_picture
from syncvid.production.beats import GuideMap

from .colours import LINES, TEXT, contrast
from .guides import Given, make_guide, ramp, seconds, steady

SVG = "{http://www.w3.org/2000/svg}"


def drawn(guide: GuideMap) -> ElementTree.Element:
    return ElementTree.fromstring(plan_picture(guide))


def told(picture: ElementTree.Element) -> list[str]:
    return ["".join(text.itertext()) for text in picture.iter(f"{SVG}text")]


def curve(picture: ElementTree.Element) -> list[tuple[float, float]]:
    """Return the points of the tempo: of all lines the widest pen."""
    path = max(picture.iter(f"{SVG}path"), key=lambda line: float(line.get("stroke-width", "0")))
    return [
        (float(x), float(y)) for x, y in re.findall(r"[ML]([-\d.]+) ([-\d.]+)", path.get("d", ""))
    ]


def heights(picture: ElementTree.Element) -> dict[float, float]:
    """Return where the tempi at the left stand, by their numbers: a scale read off the drawing."""
    return {
        float(text.text or ""): float(text.get("y", "0")) - 5.0
        for text in picture.iter(f"{SVG}text")
        if text.get("text-anchor") == "end" and (text.text or "").isdecimal()
    }


def tempo_at(picture: ElementTree.Element, y: float) -> float:
    (low, low_y), *_, (high, high_y) = sorted(heights(picture).items())
    return low + (high - low) * (y - low_y) / (high_y - low_y)


COUNT_IN = steady((-1, 0), 96.0, -1)


def test_the_formula_of_the_test_is_the_textbooks() -> None:
    """60 to 120 over four beats, linear in beats: (60 / 15) ln 2 = 2.7726 s."""
    assert sum(map(seconds, ramp((1,), 60.0, 120.0))) == pytest.approx(2.7726, abs=5e-5)


def test_steps_and_ramps_lie_at_their_tempi() -> None:
    guide = make_guide(
        COUNT_IN + steady(range(1, 5), 96.0) + ramp(range(5, 9), 96.0, 72.0)
        + steady(range(9, 13), 120.0)
    )  # fmt: skip
    picture = drawn(guide)
    points = curve(picture)
    bar = (RIGHT - LEFT) / 14
    seen = [(round((x - LEFT) / bar - 1.0, 1), round(tempo_at(picture, y), 0)) for x, y in points]
    # In bars, the first of the music being 1: level, a slope to 72, a step to 120, level.
    assert seen[0] == (-1.0, 96.0)
    assert (5.0, 96.0) in seen
    assert (9.0, 72.0) in seen
    assert (9.0, 120.0) in seen
    assert seen[-1] == (13.0, 120.0)
    between = [tempo for at, tempo in seen if 5.0 < at < 9.0]
    assert between == sorted(between, reverse=True)
    assert len(between) >= 10


def test_a_ramp_in_steps_is_a_stair_and_not_a_slope() -> None:
    stairs = [Given(1, beat + 1, 60.0 + 15.0 * beat, 60.0 + 15.0 * beat) for beat in range(4)]
    points = curve(drawn(make_guide(stairs)))
    assert all(a[0] == b[0] or a[1] == b[1] for a, b in itertools.pairwise(points))


@pytest.mark.parametrize("length", [4 / 3, 1.5, 0.5, 1.2])
def test_beats_of_any_length_are_steady_where_the_tempo_is(length: float) -> None:
    beats = [Given(bar, 1, tempo, tempo, length) for bar, tempo in enumerate([96.0] * 5, 1)]
    assert len(curve(drawn(make_guide(beats)))) == 2


def test_a_hold_does_not_touch_the_tempo_and_is_told_in_words() -> None:
    beats = steady(range(1, 9), 96.0)
    beats[15] = beats[15]._replace(held_s=2.0)
    picture = drawn(make_guide(beats))
    assert len(curve(picture)) == 2
    assert len({y for _, y in curve(picture)}) == 1
    assert "held 2 s" in told(picture)
    assert len(list(picture.iter(f"{SVG}circle"))) == 1
    assert "Held in bars 4." in picture.findtext(f"{SVG}desc", "")


def test_bars_that_come_again_are_numbered_again() -> None:
    beats = COUNT_IN + steady([*range(1, 9), *range(1, 8), *range(9, 13)], 96.0)
    picture = drawn(make_guide(beats))
    shown = told(picture)
    assert "bars 1 to 7 again" in shown
    assert shown.count("1") == 2
    assert "count-in" in shown
    assert "Repeats: bars 1 to 7 again." in picture.findtext(f"{SVG}desc", "")


@pytest.mark.parametrize(
    ("order", "stretches"),
    [
        ([1, 2, 3], []),
        ([1, 1], [(1, 1, 1, 1)]),
        ([1, 2, 1, 2, 1, 2], [(2, 2, 1, 2), (4, 2, 1, 2)]),
        ([1, 2, 3, 1, 2, 4, 1], [(3, 2, 1, 2), (6, 1, 1, 1)]),
    ],
)
def test_what_is_played_again(order: list[int], stretches: list[tuple[int, ...]]) -> None:
    found = again(played_bars(make_guide(steady(order, 100.0))))
    assert [tuple(stretch) for stretch in found] == stretches


def test_an_upbeat_is_a_bar_of_its_own_after_the_count_in() -> None:
    beats = [Given(0, beat, 96.0, 96.0, 1.0, -1) for beat in (1, 2, 3)]
    beats += [Given(0, 4, 96.0, 96.0), *steady((1, 2), 96.0)]
    bars = played_bars(make_guide(beats))
    assert [(bar.number, bar.is_count_in) for bar in bars] == [
        (0, True), (0, False), (1, False), (2, False),
    ]  # fmt: skip


def test_a_map_without_tempi_is_drawn_by_its_beats() -> None:
    guide = make_guide(steady((1, 2), 90.0))
    bare = GuideMap(
        guide.title, 1, "", guide.duration_s, 1.0, 2.0,
        tuple(type(beat)(beat.bar, beat.beat, beat.guide_s, beat.length_s, 0.0, 0, 4)
              for beat in guide.beats), (),
    )  # fmt: skip
    assert "Steady at 90 quarters per minute." in plan_picture(bare)


def test_no_beats_at_all_still_give_a_picture() -> None:
    assert "There are no bars." in plan_picture(make_guide([]))


@pytest.mark.parametrize("count", [1, 4, 17, 40, 300, 2000])
def test_words_stay_apart_and_inside_at_any_length(count: int) -> None:
    """Letters of a serif are on average below half an em wide; half an em is asked for."""
    tempi = itertools.cycle((96.0, 72.0, 132.0))
    beats = COUNT_IN + [
        given
        for start in range(1, count + 1, 10)
        for given in steady(range(start, min(start + 10, count + 1)), next(tempi), start // 10)
    ]
    beats = [given._replace(held_s=float(nth % 50 == 30)) for nth, given in enumerate(beats)]
    picture = drawn(make_guide(beats, [f"Part {n} of it" for n in range(count // 10 + 1)]))
    rows: dict[str, list[tuple[float, float]]] = {}
    for text in picture.iter(f"{SVG}text"):
        if text.get("transform"):
            continue
        wide = 0.45 * TYPE * len("".join(text.itertext()))
        x = float(text.get("x", "0"))
        x -= {"middle": wide / 2, "end": wide}.get(text.get("text-anchor", ""), 0.0)
        assert x >= 0.0
        assert x + wide <= WIDTH
        if x > LEFT - 10:
            rows.setdefault(text.get("y", ""), []).append((x, x + wide))
    for row in rows.values():
        ordered = sorted(row)
        assert all(a[1] <= b[0] for a, b in itertools.pairwise(ordered)), ordered
    numbers = [text for text in told(picture) if text.isdecimal()]
    assert 1 < len(numbers) < 90
    assert "1" in numbers


def test_long_pieces_are_drawn_in_no_time() -> None:
    beats = steady(range(1, 20_001), 100.0)
    beats = [given._replace(section=nth // 400) for nth, given in enumerate(beats)]
    guide = make_guide(beats, [f"S{n}" for n in range(201)])
    started = time.process_time()
    assert len(plan_picture(guide)) < 100_000
    assert time.process_time() - started < 5.0


@pytest.mark.parametrize(
    "name",
    [
        '<script>alert("1")</script>',
        "</svg><b onclick=x>",
        "half \ud800 \x00",
        "نشيد",
        "前奏",
        "🎻",
    ],
)
def test_any_name_is_shown_and_none_is_obeyed(name: str) -> None:
    text = plan_picture(make_guide(steady(range(1, 5), 96.0), [name], title=name))
    text.encode("utf-8")
    picture = ElementTree.fromstring(text)
    plain = drawn(make_guide(steady(range(1, 5), 96.0), ["A"], title="A"))
    assert {item.tag for item in picture.iter()} == {item.tag for item in plain.iter()}
    assert name[:5].replace("\ud800", "�") in "".join(told(picture))
    assert not [key for item in picture.iter() for key in item.attrib if key.startswith("on")]


def test_it_speaks_to_those_who_do_not_see_it() -> None:
    """SVG 2, 5.7: title and desc come first; WAI-ARIA 1.2: role img."""
    picture = drawn(make_guide(COUNT_IN + steady(range(1, 9), 96.0), ["Verse"]))
    assert [item.tag for item in picture][:2] == [f"{SVG}title", f"{SVG}desc"]
    assert picture.get("role") == "img"
    assert picture.findtext(f"{SVG}title") == "Tempo of Round, bar by bar"
    assert picture.findtext(f"{SVG}desc") == (
        "Bars as played: 8; bars of count-in before them: 2. "
        "Steady at 96 quarters per minute. Sections: Verse in bar 1."
    )


def test_colours_have_contrast() -> None:
    for ink in (plan_drawing.INK, plan_drawing.RED, plan_drawing.ASIDE):
        assert contrast(ink, plan_drawing.PAPER) >= TEXT
        assert contrast(ink, plan_drawing.COUNTED) >= TEXT
    assert contrast(plan_drawing.SECTION, plan_drawing.PAPER) >= LINES


def test_no_plotting_library_is_loaded() -> None:
    code = "import sys, syncvid.handoff.plan_picture; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
