"""A clip explained in plain text: complete, readable in 80 columns, told by shape."""

from __future__ import annotations

import dataclasses

from syncvid.handoff import SheetPage, explain
from syncvid.timeline import Span

from .conftest import make_clip


def plot_of(text: str) -> list[str]:
    """Return the rows of the drawing, without what stands left of it."""
    return [line.partition("|")[2] for line in text.splitlines() if "|" in line]


def flat(text: str) -> str:
    return " ".join(text.split())


def test_everything_is_told(page: SheetPage) -> None:
    text = explain(page.clips[2], page, to_do=["To settle it:"])
    assert text.startswith("Clarinet (Bram), take 1: VID_20260314.mp4\nPlease listen.")
    assert "19 of 20 windows agree to 0.1 ms." in text
    assert "19 of 20 windows (o) lie on the line; one (x) does not, 1 by more" in flat(text)
    rival = next(line for line in text.splitlines() if line.strip().startswith("1 "))
    assert rival.split() == "1 14.8500 s 85 % bar 1 would be bar 9".split()
    assert "loudest moment  3.1 dB below full scale" in text
    assert text.endswith("To settle it:")
    assert max(map(len, text.splitlines())) <= 80
    assert text.isascii()


def test_windows_that_differ_stand_at_the_rim_and_have_another_shape(page: SheetPage) -> None:
    clip = make_clip(astray=(3,))
    rows = plot_of(explain(clip, page))
    assert rows[0].count("x") == 1, "25 s later is up, beyond what the plot shows"
    assert sum(row.count("x") for row in rows) == 1
    assert sum(row.count("o") for row in rows) == 19
    assert set("".join(rows)) <= set("ox- ")


def test_a_moved_phrase_has_a_line_of_its_own(page: SheetPage) -> None:
    clip = make_clip(astray=())
    finding = dataclasses.replace(
        clip.sync.finding,
        spans=(Span(2.0, 40.0, -6.4), Span(40.0, 60.0, -6.4003), Span(60.0, 78.0, -6.4)),
    )
    sync = dataclasses.replace(clip.sync, finding=finding)
    text = explain(dataclasses.replace(clip, sync=sync), page)
    assert "0:40.0    1:00.0     -6.4003 s     -0.3 ms" in text
    below = [row for row in plot_of(text)[5:] if "-" in row]
    assert below, "the line of the moved phrase lies below the main one"
    assert below[0].find("-") == round(40 / 80 * 63)


def test_a_clip_without_a_place_and_one_without_votes(page: SheetPage) -> None:
    none = explain(page.clips[-1], page)
    assert "No place found." in none
    assert "No line runs through the 20 windows" in flat(none)
    bare = make_clip(windows=0, astray=())
    assert "there is nothing to draw" in explain(bare, page)
