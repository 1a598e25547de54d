"""Names: legible on any picture, out of the way, short enough, in a font that has the letters."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from fontTools.ttLib import TTFont
from PIL import ImageFont

from syncvid.picture import fonts
from syncvid.picture.canvas import Canvas
from syncvid.picture.colour import (
    LEAST_CONTRAST,
    colour_to_yuv,
    contrast,
    parse_colour,
    planes_from_rgb,
    to_yuv,
)
from syncvid.picture.fonts import find_font
from syncvid.picture.lettering import ELLIPSIS, draw_caption, draw_card, shortened
from syncvid.picture.pieces import Rect
from syncvid.production.layouts import Layout

LOOK = Layout("grid")
TILE = Rect(640, 360, 640, 360)
FONT = find_font("Flute · Ines")[0]


def caption(label: str = "Flute · Ines", tile: Rect = TILE) -> object:
    return draw_caption(label, FONT, tile, LOOK.caption, rule=LOOK.card.rule, picture_height=1080)


def painted(ground: tuple[int, int, int]) -> tuple[Canvas, Rect]:
    """Return a canvas of one grey with a caption on it, and the caption's place."""
    overlay = caption()
    assert overlay is not None
    canvas = Canvas(1920, 1080)
    canvas.fill(Rect(0, 0, 1920, 1080), to_yuv(ground))
    canvas.blend(overlay)  # type: ignore[arg-type]
    return canvas, overlay.rect  # type: ignore[attr-defined]


def grey_of(luma: float) -> tuple[float, float, float]:
    """Return the full-range grey of a limited-range luma (BT.709-6, item 4.6)."""
    value = (luma - 16) * 255 / 219
    return value, value, value


@pytest.mark.parametrize("ground", [0, 128, 255], ids=["on black", "on grey", "on white"])
def test_captions_keep_their_contrast_on_any_picture(ground: int) -> None:
    """WCAG 2.2, 1.4.3 (AA): 4.5 to 1 between letters and what is behind them."""
    canvas, rect = painted((ground, ground, ground))
    part = canvas.planes[0][rect.y : rect.y + rect.height, rect.x : rect.x + rect.width]
    # Left of the fading end: the brightest pixels are letters, the commonest one is the band.
    solid = part[:, 10 : round(rect.width * 0.75)]
    letters, band = float(solid.max()), float(np.bincount(solid.ravel()).argmax())
    assert contrast(grey_of(letters), grey_of(band)) >= LEAST_CONTRAST


def test_a_caption_touches_nothing_but_its_rectangle() -> None:
    canvas, rect = painted((90, 90, 90))
    ground = to_yuv((90, 90, 90))
    for plane, value, share in zip(canvas.planes, ground, (1, 2, 2), strict=True):
        rest = plane.copy()
        rest[
            rect.y // share : (rect.y + rect.height) // share,
            rect.x // share : (rect.x + rect.width) // share,
        ] = value
        assert (rest == value).all()


@pytest.mark.parametrize("tile", [TILE, Rect(0, 0, 320, 180), Rect(0, 0, 1920, 1080)])
def test_captions_lie_at_the_lower_left_and_leave_the_middle_free(tile: Rect) -> None:
    overlay = caption(tile=tile)
    rect = overlay.rect  # type: ignore[attr-defined]
    assert (rect.x, rect.y + rect.height) == (tile.x, tile.y + tile.height)
    assert rect.y >= tile.y + 0.85 * tile.height
    assert rect.x + rect.width <= tile.x + tile.width
    assert not any(n % 2 for n in (rect.x, rect.y, rect.width, rect.height))


def test_a_tile_too_small_for_letters_has_no_caption() -> None:
    assert caption(tile=Rect(0, 0, 40, 24)) is None


