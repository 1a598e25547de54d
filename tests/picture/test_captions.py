"""Names and words: legible on any picture, out of the way, short enough; one size in a scene."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.picture.areas import text_area
from syncvid.picture.canvas import Canvas
from syncvid.picture.captions import (
    Name,
    draw_name,
    draw_words,
    legible_opacity,
    plan_names,
    words_fit,
)
from syncvid.picture.cards import draw_card
from syncvid.picture.colour import (
    LEAST_CONTRAST,
    colour_to_yuv,
    contrast,
    parse_colour,
    planes_from_rgb,
    to_yuv,
)
from syncvid.picture.fonts import choose_type
from syncvid.picture.overlay import Overlay
from syncvid.picture.pieces import Rect
from syncvid.picture.setting import length_px
from syncvid.picture.typeset import ELLIPSIS, Typeset, letter_count
from syncvid.production.layouts import CaptionStyle, Layout

LOOK = Layout("grid")
TILE = Rect(640, 360, 640, 360)
SHAPES = [(1920, 1080), (1080, 1920), (1080, 1080), (1080, 1350), (426, 240), (3840, 2160)]


def words(text: str) -> Typeset:
    return choose_type([text])[0][0]


def names(labels: list[str], tiles: list[Rect], picture_height: int = 1080) -> tuple[Name, ...]:
    chosen, _ = choose_type(labels)
    return plan_names(chosen, tiles, LOOK.caption, picture_height=picture_height)


def caption(label: str = "Flute · Ines", tile: Rect = TILE) -> Overlay | None:
    planned = names([label], [tile])
    return draw_name(planned[0], tile, LOOK.caption, rule=LOOK.card.rule) if planned else None


def painted(ground: tuple[int, int, int]) -> tuple[Canvas, Rect]:
    """Return a canvas of one grey with a caption on it, and the caption's place."""
    overlay = caption()
    assert overlay is not None
    canvas = Canvas(1920, 1080)
    canvas.fill(Rect(0, 0, 1920, 1080), to_yuv(ground))
    canvas.blend(overlay)
    return canvas, overlay.rect


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
    assert overlay is not None
    rect = overlay.rect
    assert (rect.x, rect.y + rect.height) == (tile.x, tile.y + tile.height)
    assert rect.y >= tile.y + 0.85 * tile.height
    assert rect.x + rect.width <= tile.x + tile.width
    assert not any(n % 2 for n in (rect.x, rect.y, rect.width, rect.height))


def test_a_tile_too_small_for_letters_has_no_caption() -> None:
    assert caption(tile=Rect(0, 0, 40, 24)) is None


def test_a_long_caption_leaves_a_little_room_at_the_right() -> None:
    overlay = caption("Second alto saxophone in E flat · Maximiliane-Theodora von Hohenfels")
    assert overlay is not None
    rect = overlay.rect
    assert 0.6 * TILE.width < rect.width <= 0.92 * TILE.width + 2


def test_a_card_is_quiet_and_carries_name_and_rule() -> None:
    luma, u, v = draw_card(words("Viola · Jun"), 640, 360, LOOK.card)
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
    card = draw_card(words("A"), 64, 64, LOOK.card)
    canvas.dissolve(rect, card, 0.5)
    assert canvas.planes[0][0, 0] == pytest.approx((200 + int(card[0][0, 0])) / 2, abs=1)
    canvas.dissolve(rect, card, 1.0)
    assert all((a == b).all() for a, b in zip(canvas.planes, card, strict=True))


def test_a_much_larger_tile_has_a_larger_name() -> None:
    # As in the layout `lead` at 1080p: one large, six along the side.
    small = [Rect(1460, 180 * n, 460, 178) for n in range(6)]
    large = Rect(0, 0, 1456, 1080)
    labels = ["Flute · Ines", *(f"Viola {n}" for n in range(6))]
    planned = names(labels, [large, *small], picture_height=1080)
    (common,) = {name.em_px for name in planned[1:]}
    assert 1.3 * common <= planned[0].em_px <= 2 * common
    # Subtitling practice: 4 to 5 % of the height at most.
    assert planned[0].em_px <= 0.045 * 1080
    assert planned[0].words.text == "Flute · Ines"
    # The others are as they would be without it.
    assert common == names(labels[1:], small, picture_height=1080)[0].em_px
    # A name that would not stay whole is not made larger than that; a wide tile is not a large one.
    long = names(["Contrabassoon " * 6, *labels[1:]], [large, *small], picture_height=1080)
    assert common <= long[0].em_px
    assert length_px(long[0].words, long[0].em_px) <= large.width
    wide = [Rect(0, 0, 1280, 360), Rect(0, 362, 320, 360), Rect(322, 362, 320, 360)]
    assert len({name.em_px for name in names(["A", "B", "C"], wide, picture_height=722)}) == 1


