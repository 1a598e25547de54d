"""The sheet as a whole: complete, safe, self-contained, readable."""

from __future__ import annotations

import dataclasses
import itertools
import re
import subprocess
import sys
import time
from collections import Counter
from importlib import resources

import pytest

from syncvid.handoff import SheetClip, SheetPage, SheetSound, render_sheet
from syncvid.production.pins import Pin, pinned
from syncvid.production.results import Stretch

from .conftest import make_clip
from .reading import Reader, drawings

HOSTILE = (
    '<script>alert("1")</script>',
    "\"quoted\" & 'quoted'.mov",
    "two\nlines\r\tand\x00nul\x1b[31m.mov",
    "</title></style><b onclick=x>.mp4",
    "half \ud800 surrogate \udcff.mov",
    "right\u202eto left.mov",
    "يوم الجمعة.mov",
    "王小明 第二遍.mp4",
    "a-very-long-name-" * 20,
    "{braces} %s ${x}",
)


def test_page_is_whole_and_in_order(sheet: str) -> None:
    reader = Reader(sheet)
    assert sheet.startswith("<!DOCTYPE html>")
    assert ("html", {"lang": "en"}) in reader.attributes
    levels = [int(tag[1]) for tag in reader.tags if re.fullmatch(r"h\d", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in itertools.pairwise(levels))
    assert all(found.get("scope") for tag, found in reader.attributes if tag == "th")


def test_every_clip_is_named_with_its_verdict(page: SheetPage, sheet: str) -> None:
    text = Reader(sheet).text
    for clip in page.clips:
        assert clip.sync.file in text
        assert clip.sync.name in text
        assert clip.sync.player in text
    assert text.count("Sure. It starts") == 6
    assert "Clarinet (Bram), take 1: please listen" in text
    assert "Please listen. It starts 6.400 s before the mix" in text
    assert "No place found: IMG_2207.mov. 19 of 20 windows agree to 0.1 ms." in text
    assert text.count("No place found") == 3  # in the table, below the score, in its paragraph
    assert "Left out: old phone.3gp. The file ends too soon." in text
    assert "Made 14 March 2026." in text


def test_state_is_told_without_colour(sheet: str) -> None:
    """WCAG 2.2, 1.4.1: the line of an unsure clip says "listen", and so does its paragraph."""
    text = Reader(sheet).text
    assert "Clarinet Bram listen" in text
    assert "Viola Teo starts in bar 3" in text
    assert "Cello Mirre ends early, in bar 23" in text


def test_the_unsure_clip_tells_of_its_rival(sheet: str) -> None:
    text = Reader(sheet).text
    assert "or 21.2 s later?" in text
    assert (
        "Rival 1: it would also fit 21.2 s later (bar 1 would be bar 9); "
        "85 % as much speaks for it." in text
    )


def test_nothing_comes_from_outside(sheet: str) -> None:
    reader = Reader(sheet)
    rest = sheet.replace("http://www.w3.org/2000/svg", "")
    assert "http:" not in rest
    assert "https:" not in rest
    assert "@import" not in rest
    assert "//" not in re.sub(r"base64,[A-Za-z0-9+/=]+", "", rest)
    assert {address for address in reader.addresses if not address.startswith("#")} == {
        "./preview.mp4"
    }
    assert "script" not in reader.tags


def test_ids_are_unique_and_links_arrive(sheet: str) -> None:
    reader = Reader(sheet)
    twice = [name for name, count in Counter(reader.ids).items() if count > 1]
    assert not twice
    targets = {address[1:] for address in reader.addresses if address.startswith("#")}
    targets |= set(re.findall(r"url\(#([^)]+)\)", sheet))
    targets |= {
        found["aria-labelledby"] for _, found in reader.attributes if "aria-labelledby" in found
    }
    assert targets
    assert targets <= set(reader.ids)


def test_drawings_are_xml_and_described(sheet: str) -> None:
    found = drawings(sheet)
    assert len(found) == 1 + 1 + 7 + 8  # bar lines, mix, lines, plots
    for drawing in found:
        if drawing.get("aria-hidden") != "true":
            assert drawing.get("role") == "img"
            assert len(drawing.get("aria-label", "")) > 10


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_text(page: SheetPage, name: str) -> None:
    clip = make_clip(name, file=name, player=name, notes=(name,))
    unknown = make_clip("", file=name, verdict="check")
    none = make_clip("", file=name, verdict="none", offset_s=None)
    finding = dataclasses.replace(clip.sync.finding, reason=name, against=name)
    clip = dataclasses.replace(clip, sync=dataclasses.replace(clip.sync, finding=finding))
    hostile = SheetPage(
        title=name,
        reference="clips",
        clips=(clip, unknown, none),
        left_out=((name, name),),
        video=name,
        made=name,
    )
    plain = make_clip("x", file="x", player="x", notes=("x",))
    harmless = dataclasses.replace(
        hostile,
        title="x",
        clips=(plain, make_clip("", file="x", verdict="check"), none),
        left_out=(("x", "x"),),
        video="x",
        made="x",
    )
    text = render_sheet(hostile)
    text.encode("utf-8")
    assert Reader(text).tags == Reader(render_sheet(harmless)).tags
    assert not {"\x00", "\x1b", "\u202e"} & set(text)
    for drawing in drawings(text):
        assert drawing.tag.endswith("svg")


def test_odd_names_can_still_be_read() -> None:
    text = Reader(render_sheet(SheetPage('A "B" <C> & D', clips=(make_clip("Flöte\n1"),)))).text
    assert 'A "B" <C> & D' in text
    assert "Flöte 1 (Ines), take 1" in text


def test_same_page_gives_same_bytes(page: SheetPage, sheet: str) -> None:
    assert render_sheet(page) == sheet


def test_eight_clips_are_small_and_quick(page: SheetPage) -> None:
    render_sheet(page)
    start = time.process_time()
    text = render_sheet(page)
    assert time.process_time() - start < 3.0
    assert len(text.encode()) < 1_500_000


def test_no_clips() -> None:
    text = Reader(render_sheet(SheetPage(""))).text
    assert "No clips yet." in text
    assert "Untitled" in text


def test_one_clip_that_fits_nowhere() -> None:
    clip = make_clip("", file="other.mov", verdict="none", offset_s=None)
    text = Reader(render_sheet(SheetPage("Solo", clips=(clip,)))).text
    assert "No clip has found its place." in text
    assert "No place found: other.mov." in text
    assert "No line runs through the 20 windows of this clip." in text


def test_sixty_four_clips() -> None:
    clips = tuple(
        make_clip(f"Voice {index}", file=f"{index}.mov", verdict="sure" if index % 9 else "check")
        for index in range(64)
    )
    text = render_sheet(SheetPage("Choir", reference_duration_s=64.0, clips=clips))
    reader = Reader(text)
    assert reader.tags.count("article") == 64
    assert len(set(reader.ids)) == len(reader.ids)
    assert reader.tags.count("details") == 64 - 8  # the plots of unsure clips stay open
    assert len(text.encode()) < 4_000_000


def test_clips_without_evidence_are_told_of() -> None:
    """A file of offsets written by hand has neither votes nor overview nor length."""
    clip = make_clip()
    finding = dataclasses.replace(clip.sync.finding, votes=(), drift_ppm=None)
    bare = SheetClip(dataclasses.replace(clip.sync, finding=finding, duration_s=None))
    text = Reader(render_sheet(SheetPage("Bare", reference_duration_s=30.0, clips=(bare,)))).text
    assert "Sure. It starts 6.400 s before the mix." in text
    assert "No window of it stands out, so there is nothing to draw." in text


def test_only_the_fonts_that_are_needed_are_carried(page: SheetPage, sheet: str) -> None:
    czech = render_sheet(dataclasses.replace(page, title="Dvořákův kánon"))
    assert sheet.count("@font-face") == 2
    assert czech.count("@font-face") == 4


def test_import_does_not_load_the_plotting_library() -> None:
    code = "import sys, syncvid.handoff; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def _luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    darker, lighter = sorted((_luminance(one), _luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def test_contrast_formula() -> None:
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert _contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


def test_palettes_have_contrast() -> None:
    """WCAG 2.2, 1.4.3 (text, 4.5:1) and 1.4.11 (drawings, 3:1), by day and by night."""
    style = (resources.files("syncvid.handoff") / "style.css").read_text(encoding="utf-8")
    blocks = [
        dict(re.findall(r"--(\w+): (#\w{6})", block))
        for block in re.findall(r":root \{([^}]*)", style)
    ]
    palettes = [block for block in blocks if "paper" in block]
    assert len(palettes) == 2
    for palette in palettes:
        for name in ("ink", "red", "aside"):
            assert _contrast(palette[name], palette["paper"]) >= 4.5, name
        assert _contrast(palette["pale"], palette["paper"]) >= 3.0


def test_an_unsure_clip_has_its_sounds_and_the_way_to_settle_it(page: SheetPage) -> None:
    sounds = tuple(SheetSound(n, 3.0, "x", f"../work/listen/a%20{n}.flac") for n in (0, 1))
    clip = dataclasses.replace(page.clips[2], sounds=sounds, settle="syncvid place round 'A b/1'")
    reader = Reader(render_sheet(dataclasses.replace(page, clips=(clip,))))
    assert reader.tags.count("audio") == 2
    players = [found for tag, found in reader.attributes if tag == "audio"]
    assert [found["src"] for found in players] == [sound.link for sound in sounds]
    assert all(found["preload"] == "none" and found["aria-label"] for found in players)
    assert {sound.link for sound in sounds} <= set(reader.addresses)
    text = " ".join(reader.text.split())
    assert "Headphones down first" in text
    assert "syncvid place round 'A b/1' with --offset -6.4000 it is right as proposed" in text
    assert "--rival 1 the first rival is right" in text
    sure = dataclasses.replace(page.clips[1], settle="syncvid place round Flute/2")
    assert "--offset" not in render_sheet(dataclasses.replace(page, clips=(sure,)))


def test_what_the_user_settled_is_told_as_his(page: SheetPage) -> None:
    clip = page.clips[2]
    for pin, words in ((Pin(2.0), "Settled by you. It starts 2.000 s into the mix"),
                       (Pin(), "Settled by you. Not in this piece.")):  # fmt: skip
        finding = pinned(clip.sync.finding, pin)
        settled = dataclasses.replace(clip, sync=dataclasses.replace(clip.sync, finding=finding))
        text = Reader(render_sheet(dataclasses.replace(page, clips=(settled,)))).text
        assert words in text.replace("\xa0", " ")
        assert "wants your ear" not in text
        assert "certainty" not in text


def test_further_takes_and_recorders_are_told_apart(page: SheetPage) -> None:
    clip = page.clips[2]
    further = dataclasses.replace(
        clip, sync=dataclasses.replace(clip.sync, listed=False, stretch=Stretch(10.0, 40.0))
    )
    recorder = dataclasses.replace(
        clip, sync=dataclasses.replace(clip.sync, sound_of="VID_20260314.mp4", file="zoom.wav")
    )
    text = Reader(render_sheet(dataclasses.replace(page, clips=(further,)))).text
    assert "wants your ear" not in text, "what the plan does not name asks for nothing"
    assert "ends early" in text, "the take ends at 40 s of the file, 33.6 s into the mix"
    text = Reader(render_sheet(dataclasses.replace(page, clips=(clip, recorder)))).text
    assert "take 1, recorder" in text
    assert "Clarinet (Bram), take 1, its recorder" in text
