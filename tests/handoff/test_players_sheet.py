"""The players' sheet: complete, in order, one page, in any language, safe with any name."""

from __future__ import annotations

import dataclasses
import itertools
import os
import re
import shutil
import subprocess
import tomllib
import unicodedata
from collections.abc import Mapping, Sequence
from fractions import Fraction
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from syncvid.errors import ProductionError
from syncvid.guide.timing import time_plan
from syncvid.handoff.pdf_turning import turned
from syncvid.handoff.players import MOST_MARKS, MOST_PARTS, MarkRow, mark_rows
from syncvid.handoff.players_pdf import _SIZES
from syncvid.handoff.players_sheet import (
    PlayersSheet,
    PracticeVersion,
    pdf_remarks,
    players_sheet,
    players_sheet_pdf,
    read_texts,
    sheet_facts,
)
from syncvid.production.beats import GuideBeat, Mark
from syncvid.production.guide_plan import Bar, CountIn, GuidePlan, Metre, PlanSection, Tempo
from syncvid.production.metres import parse_metre

from .colours import LINES, TEXT, contrast
from .guides import Given, make_guide, ramp, steady
from .reading import Reader

ENGLISH = (resources.files("syncvid.handoff") / "texts" / "en.toml").read_text(encoding="utf-8")

HOSTILE = (
    '<script>alert("1")</script>',
    "</title></style><b onclick=x>.mp4",
    "\"quoted\" & 'quoted'.mov",
    "two\nlines\r\tand\x00nul\x1b[31m.mov",
    "half \ud800 surrogate.mov",
    "right‮to left.mov",
    "{braces} *stars* %s ${x}",
    "نشيد الجمعة",
    "さくら 王小明",
    "🎻🎉",
    "a-very-long-name-" * 6,
)


def marks(count: int, name: str = "") -> tuple[Mark, ...]:
    return tuple(Mark(name or f"M{nth}", 1 + 8 * nth, 6.5 + 20.0 * nth) for nth in range(count))


def make_facts(**others: Any) -> PlayersSheet:
    facts: dict[str, Any] = {
        "title": "Orchard Round",
        "version": 3,
        "length_s": 66.5,
        "guide": ("round guide v3.wav", "round guide v3.mp3"),
        "video": "round guide v3 video.mp4",
        "practice": (PracticeVersion(0.8), PracticeVersion(kind="clicks")),
        "parts": ("Flute", "Clarinet", "Cello"),
        "marks": marks(3),
        "tempo": Tempo(96.0),
        "count_in_bars": 2,
        "count_in_s": 5.0,
        "signature": True,
        "send_to": "https://cloud.example.org/s/round or ines@example.org",
        "send_by": "22 March",
        "pattern": "Part - Name - take 1.mp4",
    }
    return PlayersSheet(**(facts | others))


def poppler(program: str, data: bytes, tmp_path: Path, *options: str) -> str:
    """Ask one of poppler's programs; where checks are judged it must be there."""
    found = shutil.which(program)
    if found is None:
        if os.environ.get("CI"):
            pytest.fail(f"{program} is missing: apt-get install poppler-utils")
        pytest.skip(f"{program} is not installed (Debian: apt-get install poppler-utils)")
    file = tmp_path / "sheet.pdf"
    file.write_bytes(data)
    tail = ["-"] if program == "pdftotext" else []
    command = [found, *options, str(file), *tail]
    return subprocess.run(command, capture_output=True, check=True, text=True).stdout


def pdf_text(facts: PlayersSheet, tmp_path: Path) -> str:
    return " ".join(poppler("pdftotext", players_sheet_pdf(facts), tmp_path).split())


def pdf_text_with(facts: PlayersSheet, fonts: list[Path], tmp_path: Path) -> str:
    return " ".join(poppler("pdftotext", players_sheet_pdf(facts, fonts=fonts), tmp_path).split())


