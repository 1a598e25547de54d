"""The picture of a plan: every tempo at its height, signs with words, legible at any length."""

from __future__ import annotations

import itertools
import re
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
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


def test_a_breath_is_a_comma_and_no_hold_and_does_not_touch_the_tempo() -> None:
    beats = steady(range(1, 9), 96.0)
    beats[15] = beats[15]._replace(breath_s=0.5)
    beats[21] = beats[21]._replace(breath_s=0.25)
    picture = drawn(make_guide(beats))
    assert len(curve(picture)) == 2
    shown = told(picture)
    assert {"breath 0.5 s", "breath 0.25 s"} <= set(shown)
    assert not [text for text in shown if "held" in text]
    # The dot of a fermata is a circle; commas are filled shapes.
    assert not list(picture.iter(f"{SVG}circle"))
    commas = [path for path in picture.iter(f"{SVG}path") if path.get("fill") == plan_drawing.RED]
    assert len(commas) == 2
    description = picture.findtext(f"{SVG}desc", "")
    assert "Breaths: before bar 5, in bar 6." in description
    assert "Held" not in description


def test_a_beat_can_be_held_and_followed_by_a_breath() -> None:
    beats = steady(range(1, 9), 96.0)
    beats[15] = beats[15]._replace(held_s=1.0, breath_s=0.5)
    picture = drawn(make_guide(beats))
    assert len(curve(picture)) == 2
    assert "held 1 s, breath 0.5 s" in told(picture)
    assert len(list(picture.iter(f"{SVG}circle"))) == 1


def evenly(lengths: Sequence[float], bars: int, start: float, end: float) -> list[Given]:
    """Return bars with beats of these lengths in which the tempo changes evenly by the score."""
    edges = list(itertools.accumulate([*lengths] * bars, initial=0.0))
    tempi = [start + (end - start) * edge / edges[-1] for edge in edges]
    return [
        Given(nth // len(lengths) + 1, nth % len(lengths) + 1, tempi[nth], tempi[nth + 1], length)
        for nth, length in enumerate([*lengths] * bars)
    ]


@pytest.mark.parametrize("lengths", [(1.0, 1.0, 1.5), (1.5, 1.0, 1.0), (1.5, 1.0)])
def test_a_ramp_over_uneven_beats_is_a_straight_line(lengths: Sequence[float]) -> None:
    points = curve(drawn(make_guide(evenly(lengths, 8, 90.0, 130.0))))
    (left, low), (right, high) = points[0], points[-1]
    assert len(points) > 8
    for x, y in points:
        assert y == pytest.approx(low + (high - low) * (x - left) / (right - left), abs=0.15)


@pytest.mark.parametrize("end", [70.0, 131.0])
@pytest.mark.parametrize("length", [1.0, 1.5])
def test_the_tempo_at_the_end_of_a_last_ramp_is_told(end: float, length: float) -> None:
    level = evenly([length] * 4, 4, 96.0, 96.0)
    beats = [*level, *(given._replace(bar=given.bar + 4)
                       for given in evenly([length] * 4, 2, 96.0, end))]  # fmt: skip
    picture = drawn(make_guide(beats))
    at_end = [
        text.text for text in picture.iter(f"{SVG}text")
        if text.get("text-anchor") == "end" and float(text.get("x", "0")) > RIGHT - 10
    ]  # fmt: skip
    unit = 1.0 if length == 1.0 else 1.5
    assert [float(text or "nan") for text in at_end] == [round(end / unit, 1)]


def test_a_last_ramp_by_time_ends_where_it_ends() -> None:
    """Linear in time: from 60 to 40 over two quarters in 120 / 50 s, at the second one v(t).

    The tempo falls by 20 / 2.4 a second; the first quarter ends where 60 t - 25 t^2 / 6 = 60.
    """
    first_s = (60.0 - (3600.0 - 1000.0) ** 0.5) / (25.0 / 3.0)
    middle = 60.0 - 20.0 / 2.4 * first_s
    guide = make_guide([*steady((1, 2), 60.0, beats=2), *steady((3,), 60.0, beats=2)])
    first, second = guide.beats[4:]
    guide = replace(
        guide,
        beats=(
            *guide.beats[:4],
            replace(first, length_s=round(first_s, 9)),
            replace(second, guide_s=5.0 + first_s, length_s=round(2.4 - first_s, 9),
                    quarters=middle),
        ),
    )  # fmt: skip
    assert "40" in told(drawn(guide))
    assert played_bars(guide.beats)[-1].beats[-1].to == pytest.approx(40.0, abs=1e-6)


@pytest.mark.parametrize(
    ("lengths", "units"),
    [
        ((1.0,) * 4, "quarters"),
        ((1.5, 1.5), "dotted quarters"),
        ((2.0, 2.0), "halves"),
        ((0.5,) * 3, "eighths"),
        ((1.0, 1.0, 1.5), "quarters"),
    ],
)
def test_tempi_are_told_in_the_beats_of_the_metre(lengths: Sequence[float], units: str) -> None:
    beats = evenly(lengths, 6, 90.0, 90.0)
    # The last bar breaks off within its last beat, which is no beat of its own.
    beats[-1] = beats[-1]._replace(length=lengths[-1] - 0.25)
    picture = drawn(make_guide(beats))
    number = f"{90.0 / (lengths[0] if len(set(lengths)) == 1 else 1.0):.0f}"
    assert f"{units} per minute" in told(picture)
    assert number in told(picture)
    assert f"Steady at {number} {units} per minute." in picture.findtext(f"{SVG}desc", "")


def test_where_the_beat_changes_quarters_are_counted() -> None:
    three = [given._replace(bar=given.bar + 4) for given in evenly((1.0,) * 3, 4, 90.0, 90.0)]
    beats = [*evenly((1.5, 1.5), 4, 90.0, 90.0), *three]
    assert "quarters per minute" in told(drawn(make_guide(beats)))


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
    found = again(played_bars(make_guide(steady(order, 100.0)).beats))
    assert [tuple(stretch) for stretch in found] == stretches


def test_an_upbeat_is_a_bar_of_its_own_after_the_count_in() -> None:
    beats = [Given(0, beat, 96.0, 96.0, 1.0, -1) for beat in (1, 2, 3)]
    beats += [Given(0, 4, 96.0, 96.0), *steady((1, 2), 96.0)]
    bars = played_bars(make_guide(beats).beats)
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
