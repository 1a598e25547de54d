"""Every clip lies on the line where its offset and drift put it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from syncvid.handoff import SheetClip, SheetPage, render_sheet
from syncvid.handoff.axis import WIDTH, Axis, axis_of
from syncvid.handoff.waves import Piece, outline, pieces_of
from syncvid.production.results import Overview
from syncvid.timeline import BeatMap, Placement, Span

from .conftest import DURATION_S, make_clip
from .reading import drawings, extent, line_drawings

X_TOLERANCE = 0.02 + 1e-9  # two roundings to a hundredth of a unit


def _with_spans(clip: SheetClip, *spans: Span) -> SheetClip:
    finding = dataclasses.replace(clip.sync.finding, spans=spans)
    return dataclasses.replace(clip, sync=dataclasses.replace(clip.sync, finding=finding))


@pytest.mark.parametrize("offset_s", [0.0, 3.25, 40.0, -6.4, -70.0])
@pytest.mark.parametrize("drift_ppm", [0.0, 800.0, -800.0])
def test_ink_lies_where_offset_and_drift_put_it(offset_s: float, drift_ppm: float) -> None:
    """A drift this large moves the end of a clip by a whole unit, so that it cannot be missed."""
    clip = make_clip(offset_s=offset_s, drift_ppm=drift_ppm, length_s=50.0)
    drawn = outline(clip.overview, pieces_of(clip)[0], Axis(DURATION_S))
    start_s, end_s = offset_s, offset_s + 50.0 * (1 + drift_ppm * 1e-6)
    if end_s <= 0:
        assert drawn == ""
        return
    first, least, greatest = extent(drawn)
    assert first == pytest.approx(max(0.0, start_s) / DURATION_S * WIDTH, abs=X_TOLERANCE)
    assert least == pytest.approx(first, abs=X_TOLERANCE)
    assert greatest == pytest.approx(min(DURATION_S, end_s) / DURATION_S * WIDTH, abs=0.6)


def test_a_loud_moment_is_drawn_at_its_time() -> None:
    peaks = np.zeros(1000)
    peaks[600] = 0.8  # clip second 30
    overview = Overview(0.05, tuple(peaks.tolist()))
    drawn = outline(overview, Piece(0.0, 50.0, Placement(10.0, 1000.0)), Axis(100.0))
    points = _points(drawn)
    loudest = max(points, key=lambda point: -point[1])
    assert loudest[1] < -20
    assert loudest[0] == pytest.approx((10.0 + 30.025 * 1.001) / 100.0 * WIDTH, abs=1.0)


def _points(path: str) -> list[tuple[float, float]]:
    import re

    start, steps = re.fullmatch(r"M(\S+) 0l(.*?)l.*", path).groups()  # type: ignore[union-attr]
    numbers = [float(found) for found in re.findall(r"-?\d*\.?\d+", steps)]
    moves = np.array(numbers).reshape(-1, 2)
    return [(float(start) + x, y) for x, y in np.cumsum(moves, axis=0).tolist()]


def test_the_page_shows_the_same_places(page: SheetPage, sheet: str) -> None:
    lines = line_drawings(sheet)
    places = {line.get("aria-label", "").split(":")[0]: line for line in lines}
    for clip in page.placed:
        ink = [path for path in places[clip.sync.name] if "sound" in path.get("class", "")]
        first, _, _ = extent(ink[0].get("d", ""))
        offset_s = clip.sync.finding.offset_s or 0.0
        assert first == pytest.approx(max(0.0, offset_s) / DURATION_S * WIDTH, abs=X_TOLERANCE)


def test_silent_clip_is_a_thin_line() -> None:
    overview = Overview(0.05, (0.0,) * 200)
    drawn = outline(overview, Piece(0.0, 10.0, Placement(0.0)), Axis(10.0))
    assert {y for _, y in _points(drawn)} == {0.0}


def test_an_edited_mix_shows_each_stretch_at_its_own_place() -> None:
    clip = _with_spans(
        make_clip(offset_s=0.0, drift_ppm=0.0),
        Span(5.0, 15.0, 0.0),
        Span(20.0, 30.0, 12.0, drift_ppm=1000.0),
    )
    found = [extent(outline(clip.overview, piece, Axis(100.0)))[0] for piece in pieces_of(clip)]
    assert found == pytest.approx([50.0, 320.2], abs=X_TOLERANCE)


def test_sound_that_is_not_in_the_mix_is_pale() -> None:
    clip = _with_spans(make_clip(offset_s=0.0, length_s=60.0), Span(20.0, 59.5, 0.0))
    assert [piece.heard for piece in pieces_of(clip)] == [False, True]
    text = render_sheet(SheetPage("Pale", reference_duration_s=60.0, clips=(clip,)))
    assert 'class="sound pale"' in text
    assert "Pale ink is sound that is not in the mix." in text


def test_takes_that_are_not_shown_stand_below_in_small(sheet: str) -> None:
    lines = sheet[sheet.index('class="lines"') :]
    assert lines.index("Flute (Ines), take 2") < lines.index("Flute (Ines), take 1")
    assert sheet.count('class="line ossia"') == 1


def test_ends_that_go_on_are_hinted_at(sheet: str) -> None:
    assert sheet.count('class="staff before after"') == 4
    assert sheet.count('class="staff before"') == 1  # the cello ends early
    assert sheet.count('class="staff after"') == 1  # the viola starts late


def test_bar_lines_stand_on_the_reference(page: SheetPage, sheet: str) -> None:
    axis = axis_of(page)
    marks = axis.marks()
    assert [mark.reference_s for mark in marks] == [1.0 + 2.5 * bar for bar in range(24)]
    assert [mark.label for mark in marks if mark.label] == ["1", "5", "9", "13", "17", "21"]
    layer = next(one for one in drawings(sheet) if one.get("class") == "bars")
    assert layer[0].get("d", "").startswith("M15.62 0V10M54.69 0V10")
    assert axis.where(6.1) == "in bar 3"
    assert axis.where(5.97) == "in bar 3"
    assert axis.where(0.2) == "at 0:00"


def test_seconds_where_no_bars_are_known(page: SheetPage) -> None:
    axis = axis_of(dataclasses.replace(page, guide_offset_s=None))
    assert [mark.label for mark in axis.marks()] == [
        f"{s // 60}:{s % 60:02}" for s in range(0, 64, 10)
    ]
    assert axis.where(7.12) == "at 0:07"


@pytest.mark.parametrize("bar_count", [1, 64, 500])
def test_bar_lines_do_not_crowd(bar_count: int) -> None:
    from syncvid.timeline import Beat

    bars = BeatMap(tuple(Beat(bar + 1, 1, bar * 2.0) for bar in range(bar_count)))
    marks = Axis(2.0 * bar_count, bars).marks()
    assert 1 <= len(marks) <= 64
    assert 1 <= sum(bool(mark.label) for mark in marks) <= 9
