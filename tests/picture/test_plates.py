"""Plates: everything that is to be read is there, whole, inside the safe area."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.picture.areas import text_area
from syncvid.picture.colour import LEAST_CONTRAST, colour_to_yuv, contrast, parse_colour
from syncvid.picture.credits import choose_credits, plan_plates, set_credits
from syncvid.picture.fonts import choose_type
from syncvid.picture.overlay import flat
from syncvid.picture.plates import Plate, TitlePlate, draw_plate, reading_s, set_title, veil_share
from syncvid.picture.setting import length_px
from syncvid.production.layouts import PlateStyle

STYLE = PlateStyle()
SHAPES = [
    (426, 240),
    (240, 426),
    (1280, 720),
    (1920, 1080),
    (1080, 1920),
    (1080, 1080),
    (1080, 1350),
]
TITLES = {
    "short": ("Orchard Round", "for six players at home"),
    "long": ("An Unreasonably Long Title for a Suite in Four Movements", "and a subtitle " * 5),
    "one word": ("Donaudampfschifffahrtsgesellschaftskapitänsmütze", ""),
}
FEW = ["Flute · Ines", "Clarinet in B flat · Bram", "", "Recorded at home.", "Sound: Oda Berg"]
MANY = [f"Second alto saxophone {n} · Maximiliane-Theodora Hohenfels {n}" for n in range(64)]


def title_plate(title: str, subtitle: str) -> TitlePlate:
    (words,), _ = choose_type([title])
    (below,), _ = choose_type([subtitle], italic=True)
    return TitlePlate(words, below)


def ink_box(plate: Plate, size: tuple[int, int]) -> tuple[int, int, int, int]:
    """Return left, top, right and bottom of all that is not ground."""
    luma = draw_plate(plate, size, STYLE)[0].astype(int)
    rows, columns = np.nonzero(abs(luma - colour_to_yuv(STYLE.background)[0]) > 3)
    return columns.min(), rows.min(), columns.max() + 1, rows.max() + 1


def assert_inside(box: tuple[int, int, int, int], size: tuple[int, int]) -> None:
    """EBU R 95: 5 % on each side; upright video: 15 % above and below (practice)."""
    high = 0.15 if size[1] > 1.5 * size[0] else 0.05
    # An italic letter may lean over its own width by a few pixels.
    lean = 0.01 * size[0]
    assert box[0] >= 0.05 * size[0] - lean
    assert box[2] <= 0.95 * size[0] + lean
    assert box[1] >= high * size[1] - 1
    assert box[3] <= (1 - high) * size[1] + 1


@pytest.mark.parametrize("size", SHAPES)
@pytest.mark.parametrize("kind", TITLES)
def test_titles_lie_in_the_safe_area(size: tuple[int, int], kind: str) -> None:
    assert_inside(ink_box(title_plate(*TITLES[kind]), size), size)


@pytest.mark.parametrize("size", SHAPES)
@pytest.mark.parametrize("kind", TITLES)
def test_no_word_of_a_title_is_broken(size: tuple[int, int], kind: str) -> None:
    lines, em = set_title(title_plate(*TITLES[kind]).title, size)
    assert " ".join(line.text for line in lines) == TITLES[kind][0]
    assert em >= 0.0449 * min(size)


@pytest.mark.parametrize("size", SHAPES)
@pytest.mark.parametrize("lines", [FEW, MANY[:20]], ids=["few", "twenty"])
def test_credits_lie_in_the_safe_area(size: tuple[int, int], lines: list[str]) -> None:
    for plate in plan_plates(choose_credits(lines)[0], size):
        assert_inside(ink_box(plate, size), size)


@pytest.mark.parametrize("size", SHAPES)
@pytest.mark.parametrize("lines", [FEW, MANY[:7], MANY], ids=["few", "some", "many"])
def test_no_credit_is_lost_or_cut(size: tuple[int, int], lines: list[str]) -> None:
    credits, warnings = choose_credits(lines)
    assert not warnings
    plates = plan_plates(credits, size)
    shown = [c for plate in plates for column in plate.columns for c in column if c.name]
    assert shown == [credit for credit in credits if credit.name]
    area = text_area(size)
    for plate in plates:
        rows, _ = set_credits(plate, size)
        letters = "".join(row.words.text for row in rows).replace(" ", "")
        wanted = [c for column in plate.columns for c in column]
        assert sorted(letters) == sorted(
            "".join(c.role.text + c.name.text for c in wanted).replace(" ", "")
        )
        for row in rows:
            assert row.x >= area.x - 1
            assert row.x + length_px(row.words, plate.em_px) <= area.x + area.width + 1
            assert row.y <= area.y + area.height


def test_columns_never_reach_below_the_area(rng: np.random.Generator) -> None:
    credits, _ = choose_credits([*FEW, *MANY[:3], "and a long sentence that goes on " * 4])
    for _ in range(60):
        chosen = [credits[n] for n in rng.integers(0, len(credits), rng.integers(5, 60))]
        area = text_area((426, 240))
        for plate in plan_plates(chosen, (426, 240)):
            rows, _ = set_credits(plate, (426, 240))
            assert max(row.y for row in rows) <= area.y + area.height
            assert min(row.y for row in rows) >= area.y


def test_few_credits_are_one_plate_in_large_letters_and_many_are_several() -> None:
    size = (1920, 1080)
    (plate,) = plan_plates(choose_credits(FEW)[0], size)
    assert len(plate.columns) == 1
    assert plate.em_px >= 0.05 * 1080
    plates = plan_plates(choose_credits(MANY)[0], size)
    assert len(plates) > 1
    assert all(p.em_px >= 0.03 * 1080 for p in plates)
    counts = [len(column) for p in plates for column in p.columns]
    assert max(counts) - min(counts) <= 4  # about evenly filled


def test_no_credits_no_plate() -> None:
    assert plan_plates(choose_credits(["", " "])[0], (1920, 1080)) == ()


def test_what_and_who_are_told_apart() -> None:
    credits, _ = choose_credits(["Flute · Ines", "Sound: Oda", "Thank you."])
    said = [(credit.role.text, credit.name.text) for credit in credits]
    assert said == [("Flute", "Ines"), ("Sound", "Oda"), ("", ""), ("", "Thank you.")]


def test_plates_are_quiet_with_a_rule_in_the_accent_colour() -> None:
    luma, u, v = draw_plate(title_plate("Orchard Round", "for six"), (1280, 720), STYLE)
    ground, rule = colour_to_yuv(STYLE.background), colour_to_yuv(STYLE.rule)
    assert tuple(int(np.bincount(p.ravel()).argmax()) for p in (luma, u, v)) == ground
    rows, columns = np.nonzero(v == rule[2])
    assert rows.size > 50
    assert abs(columns.mean() * 2 - 640) < 4


def test_plates_are_legible() -> None:
    for ink in (STYLE.ink, STYLE.second):
        assert contrast(parse_colour(ink), parse_colour(STYLE.background)) >= LEAST_CONTRAST


def test_there_is_time_to_read() -> None:
    short, long = (reading_s(title_plate(*TITLES[kind])) for kind in ("short", "long"))
    assert 3 <= short < long <= 12


@pytest.mark.parametrize("grey", [0, 60, 150, 255])
@pytest.mark.parametrize(
    "style", [PlateStyle(), PlateStyle(background="#fffdf7", ink="#1f1c18", second="#5a544b")]
)
def test_words_on_an_image_keep_their_contrast(grey: int, style: PlateStyle) -> None:
    """WCAG 2.2, 1.4.3 (AA): 4.5 to 1."""
    luma = round(16 + grey * 219 / 255)
    ground = flat((luma, 128, 128), 64, 36)
    share = veil_share(ground, style)
    behind = tuple(share * c + (1 - share) * grey for c in parse_colour(style.background))
    assert contrast(parse_colour(style.second), (behind[0], behind[1], behind[2])) > 4.4
    if contrast(parse_colour(style.second), (grey, grey, grey)) > 4.6:
        assert share == 0.0