def test_it_tells_what_to_do_in_the_order_in_which_it_is_done() -> None:
    reader = Reader(players_sheet(make_facts()))
    told = [
        "Orchard Round", "guide version 3", "1:06 long, quarter = 96 at the beginning",
        "round guide v3.wav, round guide v3.mp3", "version 3; older ones no longer fit",
        "with your eyes: round guide v3 video.mp4",
        "called after the guide: at 80 % tempo, clicks only. Not", "two devices",
        "Wired headphones, on one ear",
        "come late", "compress", "Volume down before you press play", "Flight mode",
        "level fixed, not automatic", "Landscape", "Light from the front", "Stand two steps away",
        "Film your loudest half minute", "say your name, your part and which take",
        "A short signal comes first", "two bars, 5 s", "Clap on every beat of its last bar",
        "two seconds of quiet", "second whole take", "Name each file Part - Name - take 1.mp4",
        "Flute, Clarinet, Cello", "Send to: https://cloud.example.org", "By: 22 March",
        "before you have said yes", "parent or guardian", "The law where you live",
        "on their own computer", "M0 bar 1 0:06", "M2 bar 17 0:46",
    ]  # fmt: skip
    places = [reader.text.find(words) for words in told]
    assert -1 not in places, [words for words, at in zip(told, places, strict=True) if at < 0]
    assert places == sorted(places)


def test_the_pdf_tells_the_same_as_the_page(tmp_path: Path) -> None:
    """Read back by poppler's pdftotext: every letter of the page is in the PDF, and the reverse."""
    facts = make_facts()
    page = Reader(players_sheet(facts)).text
    assert sorted(letter for letter in pdf_text(facts, tmp_path) if letter.strip()) == sorted(
        letter for letter in page if letter.strip()
    )


def test_what_is_not_known_is_not_told() -> None:
    text = Reader(players_sheet(PlayersSheet("", 1, 60.0))).text
    for words in ("Send to", "By:", "Call your part", "practise", "count-in",
                  "Clap", "signal", "Where you are", "at the beginning", "eyes",
                  "Know the music"):  # fmt: skip
        assert words not in text
    assert "Untitled" in text
    assert "Start the guide." in text


def test_claps_are_asked_for_only_where_they_are_wanted() -> None:
    assert "Clap" not in Reader(players_sheet(make_facts(claps=False))).text
    by_seconds = Reader(players_sheet(make_facts(count_in_bars=0, count_in_s=4.5))).text
    assert "Listen to the count-in: 4.5 s." in by_seconds
    assert "Clap" not in by_seconds


@pytest.mark.parametrize(
    ("metre", "upbeat", "bars", "told", "claps"),
    [
        ("4/4", "0", 2, "count-in: two bars, 5 s", "Clap on every beat of its last bar"),
        # The last bar is completed by an upbeat of two quarters: six beats at 96, 3.75 s.
        (
            "4/4",
            "1/2",
            2,
            "count-in: one bar and two beats, 3.8 s",
            "Clap on every beat of its first",
        ),
        (
            "4/4",
            "1/4",
            3,
            "count-in: two bars and three beats, 6.9 s",
            "of its last whole bar, not",
        ),
        ("4/4", "1/4", 1, "count-in: three beats, 1.9 s", ""),
        ("3/4", "1/2", 1, "count-in: one beat, 0.6 s", ""),
    ],
)
def test_the_count_in_is_told_as_it_is_heard(
    metre: str, upbeat: str, bars: int, told: str, claps: str
) -> None:
    """Beats by arithmetic: at quarter = 96 each lasts 0.625 s."""
    counts, length = parse_metre(metre), Fraction(upbeat)
    before = (Bar(0, counts, length, begin=counts.length - length),) if length else ()
    whole = tuple(Bar(n, counts, counts.length) for n in (1, 2))
    plan = GuidePlan("", before + whole, (PlanSection(),), Tempo(96.0), count_in=CountIn(bars=bars))
    text = Reader(players_sheet(sheet_facts(time_plan(plan).map, plan))).text
    assert told in text
    assert (claps in text) if claps else "Clap" not in text


def practice(parts: int) -> tuple[PracticeVersion, ...]:
    """Return versions at five tempi: clicks, drone, all, and two for each part."""
    kinds = ["", "clicks", "drone", "all", *["others", "own"] * parts]
    return tuple(PracticeVersion(share / 10, kind) for share in range(5, 11) for kind in kinds)


def test_very_many_versions_for_practice_take_three_lines_at_most(tmp_path: Path) -> None:
    facts = make_facts(practice=practice(20))
    text = Reader(players_sheet(facts)).text
    assert (
        "at 50 to 90 % tempo, clicks only, drone only, without your part, your part alone" in text
    )
    told = poppler("pdftotext", players_sheet_pdf(facts), tmp_path, "-bbox-layout")
    blocks = re.findall(r"<line .*?</line>", told, re.DOTALL)
    lines = [" ".join(re.findall(r">([^<>\s]+)</word>", block)) for block in blocks]
    first = next(nth for nth, line in enumerate(lines) if "practise," in line)
    last = next(nth for nth, line in enumerate(lines) if "two devices" in line)
    assert last - first <= 3


