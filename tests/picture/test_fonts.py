"""Fonts: each run of letters in a face that has them, and plain words where none has.

Only fonts that are there for sure are relied on: the project's own and matplotlib's DejaVu Sans.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen
from fontTools.ttLib import TTCollection, TTFont

from syncvid.errors import MissingExtraError
from syncvid.picture import fonts
from syncvid.picture.fontfiles import faces_in, own_files
from syncvid.picture.fonts import choose_type, tidied
from syncvid.picture.typeset import ELLIPSIS


def build(path: Path, letters: str, *, empty: str = "", family: str = "Planted") -> TTFont:
    """Write a font whose letters are squares, or nothing."""
    glyphs = {".notdef": ".notdef"} | {f"u{ord(x):04X}": x for x in letters + empty}
    builder = FontBuilder(1000, isTTF=True)
    builder.setupGlyphOrder(list(glyphs))
    builder.setupCharacterMap({ord(x): name for name, x in glyphs.items() if len(x) == 1})
    outlines = {}
    for name, letter in glyphs.items():
        pen = TTGlyphPen(None)
        if letter not in empty:
            for index, at in enumerate(((100, 0), (100, 700), (600, 700), (600, 0))):
                (pen.lineTo if index else pen.moveTo)(at)
            pen.closePath()
        outlines[name] = pen.glyph()
    builder.setupGlyf(outlines)
    builder.setupHorizontalMetrics(dict.fromkeys(glyphs, (700, 100)))
    builder.setupHorizontalHeader(ascent=800, descent=-200)
    builder.setupNameTable({"familyName": family, "styleName": "Regular", "fullName": family})
    builder.setupOS2(sCapHeight=700)
    builder.setupPost()
    builder.save(path)
    return builder.font


@pytest.fixture
def system(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Give a computer whose only system fonts are those that a test puts into this folder."""
    monkeypatch.setattr(fonts, "system_files", lambda: tuple(sorted(tmp_path.iterdir())))
    yield tmp_path
    faces_in.cache_clear()


def names_of(text: str) -> list[tuple[str, str]]:
    return [(run.text, Path(run.face.path).name) for run in choose_type([text])[0][0].runs]


def test_letters_are_in_the_faces_that_are_chosen() -> None:
    for text in ("Flöte · Łukasz", "Скрипка · Ольга", "Τσέλο", "♭ Horn in F♯", "كمان"):
        (line,), warnings = choose_type([text])
        assert not warnings
        assert line.text == text
        for run in line.runs:
            with TTFont(run.face.path, fontNumber=run.face.index) as font:
                cmap = set(font.getBestCmap())
            assert {ord(letter) for letter in run.text if letter != " "} <= cmap


def test_the_own_serif_comes_first_and_its_italic_when_asked() -> None:
    assert names_of("Flute · Ines") == [("Flute · Ines", "EBGaramond-Regular.ttf")]
    (line,), _ = choose_type(["for six players"], italic=True)
    assert Path(line.runs[0].face.path).name == "EBGaramond-Italic.ttf"


def test_each_script_gets_one_face_on_one_line(system: Path) -> None:
    build(system / "east.ttf", "山田子")
    assert names_of("Viola · 山田 子") == [
        ("Viola · ", "EBGaramond-Regular.ttf"),
        ("山田 子", "east.ttf"),
    ]


def test_a_word_does_not_change_its_looks_in_the_middle(system: Path) -> None:
    # EB Garamond has Cyrillic, but not this letter of Kazakh; DejaVu Sans has both.
    assert {name for text, name in names_of("Әсет") if text.strip()} == {"DejaVuSans.ttf"}
    assert {name for text, name in names_of("Асет") if text.strip()} == {"EBGaramond-Regular.ttf"}


def test_letters_that_no_font_has_are_told_and_stood_in_for(system: Path) -> None:
    (line, other), (warning,) = choose_type(["Viola · 東京", "Cello · Oda"])
    assert line.text == "Viola · " + ELLIPSIS
    assert other.text == "Cello · Oda"
    for piece in ("東", "京", "Chinese", "'Viola · 東京'", "Noto Serif CJK"):
        assert piece in warning


def test_emoji_without_outlines_are_left_out_and_told(system: Path) -> None:
    (line,), (warning,) = choose_type(["Flute \U0001f3bb · Zoë"])
    assert line.text == "Flute · Zoë"
    assert "\U0001f3bb" in warning


def test_a_colour_font_counts_only_for_glyphs_with_outlines(system: Path) -> None:
    font = build(system / "emoji.ttf", "\U0001f3b7", empty="\U0001f3bb")
    builder = FontBuilder(font=font)
    builder.setupCOLR({"u1F3BB": [("u1F3B7", 0)]})
    builder.setupCPAL([[(1.0, 0.0, 0.0, 1.0)]])
    font.save(system / "emoji.ttf")
    (line,), warnings = choose_type(["\U0001f3b7 \U0001f3bb"])
    assert line.text == "\U0001f3b7"
    assert len(warnings) == 1


def test_the_right_face_of_a_collection_is_opened(system: Path) -> None:
    faces = TTCollection()
    faces.fonts = [
        build(system / "one.ttf", "山", family="Planted SC"),
        build(system / "two.ttf", "山か", family="Planted Mono JP"),
        build(system / "three.ttf", "山か", family="Planted JP"),
    ]
    for path in list(system.iterdir()):
        path.unlink()
    faces.save(system / "many.ttc")
    (han,), _ = choose_type(["山"])
    assert han.runs[0].face.index != 1  # that one is for code
    both, _ = choose_type(["山", "か"])  # kana anywhere: all is Japanese
    assert [line.runs[0].face.index for line in both] == [2, 2]


def test_faces_are_drawn_so_that_capitals_are_of_one_height() -> None:
    for path in own_files():
        (known,) = faces_in(path)
        with TTFont(path) as font:
            high = font["glyf"][font.getBestCmap()[ord("H")]].yMax / font["head"].unitsPerEm
        assert high * known.face.scale == pytest.approx(0.65, abs=0.01)


def test_broken_files_are_passed_over(system: Path) -> None:
    (system / "broken.ttf").write_bytes(b"\0\1\0\0 no font at all")
    (system / "empty.ttc").write_bytes(b"")
    (line,), warnings = choose_type(["東"])
    assert line.text == ELLIPSIS
    assert len(warnings) == 1


def test_control_signs_and_spare_space_are_tidied_away() -> None:
    assert tidied("  Flute\n\tInes\u202e \x07") == "Flute Ines"
    assert tidied("e\u0301") == "\u00e9"  # Unicode Standard Annex 15, form C


def test_without_any_font_that_is_said(system: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fonts, "own_files", lambda italic=False: iter(()))
    with pytest.raises(MissingExtraError, match="no font"):
        choose_type(["Oboe"])


def test_without_the_own_serif_another_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    others = [path for path in own_files() if "Garamond" not in path.name]
    assert others, "matplotlib brings one"
    monkeypatch.setattr(fonts, "own_files", lambda italic=False: iter(others))
    assert names_of("Oboe") == [("Oboe", others[0].name)]