def test_a_long_name_is_shortened() -> None:
    face = ImageFont.truetype(str(FONT), 30)
    long = "Second alto saxophone · Maximiliane-Theodora"
    short = shortened(long, face, 200)
    assert short.endswith(ELLIPSIS)
    assert face.getlength(short) <= 200
    assert face.getlength(long[: len(short)] + ELLIPSIS) > 200
    assert shortened("Oboe", face, 200) == "Oboe"


def test_a_long_caption_leaves_a_little_room_at_the_right() -> None:
    rect = caption("Second alto saxophone in E flat · Maximiliane-Theodora von Hohenfels").rect  # type: ignore[attr-defined]
    assert 0.8 * TILE.width < rect.width <= 0.92 * TILE.width + 2


def test_a_card_is_quiet_and_carries_name_and_rule() -> None:
    luma, u, v = draw_card("Viola · Jun", FONT, 640, 360, LOOK.card)
    ground = colour_to_yuv(LOOK.card.background)
    assert luma.shape == (360, 640)
    assert u.shape == v.shape == (180, 320)
    assert tuple(int(np.bincount(p.ravel()).argmax()) for p in (luma, u, v)) == ground
    assert luma.max() > 180  # letters
    red = np.unravel_index(int(v.argmax()), v.shape)
    assert abs(int(red[0]) - 90) < 12  # the rule, near the middle
    assert v.max() > 165


def test_card_and_player_are_legible() -> None:
    ground = parse_colour(LOOK.card.background)
    for ink in (LOOK.card.ink, LOOK.card.player):
        assert contrast(parse_colour(ink), ground) >= LEAST_CONTRAST


def test_full_red_is_that_of_bt709() -> None:
    # Recommendation ITU-R BT.709-6, 8 bit: Y 63, Cb 102, Cr 240.
    red = np.full((4, 4, 3), (255, 0, 0), np.uint8)
    assert [int(plane[0, 0]) for plane in planes_from_rgb(red)] == [63, 102, 240]


def test_contrast_is_that_of_wcag() -> None:
    # Known limits: #767676 on white passes 4.5, #777777 does not; black on white is 21.
    white = (255.0, 255.0, 255.0)
    assert contrast(white, (0x76,) * 3) == pytest.approx(4.542, abs=1e-3)
    assert contrast(white, (0x77,) * 3) == pytest.approx(4.478, abs=1e-3)
    assert contrast(white, (0, 0, 0)) == pytest.approx(21.0, abs=1e-9)


def test_dissolving_ends_at_the_card() -> None:
    canvas = Canvas(64, 64)
    rect = Rect(0, 0, 64, 64)
    canvas.fill(rect, (200, 100, 90))
    card = draw_card("A", FONT, 64, 64, LOOK.card)
    canvas.dissolve(rect, card, 0.5)
    assert canvas.planes[0][0, 0] == pytest.approx((200 + int(card[0][0, 0])) / 2, abs=1)
    canvas.dissolve(rect, card, 1.0)
    assert all((a == b).all() for a, b in zip(canvas.planes, card, strict=True))


def test_the_font_that_is_found_has_the_letters() -> None:
    for text in ("Flöte · Łukasz", "Скрипка · Ольга", "Τσέλο"):
        path, missing = find_font(text)
        assert not missing
        with TTFont(path, fontNumber=0) as font:
            assert {ord(letter) for letter in text if letter != " "} <= set(font.getBestCmap())


def test_letters_that_no_font_has_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    own = list(fonts._own_fonts())
    monkeypatch.setattr(fonts, "_all_fonts", lambda: iter(own))
    path, missing = find_font("Viola \U0001234f 東")
    assert path in own
    assert missing == "\U0001234f東"


def test_without_the_own_serif_another_font_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    others = [path for path in fonts._own_fonts() if "Garamond" not in path.name]
    assert others, "matplotlib brings one"
    monkeypatch.setattr(fonts, "_all_fonts", lambda: iter(others))
    assert find_font("Oboe") == (Path(others[0]), "")