def test_the_names_of_a_scene_are_of_one_size() -> None:
    tiles = [Rect(0, 0, 960, 540), Rect(960, 0, 640, 360), Rect(960, 360, 640, 360)]
    sizes = {name.em_px for name in names(["Flute", "Oboe", "Cello"], tiles)}
    assert sizes == {names(["Oboe"], tiles[1:2])[0].em_px}


def test_all_tiles_of_a_scene_have_names_or_none() -> None:
    assert names(["Flute", "Oboe"], [TILE, Rect(0, 0, 40, 24)]) == ()


def test_names_of_64_tiles_can_be_read_at_1080() -> None:
    tiles = [Rect(240 * (n % 8), 134 * (n // 8), 240, 134) for n in range(64)]
    planned = names(["Clarinet · Bram"] * 64, tiles)
    assert {name.words.text for name in planned} == {"Clarinet · Bram"}
    assert planned[0].em_px >= 12


def test_a_long_label_keeps_part_and_given_name() -> None:
    long = "Second alto saxophone in E flat · Maximiliane von Hohenfels"
    (name,) = names([long], [Rect(0, 0, 240, 134)])
    part, _, player = name.words.text.partition(" · ")
    assert part.startswith("Second alto")
    assert part.endswith(ELLIPSIS)
    assert player == "Maximiliane"
    assert length_px(name.words, name.em_px) <= 240


def test_where_no_player_fits_all_labels_are_the_part() -> None:
    tiles = [Rect(0, 0, 106, 60), Rect(106, 0, 106, 60)]
    long = "Contrabassoon · Maximiliane-Theodora"
    planned = names(["Flute · Ines", long], tiles, picture_height=240)
    assert [name.words.text for name in planned] == ["Flute", "Contrabassoon"]


@pytest.mark.parametrize(
    ("ink", "band"), [("#fffdf7", "#1f1c18"), ("#101010", "#f0f0f0"), ("#ffd0d0", "#602020")]
)
def test_a_band_is_as_opaque_as_its_letters_need(ink: str, band: str) -> None:
    """WCAG 2.2, 1.4.3 (AA), over black and over white."""
    share = legible_opacity(CaptionStyle(ink=ink, band=band, opacity=0.1))
    assert 0.1 < share < 1
    for behind in (0, 255):
        ground = [share * colour + (1 - share) * behind for colour in parse_colour(band)]
        assert contrast(parse_colour(ink), (ground[0], ground[1], ground[2])) >= LEAST_CONTRAST


@pytest.mark.parametrize("size", SHAPES)
@pytest.mark.parametrize("text", ["The lark", "A sentence that is said in two lines, or so, of it"])
def test_words_at_the_foot_lie_in_the_safe_area(size: tuple[int, int], text: str) -> None:
    """EBU R 95: 5 % at the sides and below; upright 15 % below (practice)."""
    overlay = draw_words(words(text), size, LOOK.caption)
    assert overlay is not None
    rect = overlay.rect
    free = 0.15 if size[1] > 1.5 * size[0] else 0.05
    assert rect.y + rect.height <= (1 - free) * size[1]
    letters = np.nonzero(overlay.add[0].max(axis=0) > 200 * 256)[0]
    assert rect.x + letters[0] >= 0.05 * size[0] - 1
    assert rect.x + letters[-1] <= 0.95 * size[0] + 1
    assert rect.height <= 0.2 * size[1]


@pytest.mark.parametrize("ground", [0, 128, 255], ids=["on black", "on grey", "on white"])
def test_words_at_the_foot_keep_their_contrast(ground: int) -> None:
    overlay = draw_words(words("Il cimento"), (1280, 720), LOOK.caption)
    assert overlay is not None
    canvas = Canvas(1280, 720)
    canvas.fill(Rect(0, 0, 1280, 720), to_yuv((ground,) * 3))
    canvas.blend(overlay)
    rect = overlay.rect
    middle = slice(rect.x + rect.width // 3, rect.x + 2 * rect.width // 3)
    part = canvas.planes[0][rect.y : rect.y + rect.height, middle]
    band = float(np.bincount(part.ravel()).argmax())
    assert contrast(grey_of(float(part.max())), grey_of(band)) >= LEAST_CONTRAST


def test_words_that_are_too_many_are_told() -> None:
    size = (1920, 1080)
    assert words_fit(words("The lark"), size)
    assert not words_fit(words("and so on " * 12), size)
    assert draw_words(words(""), size, LOOK.caption) is None


def test_words_give_way_to_names() -> None:
    size = (1920, 1080)
    free = draw_words(words("The lark"), size, LOOK.caption)
    assert free is not None
    name = Rect(free.rect.x, 1020, 300, 60)
    moved = draw_words(words("The lark"), size, LOOK.caption, clear_of=[name])
    assert moved is not None
    assert moved.rect.y + moved.rect.height <= name.y
    aside = draw_words(words("The lark"), size, LOOK.caption, clear_of=[Rect(0, 1020, 300, 60)])
    assert aside is not None
    assert aside.rect == free.rect


@pytest.mark.parametrize("rows", [1, 2, 3, 4, 5, 6])
@pytest.mark.parametrize("text", ["The lark", "A sentence that is said in two lines, or so, of it"])
def test_words_in_a_tall_video_do_not_lie_across_heads(rows: int, text: str) -> None:
    size, columns = (1080, 1920), 1 if rows < 3 else 2
    across, down = size[0] // columns, size[1] // rows // 2 * 2
    tiles = [
        Rect(across * column, down * row, across, down - 2)
        for row in range(rows)
        for column in range(columns)
    ]
    names = [Rect(t.x, t.y + t.height - 40, 200, 40) for t in tiles]
    placed = draw_words(words(text), size, LOOK.caption, clear_of=names, tiles=tiles)
    alone = draw_words(words(text), size, LOOK.caption, clear_of=names)
    assert placed is not None
    assert alone is not None
    rect, foot = placed.rect, alone.rect
    # On the middle of the picture at the highest, and clear of a name there.
    assert size[1] / 2 <= rect.y + rect.height + 0.12 * size[1]
    # Practice: 15 % below are free.
    assert rect.y + rect.height <= 0.85 * size[1]
    for name in names:
        beside = name.x >= rect.x + rect.width or rect.x >= name.x + name.width
        assert beside or name.y >= rect.y + rect.height or rect.y >= name.y + name.height

    def on_faces(place: Rect) -> int:
        # A head and shoulders in the middle of each tile fill its upper half.
        spans = [(max(place.y, t.y), min(place.y + place.height, t.y + down / 2)) for t in tiles]
        return sum(max(0, int(end - begin)) for begin, end in spans)

    assert on_faces(rect) <= on_faces(foot)
    if rect.height < down * 0.4 - 44:
        assert on_faces(rect) == 0


def test_text_keeps_clear_of_what_phones_lay_over_upright_video() -> None:
    area = text_area((1080, 1920))
    assert (area.y, area.y + area.height) == (288, 1632)  # 15 % of 1920
    assert letter_count("日本") == 4


def test_an_overlay_fades_in_exactly() -> None:
    overlay = caption()
    assert overlay is not None

    def after(share: float) -> np.ndarray:
        canvas = Canvas(1920, 1080)
        canvas.fill(Rect(0, 0, 1920, 1080), (200, 90, 160))
        canvas.blend(overlay, share)
        return canvas.pixels.astype(int)

    before, full, quarter = after(0.0), after(1.0), after(0.25)
    assert (before == after(0.001)).all()
    assert set(np.unique(before)) == {90, 160, 200}
    assert (full != before).any()
    assert abs(quarter - (3 * before + full) / 4).max() <= 1
    canvas = Canvas(1920, 1080)
    canvas.fill(Rect(0, 0, 1920, 1080), (200, 90, 160))
    canvas.blend(overlay)
    assert (canvas.pixels == full).all()


def test_one_narrow_tile_does_not_make_all_names_small() -> None:
    wide = [Rect(0, 0, 826, 538), Rect(1094, 0, 826, 538)]
    (alone, *_) = names(["Flute · Ines", "Marimba · Jonah"], wide)
    together = names(
        ["Flute · Ines", "Clarinet · Bram", "Marimba · Jonah"],
        [wide[0], Rect(830, 0, 260, 538), wide[1]],
    )
    assert [name.words.text for name in together][1] == "Clarinet · Bram"
    assert together[0].em_px > 0.6 * alone.em_px


@pytest.mark.parametrize("radius", [20, 60, 120])
def test_letters_keep_clear_of_rounded_corners(radius: int) -> None:
    """Geometry: what lies outside a quarter of a circle is what the corner paints over."""
    chosen, _ = choose_type(["Jg · Yj"])
    tile = Rect(0, 0, 960, 540)
    (name,) = plan_names(chosen, [tile], LOOK.caption, picture_height=1080, radius_px=radius)
    drawn = draw_name(name, tile, LOOK.caption, rule=LOOK.card.rule, radius_px=radius)
    assert drawn is not None
    canvas = Canvas(960, 540)
    canvas.fill(tile, to_yuv((0, 0, 0)))
    canvas.blend(drawn)
    rows, columns = np.nonzero(canvas.planes[0] > 120)
    x, y = radius - columns - 0.5, radius - (540 - rows) + 0.5
    assert not np.any((x > 0) & (y > 0) & (x**2 + y**2 > radius**2))
    assert rows.size > 50


@pytest.mark.parametrize("size", SHAPES)
def test_words_at_one_time_stand_above_each_other(size: tuple[int, int]) -> None:
    sung = draw_words(words("Kyrie eleison, Christe eleison " * 2), size, LOOK.caption)
    assert sung is not None
    scene = draw_words(words("Trio"), size, LOOK.caption, above=[sung.rect])
    assert scene is not None
    assert scene.rect.y >= 0
    assert scene.rect.y + scene.rect.height <= sung.rect.y