@pytest.mark.parametrize(
    ("versions", "told"),
    [
        (
            (PracticeVersion(0.8), PracticeVersion(0.6)),
            "called after the guide: at 60, 80 % tempo. Not",
        ),
        ((PracticeVersion(kind="drone"),), "called after the guide: drone only. Not"),
        ((PracticeVersion(0.8, "own"),), "at 80 % tempo, your part alone. Not"),
    ],
)
def test_versions_for_practice_are_told_by_what_is_heard(
    versions: tuple[PracticeVersion, ...], told: str
) -> None:
    assert told in Reader(players_sheet(make_facts(practice=versions))).text


def test_what_happens_in_the_music_is_told(tmp_path: Path) -> None:
    beats = make_guide(EVENTFUL[:37]).beats
    breath = dataclasses.replace(beats[-1], breath_s=0.5, length_s=beats[-1].length_s + 0.5)
    facts = make_facts(beats=(*beats[:-1], breath))
    for text in (Reader(players_sheet(facts)).text, pdf_text(facts, tmp_path)):
        assert "Bars as played: 1-2, 1-8." in text
        # The last ramp goes on in the last beat: 120 to 136.
        assert (
            "Tempo: gradually slower in bar 2 (to 80), faster from bar 6 (120), gradually faster "
            "in bars 7-8 (to 136)." in text
        )
        assert "Held, the clicks wait: bar 2 (time 2), bar 3." in text
        assert "A breath: after bar 8." in text


def test_much_that_happens_is_cut_and_it_stays_one_page(tmp_path: Path) -> None:
    bars = [bar for nth in range(60) for bar in (nth + 1, *range(1, nth % 7 + 2))]
    beats = [
        beat._replace(held_s=0.5, start=60.0 + bar, end=60.0 + bar)
        for bar in bars for beat in steady((bar,), 96.0)
    ]  # fmt: skip
    facts = make_facts(
        beats=make_guide(beats).beats,
        marks=marks(400),
        practice=practice(20),
        parts=("Flute",) * 60,
    )
    text = Reader(players_sheet(facts)).text
    order = text[text.index("Bars as played:") :]
    assert order[: order.index("…") + 2].endswith(", ….")
    assert order.index("…") < 90
    assert text.count("and more.") == 2
    assert "Pages: 1" in " ".join(poppler("pdfinfo", players_sheet_pdf(facts), tmp_path).split())


def test_page_is_whole_and_asks_for_nothing_from_outside() -> None:
    page = players_sheet(make_facts())
    reader = Reader(page)
    assert page.startswith("<!DOCTYPE html>")
    assert ("html", {"lang": "en", "dir": "ltr"}) in reader.attributes
    levels = [int(tag[1]) for tag in reader.tags if re.fullmatch(r"h\d", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in itertools.pairwise(levels))
    assert set(reader.addresses) == {"https://cloud.example.org/s/round", "mailto:ines@example.org"}
    assert not set(reader.tags) & {"script", "link", "img", "iframe"}
    assert set(re.findall(r"url\(([^,)]+)", page)) == {"data:font/woff2;base64"}


@pytest.mark.parametrize("name", HOSTILE)
def test_any_name_is_shown_and_none_is_obeyed(name: str, tmp_path: Path) -> None:
    facts = make_facts(
        title=name, guide=(name,), video=name, parts=(name,),
        marks=marks(2, name), send_to=name, send_by=name, pattern=name,
    )  # fmt: skip
    page = players_sheet(facts)
    page.encode("utf-8")
    plain = Reader(players_sheet(make_facts()))
    reader = Reader(page)
    assert set(reader.tags) <= set(plain.tags)
    assert not [found for _, found in reader.attributes if any(key[:2] == "on" for key in found)]
    seen = name.replace("\ud800", "�").replace("‮", "�")
    seen = seen.replace("\x00", "�").replace("\x1b", "�")
    assert reader.text.count(" ".join(seen.split())[:39]) >= 8
    assert "Pages: 1" in " ".join(poppler("pdfinfo", players_sheet_pdf(facts), tmp_path).split())


def test_only_addresses_of_the_web_and_of_mail_can_be_opened() -> None:
    for text in ("javascript:alert(1)", "file:///etc/passwd", "data:text/html,x", "//x.org/y"):
        assert Reader(players_sheet(make_facts(send_to=text))).addresses == []


@pytest.mark.parametrize("count", [0, 1, 20, MOST_MARKS, MOST_MARKS + 1, 400])
def test_it_is_one_page_with_any_number_of_marks(count: int, tmp_path: Path) -> None:
    facts = make_facts(marks=marks(count))
    told = dict(
        line.split(":", 1)
        for line in poppler("pdfinfo", players_sheet_pdf(facts), tmp_path).splitlines()
    )
    assert told["Pages"].strip() == "1"
    # ISO 216: A4 is 210 by 297 mm; a point is 1/72 inch.
    width, height = (float(part) for part in re.findall(r"[\d.]+", told["Page size"])[:2])
    assert (width, height) == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=0.1)
    more = {0: "", 1: "One more mark is not listed."}
    rest = max(count - MOST_MARKS, 0)
    for text in (Reader(players_sheet(facts)).text, pdf_text(facts, tmp_path)):
        assert text.count(" bar ") == min(count, MOST_MARKS)
        assert more.get(rest, f"{rest} more marks are not listed.") in text


