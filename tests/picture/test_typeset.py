"""Words in fonts: direction, letters, lines, and what is set with and without a shaping library."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont, features

from syncvid.picture import setting
from syncvid.picture.direction import reads_from_right, stretches
from syncvid.picture.fonts import choose_type
from syncvid.picture.setting import draw_line, length_px, shaping_advice
from syncvid.picture.typeset import (
    ELLIPSIS,
    Face,
    Run,
    Typeset,
    clusters,
    letter_count,
    shortened,
    wrapped,
)

# Capitals stand for Hebrew letters, as in the examples of Unicode Standard Annex 9.
HEBREW = {letter: chr(0x05D0 + n) for n, letter in enumerate("ABCDEFGHIJKLMNOPQRSTUVWXYZ")}


def as_seen(text: str) -> str:
    """Return a text as it is seen, with capitals for letters that run from right to left."""
    spoken = "".join(HEBREW.get(letter, letter) for letter in text)
    seen = [
        spoken[s.start : s.stop][::-1] if s.from_right else spoken[s.start : s.stop]
        for s in stretches(spoken)
    ]
    back = {hebrew: letter for letter, hebrew in HEBREW.items()}
    return "".join(back.get(letter, letter) for letter in "".join(seen))


def words(text: str) -> Typeset:
    return choose_type([text])[0][0]


def per_letter(line: Typeset) -> float:
    """Every letter is one unit long."""
    return float(len(line.text))


@pytest.mark.parametrize(
    ("spoken", "seen"),
    [
        # Unicode Standard Annex 9, revision 50, rule L2, examples 1 and 2.
        ("car means CAR.", "car means RAC."),
        ("CAR MEANS car=", "=car SNAEM RAC"),
        # Rules W4, N1, I2: numbers among letters from the right keep their own order.
        ("FLUTE 12.5 A", "A 12.5 ETULF"),
        ("Horn 2 AB".replace("H", "h"), "horn 2 BA"),
        ("VIOLA \u00b7 ANAT", "TANA \u00b7 ALOIV"),
        ("", ""),
    ],
)
def test_letters_stand_in_the_order_of_the_unicode_standard(spoken: str, seen: str) -> None:
    assert as_seen(spoken) == seen


def test_runs_in_several_faces_stand_in_that_order_too() -> None:
    viola, dot, player = Run("ABC", Face("h")), Run(" · ", Face("g")), Run("DE", Face("h"))
    hebrew = [Run("".join(HEBREW.get(x, x) for x in r.text), r.face) for r in (viola, dot, player)]
    seen = setting.pieces(Typeset(tuple(hebrew), Face("g")))
    assert [piece.text for piece in seen] == [run.text for run in reversed(hebrew)]
    assert all(piece.from_right for piece in seen)


def test_the_first_strong_letter_gives_the_direction() -> None:
    assert reads_from_right("2. \u05d0 a")
    assert not reads_from_right("2. a \u05d0")


@pytest.mark.skipif(not features.check("raqm"), reason="needs FriBiDi, by way of raqm")
@pytest.mark.parametrize("text", ["כינור · ענת", "Viola · ענת כהן", "ענת 12 a", "محمد · كمان"])
def test_order_is_that_of_fribidi(text: str) -> None:
    """The same font throughout: FriBiDi may order the whole line, we piece by piece."""
    path = next(run.face.path for run in words("ענת").runs)
    line = Typeset((Run(text, Face(path)),), Face(path))
    ours = np.asarray(draw_line(line, 40).image).sum(axis=0, dtype=float)
    whole = ImageFont.truetype(path, 160)
    large = Image.new("L", (int(whole.getlength(text)) + 400, 400), 0)
    direction = "rtl" if reads_from_right(text) else "ltr"
    ImageDraw.Draw(large).text(
        (96, 300), text, font=whole, fill=255, anchor="ls", direction=direction
    )
    theirs = np.asarray(large.reduce(4)).sum(axis=0, dtype=float)
    length = min(len(ours), len(theirs))
    assert np.corrcoef(ours[:length], theirs[:length])[0, 1] > 0.98


def test_letters_are_what_a_reader_takes_for_one() -> None:
    # Unicode Standard Annex 29: a mark, a joined emoji, a flag, a skin tone.
    for one in ("e\u0301", "\U0001f469\u200d\U0001f3a4", "\U0001f1e8\U0001f1ed", "👋🏽"):
        assert clusters(one) == [one]
    assert clusters("ab") == ["a", "b"]
    assert letter_count("e\u0301t\u00e9") == 3


def test_shortening_prefers_the_gap_between_words() -> None:
    line = words("Second alto saxophone")
    assert shortened(line, 30, per_letter) == line
    assert shortened(line, 14, per_letter).text == "Second alto" + ELLIPSIS
    assert shortened(line, 5, per_letter).text == "Seco" + ELLIPSIS
    assert shortened(line, 0, per_letter).text == ELLIPSIS


@pytest.mark.parametrize("room", range(1, 24))
def test_what_is_shortened_fits(room: int) -> None:
    assert per_letter(shortened(words("Second alto, saxophone · X"), room, per_letter)) <= room


def test_lines_break_between_words_and_are_about_equal() -> None:
    line = words("one two three four five six")
    broken = [part.text for part in wrapped(line, 20, per_letter)]
    assert broken == ["one two three", "four five six"]
    assert [part.text for part in wrapped(line, 12, per_letter, 2)][1].endswith(ELLIPSIS)


def test_a_word_longer_than_a_line_is_broken_not_cut() -> None:
    broken = wrapped(words("Donaudampfschiff"), 6, per_letter)
    assert "".join(part.text for part in broken) == "Donaudampfschiff"
    assert all(per_letter(part) <= 6 for part in broken)


def test_east_asian_lines_break_anywhere_but_before_a_full_stop() -> None:
    line = Typeset((Run("春の朝に。夏の夜", Face("x")),), Face("x"))
    assert all(not part.text.startswith("。") for part in wrapped(line, 4, per_letter))


def test_cutting_keeps_the_faces() -> None:
    line = Typeset((Run("Flute ", Face("a")), Run("山田", Face("b"))), Face("a"))
    assert line.cut(2, 7).runs == (Run("ute ", Face("a")), Run("山", Face("b")))
    assert line.cut(0, 6).runs == (Run("Flute", Face("a")),)
    assert pickle.loads(pickle.dumps(line)) == line


def test_where_a_font_lies_does_not_matter_for_a_fingerprint() -> None:
    here, there = (
        Typeset((Run("A", Face(path, identity="f.ttf:12")),), Face(path)) for path in ("/a", "/b")
    )
    assert here.describe() == there.describe()
    other = Typeset((Run("A", Face("/a", index=1, identity="f.ttf:12")),), Face("/a"))
    assert here.describe() != other.describe()


@pytest.fixture(params=["matplotlib", "none"])
def other_shaper(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Set text as on a computer without raqm."""
    if request.param == "matplotlib":
        version = tuple(map(int, setting.importlib.metadata.version("matplotlib").split(".")[:2]))
        if version < (3, 11):
            pytest.skip("this matplotlib does not shape text")
    monkeypatch.setattr(setting, "shaper", lambda: request.param)
    return str(request.param)


