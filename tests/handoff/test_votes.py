"""The plot of votes: right places, right shapes, ids of its own, and words that fit."""

from __future__ import annotations

import dataclasses
import re
from xml.etree import ElementTree

import numpy as np
import pytest

from syncvid.handoff import draw_votes
from syncvid.handoff.votes import caption

from .conftest import make_clip

SVG = "{http://www.w3.org/2000/svg}"


def _markers(text: str) -> list[list[tuple[float, float]]]:
    """Return the places of the crosses and of the dots."""
    root = ElementTree.fromstring(text)
    groups = [
        [(float(use.get("x", "")), float(use.get("y", ""))) for use in group.findall(f"{SVG}use")]
        for group in root.iter(f"{SVG}g")
        if group.get("clip-path")
    ]
    return [group for group in groups if group]


def test_agreeing_votes_are_dots_and_the_others_crosses() -> None:
    crosses, dots = _markers(draw_votes(make_clip(windows=20, astray=(3, 8)).sync))
    assert (len(crosses), len(dots)) == (2, 18)


def test_markers_share_one_style() -> None:
    text = draw_votes(make_clip(windows=200).sync)
    assert not re.search(r"<use [^>]*style", text)
    assert len(text) < 20_000


def test_places_on_the_plot_follow_time_and_distance() -> None:
    """The drift is taken out: votes on a steep line lie level, in even steps of time."""
    clip = make_clip(drift_ppm=400.0, windows=11, astray=()).sync
    placement = clip.finding.placement
    assert placement is not None
    away_s = np.array(
        [v.lag_s - placement.offset_s - v.clip_s * 400e-6 for v in clip.finding.votes]
    )
    (dots,) = _markers(draw_votes(clip))
    xs, ys = np.array(dots).T
    assert np.diff(xs) == pytest.approx(np.diff(xs)[0], abs=0.02)
    assert np.corrcoef(ys, -away_s)[0, 1] > 0.999
    line = re.search(r'd="M \S+ (\S+) L \S+ (\S+)"[^>]*stroke: var\(--red', draw_votes(clip))
    assert line is not None
    assert line[1] == line[2]
    # Half a millisecond to each side is the least that the plot shows.
    slope = np.polyfit(away_s * 1000, ys, 1)[0]
    assert -slope == pytest.approx(0.71 * 200 / 2 / 0.5, rel=0.01)


def test_plots_share_no_ids() -> None:
    first = draw_votes(make_clip("Flute").sync)
    second = draw_votes(make_clip("Viola").sync)
    ids = [set(re.findall(r'\bid="([^"]+)"', text)) for text in (first, second)]
    assert ids[0]
    assert not ids[0] & ids[1]
    for text, own in zip((first, second), ids, strict=True):
        assert set(re.findall(r'(?:href="|url\()#([\w-]+)', text)) == own


def test_same_clip_gives_same_drawing() -> None:
    assert draw_votes(make_clip().sync) == draw_votes(make_clip().sync)


def test_axes_are_named_in_words_and_nothing_else_is_said() -> None:
    text = draw_votes(make_clip().sync)
    assert "seconds into the clip" in text
    assert "ms from the line" in text
    assert not re.search("metadata|DOCTYPE|xlink|matplotlib|font-family: ", text)


def test_clip_without_votes_has_no_plot() -> None:
    sync = make_clip().sync
    finding = dataclasses.replace(sync.finding, votes=())
    assert draw_votes(dataclasses.replace(sync, finding=finding)) == ""


def test_caption_counts() -> None:
    assert caption(make_clip(astray=()).sync.finding) == "20 of 20 windows (dots) lie on the line."
    told = caption(make_clip(astray=(3,)).sync.finding)
    assert told == (
        "19 of 20 windows (dots) lie on the line; one (a cross) does not, "
        "1 by more than the plot shows: rests, or sound that is not there."
    )


def test_names_cannot_break_the_drawing() -> None:
    root = ElementTree.fromstring(draw_votes(make_clip('<&"\x00>').sync))
    assert '<&"\ufffd> (Ines), take 1' in root.get("aria-label", "")


def test_fonts_hold_what_names_need() -> None:
    """Captions in the video are drawn from this file; see `SOURCES.md` beside it."""
    from importlib import resources

    from fontTools.ttLib import TTFont

    with resources.as_file(resources.files("syncvid") / "fonts") as folder:
        letters = set(TTFont(folder / "EBGaramond-Regular.ttf").getBestCmap())
        sheet = TTFont(folder / "regular-latin.woff2")
        assert (folder / "OFL.txt").read_text().count("SIL OPEN FONT LICENSE") >= 1
        assert sum(file.stat().st_size for file in folder.iterdir()) < 600_000
    needed = "Žofie Łukasz Ngọc Дмитро Νίκος Straße Ærø “” – — … ’ × B♭ F♯ C♮ 0123456789"
    assert {ord(char) for char in needed} <= letters
    features = {record.FeatureTag for record in sheet["GSUB"].table.FeatureList.FeatureRecord}
    assert {"onum", "lnum", "tnum", "liga"} <= features