def test_with_twenty_marks_the_type_is_of_a_size_that_is_read_with_ease(tmp_path: Path) -> None:
    """Body type of printed matter is 9 to 12 points (typographers' practice, from memory)."""
    told = poppler("pdftotext", players_sheet_pdf(make_facts(marks=marks(20))), tmp_path,
                   "-bbox-layout")  # fmt: skip
    boxes = re.findall(r'<line xMin="[\d.]+" yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)">', told)
    heights = sorted(float(end) - float(start) for start, end in boxes)
    # EB Garamond's lines are 1.31 em high by its own metrics (table hhea).
    assert heights[len(heights) // 2] / 1.31 >= 9.0


def test_words_also_lie_on_a_page_of_letter(tmp_path: Path) -> None:
    """Letter is 279.4 mm high (ANSI Y14.1, from memory): centred on it, A4 loses 8.8 mm twice."""
    pdf = players_sheet_pdf(make_facts(marks=marks(400), parts=("Flute",) * 60))
    told = poppler("pdftotext", pdf, tmp_path, "-bbox")
    words = re.findall(
        r'<word xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">', told
    )
    assert len(words) > 400
    millimetres = [[float(edge) / 72 * 25.4 for edge in word] for word in words]
    assert min(top for _, top, _, _ in millimetres) > 8.8 + 6
    assert max(bottom for *_, bottom in millimetres) < 297 - 8.8 - 6
    assert min(left for left, *_ in millimetres) > 10
    assert max(right for _, _, right, _ in millimetres) < 200


def test_fonts_lie_in_the_pdf(tmp_path: Path) -> None:
    rows = poppler("pdffonts", players_sheet_pdf(make_facts()), tmp_path).splitlines()[2:]
    names = {row.split()[0].partition("+")[2] for row in rows}
    assert {"EBGaramond-Regular", "EBGaramond-Italic"} <= names
    embedded = [row.split()[-5] for row in rows]
    assert set(embedded) == {"yes"}


def test_very_many_parts_are_cut() -> None:
    text = Reader(players_sheet(make_facts(parts=tuple(f"Voice {n}" for n in range(61))))).text
    assert f"Voice {MOST_PARTS - 1}, and {61 - MOST_PARTS} more" in text
    assert f"Voice {MOST_PARTS}" not in text


def test_text_beyond_a_page_is_refused_with_advice() -> None:
    with pytest.raises(ProductionError, match="more text than one page"):
        players_sheet_pdf(make_facts(send_to="Here or there. " * 900))


def test_the_same_facts_give_the_same_bytes() -> None:
    assert players_sheet_pdf(make_facts()) == players_sheet_pdf(make_facts())
    assert players_sheet(make_facts()) == players_sheet(make_facts())


def test_letters_beyond_the_serif_come_from_the_files_that_are_given(tmp_path: Path) -> None:
    """DejaVu Sans, which comes with matplotlib, has Armenian letters; EB Garamond has none."""
    font = dejavu()
    facts = make_facts(title="Երգ")
    assert "Երգ" not in pdf_text(facts, tmp_path)
    (remark,) = pdf_remarks(facts)
    assert "Ե գ ր" in remark
    assert "Երգ" in pdf_text_with(facts, [font], tmp_path)
    assert pdf_remarks(facts, fonts=[font]) == ()
    assert pdf_remarks(make_facts()) == ()


def test_files_that_are_no_fonts_are_passed_over(tmp_path: Path) -> None:
    broken = tmp_path / "broken.ttf"
    broken.write_bytes(b"no font at all")
    fonts = [broken, tmp_path / "missing.ttf"]
    assert players_sheet_pdf(make_facts(), fonts=fonts)[:5] == b"%PDF-"


def test_no_font_is_opened_before_a_letter_asks_for_it(tmp_path: Path) -> None:
    opened: list[Path] = []

    class Watched(type(tmp_path)):  # type: ignore[misc]
        def __str__(self) -> str:
            opened.append(self)
            return super().__str__()

    fonts = [Watched(tmp_path / f"{nth}.ttf") for nth in range(500)]
    players_sheet_pdf(make_facts(), fonts=fonts)
    assert opened == []
    players_sheet_pdf(make_facts(title="さくら"), fonts=fonts)
    assert 0 < len(set(opened)) <= 40


def dejavu() -> Path:
    """Return DejaVu Sans, which comes with matplotlib."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"


def test_names_from_right_to_left_are_turned_in_the_pdf(tmp_path: Path) -> None:
    """Read by poppler, which puts what stands on paper back into the order of speech."""
    facts = make_facts(title="שלום עולם", parts=("Flute", "كمان"), marks=())
    text = unicodedata.normalize("NFKC", pdf_text_with(facts, [dejavu()], tmp_path))
    bare = re.sub("[\u202a-\u202e\u2066-\u2069\u200e\u200f]", "", text)
    assert "שלום עולם" in bare
    assert "كمان" in bare
    assert pdf_remarks(facts, fonts=[dejavu()]) == ()


@pytest.mark.parametrize(
    ("spoken", "paper"),
    [
        # The Unicode Character Database's names of these forms say which they are.
        ("\u0628", ["ARABIC LETTER BEH ISOLATED FORM"]),
        (
            "\u0643\u0645\u0627\u0646",
            [
                "ARABIC LETTER NOON ISOLATED FORM", "ARABIC LETTER ALEF FINAL FORM",
                "ARABIC LETTER MEEM MEDIAL FORM", "ARABIC LETTER KAF INITIAL FORM",
            ],
        ),
        ("\u0644\u0627", ["ARABIC LIGATURE LAM WITH ALEF ISOLATED FORM"]),
        (
            "\u0633\u0644\u0627\u0645",
            [
                "ARABIC LETTER MEEM ISOLATED FORM", "ARABIC LIGATURE LAM WITH ALEF FINAL FORM",
                "ARABIC LETTER SEEN INITIAL FORM",
            ],
        ),
        (
            "\u0628\u064e\u0628",
            [
                "ARABIC LETTER BEH FINAL FORM", "ARABIC LETTER BEH INITIAL FORM", "ARABIC FATHA",
            ],
        ),
    ],
)  # fmt: skip
def test_arabic_letters_are_joined(spoken: str, paper: list[str]) -> None:
    assert [unicodedata.name(letter) for letter in turned(spoken)] == paper


@pytest.mark.parametrize(
    ("spoken", "paper"),
    [
        ("abc", "abc"),
        ("", ""),
        ("a אב b", "a בא b"),
        ("אב (גד)", "(דג)\u00a0בא"),
        ("אב 12 גד", "דג\u00a012\u00a0בא"),
        ("אב 12, c", "12\u00a0בא, c"),
    ],
)
def test_stretches_are_turned_as_a_whole(spoken: str, paper: str) -> None:
    """By the rules of Unicode Standard Annex 9 in text from left to right, followed by hand."""
    assert turned(spoken) == paper


def test_a_sheet_that_runs_from_right_to_left_is_better_printed_from_its_page() -> None:
    texts = read_texts("he", own='direction = "rtl"')
    (remark,) = pdf_remarks(make_facts(texts=texts))
    assert "print the HTML page" in remark


def test_facts_follow_from_guide_and_plan() -> None:
    beats = steady((-1, 0), 96.0, -1) + steady(range(1, 5), 96.0)
    metre = Metre("4/4", (Fraction(1, 4),) * 4)
    bars = tuple(Bar(n, metre, metre.length) for n in range(1, 5))
    plan = GuidePlan("Round", bars, (PlanSection("A"),), Tempo(96.0))
    facts = sheet_facts(make_guide(beats, ["A"]), plan, send_by="soon")
    assert (facts.count_in_bars, facts.count_in_s, facts.send_by) == (2, 5.0, "soon")
    assert mark_rows(facts) == (MarkRow("A", "bar 1", "0:06"),)
    by_seconds = dataclasses.replace(plan, count_in=CountIn(seconds=4.0))
    assert sheet_facts(make_guide(beats, ["A"]), by_seconds).count_in_by_s


def flat(table: Mapping[str, Any], above: str = "") -> dict[str, str]:
    found: dict[str, str] = {}
    for key, value in table.items():
        found |= flat(value, f"{above}{key}.") if isinstance(value, dict) else {above + key: value}
    return found


KEYS = flat(tomllib.loads(ENGLISH))
PLAIN = {"direction", "page.comma", "page.point"}


def invented() -> str:
    """Return a language in which every text says its own key between angle quotes."""
    rows = []
    for key, text in KEYS.items():
        name = ".".join(f'"{part}"' for part in key.split("."))
        facts = " ".join(re.findall(r"\{\w+\}", text))
        rows.append(f'{name} = "«{key}: {facts}»"' if key not in PLAIN else "")
    return "\n".join(rows)


KINDS = ("clicks", "drone", "others", "own", "all")
SPEEDS = tuple(PracticeVersion(share / 10) for share in range(5, 10))

# Bars 1 to 2 twice, the second time slowed and then held; then a step, and a ramp upwards.
EVENTFUL = [
    *steady((1, 2), 96.0),
    *steady((1,), 96.0),
    *(beat._replace(held_s=0.5) for beat in ramp((2,), 96.0, 80.0)),
    Given(3, 1, 80.0, 80.0, held_s=1.5),
    *steady((4, 5), 80.0),
    *steady((6,), 120.0),
    *ramp((7, 8), 120.0, 136.0),
    *(beat._replace(held_s=0.5) for beat in steady(range(9, 17), 136.0)),
    *steady((16, 17), 100.0),
]


def breathing(beats: Sequence[Given]) -> tuple[GuideBeat, ...]:
    """Return beats, each with a breath behind it."""
    return tuple(dataclasses.replace(beat, breath_s=0.5) for beat in make_guide(beats).beats)


def every_kind() -> tuple[PlayersSheet, ...]:
    """Return facts that together need every text there is."""
    texts = read_texts("xx", own=invented())
    units = [Fraction(key.split(".")[1]) for key in KEYS if re.fullmatch(r"notes\.\d+/\d+", key)]
    base = make_facts(texts=texts, marks=marks(MOST_MARKS + 1))
    return (
        base,
        *(dataclasses.replace(base, tempo=Tempo(60.0, unit)) for unit in (*units, Fraction(5, 8))),
        *(dataclasses.replace(base, count_in_bars=bars) for bars in range(6)),
        *(dataclasses.replace(base, parts=("a",) * (MOST_PARTS + more)) for more in (1, 2)),
        dataclasses.replace(
            base, marks=marks(400), guide=(), signature=False, title="", pattern=""
        ),
        *(dataclasses.replace(base, count_in_bars=n % 3, count_in_beats=n) for n in range(1, 6)),
        *(dataclasses.replace(base, practice=(PracticeVersion(kind=k),)) for k in KINDS),
        dataclasses.replace(base, practice=SPEEDS),
        dataclasses.replace(base, count_in_by_s=True),
        dataclasses.replace(base, beats=breathing(EVENTFUL)),
        dataclasses.replace(base, beats=make_guide(EVENTFUL * 2).beats),
    )


def without_texts(shown: str) -> str:
    """Take out every text, the innermost first."""
    while (less := re.sub(r"«[^«»]*»", "", shown)) != shown:
        shown = less
    return shown


def test_every_text_is_used_and_none_stands_in_the_code(tmp_path: Path) -> None:
    """In a language of bare keys, nothing is left but names, numbers and times."""
    used: set[str] = set()
    given = "Orchard Round|round (guide v3|slow|clicks)|wav|mp3|mp4|Flute|Clarinet|Cello|M|Part"
    given += "|Name|take|http|https://cloud.example.org/s/round or ines@example.org|March|a"
    for facts in every_kind():
        shown = Reader(players_sheet(facts)).text
        used |= set(re.findall(r"«([^:«»]+):", shown))
        assert not re.findall(r"[^\W\d_]+", re.sub(given, "", without_texts(shown)))
    assert used == set(KEYS) - PLAIN
    printed = pdf_text(every_kind()[0], tmp_path)
    assert not re.findall(r"[^\W\d_]+", re.sub(given, "", without_texts(printed)))


def test_a_language_of_ones_own_wins_and_what_it_lacks_is_english() -> None:
    own = 'direction = "rtl"\n[send]\nheading = "Versenden"\nby = "*Bis:* {when}"\n'
    texts = read_texts("de", own=own, where="sheet.de.toml")
    reader = Reader(players_sheet(make_facts(texts=texts)))
    assert ("html", {"lang": "de", "dir": "rtl"}) in reader.attributes
    assert "Versenden" in reader.text
    assert "Bis: 22 March" in reader.text
    assert "Flight mode" in reader.text
    (remark,) = texts.remarks
    assert "'de'" in remark
    assert "missing" in remark
    assert "and " in remark
    assert "sheet.de.toml" in remark


def test_texts_that_cannot_be_used_are_named() -> None:
    own = '[send]\nheding = "x"\nname = "*Nenne {patern}*"\nto = 7\nby = "*offen"\n'
    texts = read_texts("en", own=own)
    (remark,) = texts.remarks
    for key in ("send.heding", "send.name", "send.to", "send.by"):
        assert key in remark
    assert texts.words["send.name"] == read_texts().words["send.name"]


def test_numbers_decide_as_a_language_wants() -> None:
    own = '[amounts.bars]\n1 = "ein Takt"\nother = "{count} Takte"\n'
    texts = read_texts("de", own=own)
    assert [texts.counted("amounts.bars", n) for n in (1, 2, 5)] == [
        "ein Takt", "2 Takte", "5 Takte",
    ]  # fmt: skip


def test_a_language_without_texts_is_told() -> None:
    texts = read_texts("eo")
    assert texts.language == "en"
    assert "sheet.eo.toml" in texts.remarks[0]
    assert read_texts().remarks == ()


@pytest.mark.parametrize("language", ["", "../en", "e", "en.toml", "deutsch-schweizerisch!"])
def test_a_language_that_is_none_is_refused(language: str) -> None:
    with pytest.raises(ProductionError, match="no language"):
        read_texts(language)


def test_texts_that_are_no_toml_are_refused_with_their_place() -> None:
    with pytest.raises(ProductionError, match=r"no TOML.*\(sheet\.de\.toml\)"):
        read_texts("de", own="[send", where="sheet.de.toml")


def test_only_sections_with_a_name_are_listed() -> None:
    facts = make_facts(
        marks=(Mark("A", 1, 6.5), Mark(" ", 9, 20.0), Mark("Flute", 17, 40.0, "cue"))
    )
    assert mark_rows(facts) == (MarkRow("A", "bar 1", "0:06"),)


def test_colours_of_the_page_and_of_the_pdf_have_contrast() -> None:
    style = (resources.files("syncvid.handoff") / "players.css").read_text(encoding="utf-8")
    roots = [
        dict(re.findall(r"--(\w+): (#\w+)", root)) for root in re.findall(r":root {(.+?)}", style)
    ]
    assert len(roots) == 3
    for colours in roots:
        full = {name: c if len(c) == 7 else "#" + "".join(2 * d for d in c[1:])
                for name, c in colours.items()}  # fmt: skip
        for name in ("ink", "red", "aside"):
            assert contrast(full[name], full["paper"]) >= TEXT, (name, colours)
    from syncvid.handoff import pdf_marks

    for colour in (pdf_marks.INK, pdf_marks.RED, pdf_marks.ASIDE):
        assert contrast(colour, "#ffffff") >= TEXT
    assert contrast(pdf_marks.INK, "#ffffff") >= LINES


def test_the_smallest_type_is_still_readable() -> None:
    assert min(_SIZES) >= 6.0