@pytest.mark.parametrize("text", ["Flute · Ines", "Horn in F · Łukasz", "כינור · (ענת"])
def test_every_way_of_setting_gives_the_same_line(
    text: str, other_shaper: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    line = words(text)
    lengths, sums = [], []
    for way in (other_shaper, "raqm" if features.check("raqm") else "none"):
        monkeypatch.setattr(setting, "shaper", lambda way=way: way)
        lengths.append(length_px(line, 40))
        sums.append(np.asarray(draw_line(line, 40).image).sum(axis=0, dtype=float))
    # Kerning and ligatures differ by a pixel or two.
    assert lengths[0] == pytest.approx(lengths[1], rel=0.03)
    size = min(map(len, sums))
    soft = [np.convolve(one[:size], np.ones(12)) for one in sums]
    assert np.corrcoef(soft[0], soft[1])[0, 1] > 0.95


def test_what_cannot_be_set_well_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(setting, "shaper", lambda: "none")
    assert "matplotlib" in shaping_advice("محمد")
    assert shaping_advice("ענת") == shaping_advice("Łukasz") == ""
    monkeypatch.setattr(setting, "shaper", lambda: "raqm")
    assert shaping_advice("محمد") == ""


def test_letters_are_not_cut_off_at_a_masks_edges() -> None:
    for text in ("Ångström (fjord)", "ẤẬ"):
        box = draw_line(words(text), 60, 0.4).image.getbbox()
        size = draw_line(words(text), 60, 0.4).image.size
        assert box is not None
        assert box[0] > 0
        assert box[1] > 0
        assert box[2] < size[0]
        assert box[3] < size[1]


def test_a_face_of_a_missing_file_is_an_error_with_its_name() -> None:
    gone = Face(str(Path("nowhere") / "gone.ttf"))
    with pytest.raises(OSError, match="cannot open resource"):
        draw_line(Typeset((Run("A", gone),), gone), 20)
