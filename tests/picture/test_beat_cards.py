"""What a guide's picture shows, against arithmetic, and how it looks, against rules of safety."""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncvid.guide.timing import time_plan
from syncvid.picture.beat_cards import FILL_STEPS, BeatCard, BeatCards, Phase, card_at
from syncvid.picture.beat_drawing import INK, PAPER, RED, SOFT, BeatDrawing, set_words
from syncvid.picture.beat_places import arrange
from syncvid.picture.colour import colour_to_yuv, contrast, parse_colour
from syncvid.picture.flashes import count_flashes
from syncvid.picture.setting import pieces
from syncvid.production.beats import GuideMap, Mark
from syncvid.production.guide_plan import (
    Bar,
    CountIn,
    Entry,
    GuidePlan,
    Hold,
    Law,
    Metre,
    Place,
    PlanSection,
    Tempo,
    TempoChange,
)
from syncvid.production.metres import parse_metre
from tests.guide_maps import BarOf, map_of, second_of, steady

SIZES = [(640, 360), (360, 640), (640, 90), (360, 216), (288, 360)]
QUARTER = Fraction(1, 4)
FOUR = Metre("4/4", (QUARTER,) * 4, (0, 2))
HUNDRED = Tempo(100.0)
SIX = Metre("6/8", (Fraction(3, 8),) * 2)


def plan_of(
    bars: int,
    *changes: TempoChange,
    metre: Metre = FOUR,
    tempo: Tempo = HUNDRED,
    holds: tuple[Hold, ...] = (),
    entries: tuple[Entry, ...] = (),
) -> GuidePlan:
    return GuidePlan(
        title="Round",
        bars=tuple(Bar(number, metre, metre.length) for number in range(1, bars + 1)),
        sections=(PlanSection("A"),),
        tempo=tempo,
        changes=changes,
        holds=holds,
        entries=entries,
        count_in=CountIn(2),
    )


def news_at(guide: GuideMap, bar: int, beat: int = 1) -> tuple[str, ...]:
    return card_at(guide, second_of(guide, bar, beat) + 0.001).news


@pytest.mark.parametrize("rate", [Fraction(30), Fraction(25), Fraction(30000, 1001), Fraction(24)])
def test_a_beat_appears_with_the_picture_that_begins_nearest_to_it(rate: Fraction) -> None:
    guide = map_of(steady(12, tempo=133.7), from_s=1.0137)
    cards = list(BeatCards(guide).pictures(math.ceil(guide.duration_s * rate), rate))
    firsts = [
        number
        for number, (one, other) in enumerate(pairwise(cards), 1)
        if (one.phase, one.bar, one.beat) != (other.phase, other.bar, other.beat)
    ]
    # Arithmetic: picture k begins at k / rate.
    due = [round(beat.guide_s * rate) for beat in guide.beats] + [round(guide.music_to_s * rate)]
    assert firsts == due
    late_s = [
        abs(number / rate - beat.guide_s)
        for number, beat in zip(due[:-1], guide.beats, strict=True)
    ]
    assert max(late_s) <= 0.5 / rate


def test_the_count_in_is_counted_down_in_bars_and_beats() -> None:
    guide = map_of(steady(3))
    cards = [card_at(guide, beat.guide_s) for beat in guide.beats[:8]]
    assert [card.bar for card in cards] == [2] * 4 + [1] * 4
    assert [card.beat for card in cards] == [1, 2, 3, 4] * 2
    assert [int(card.ahead.split()[0]) for card in cards] == [8, 7, 6, 5, 4, 3, 2, 1]
    assert cards[-1].ahead == "1 beat to go"
    assert [card.clap for card in cards] == [False] * 4 + [True] * 4
    assert all(card.phase is Phase.COUNT_IN for card in cards)
    assert not any(card_at(guide, b.guide_s, claps=False).clap for b in guide.beats)


def test_an_upbeat_ends_the_last_bar_of_the_count_in() -> None:
    three = Metre("3/4", (QUARTER,) * 3)
    bars = (
        Bar(0, three, QUARTER, begin=2 * QUARTER),
        *(Bar(number, three, three.length) for number in (1, 2)),
    )
    plan = GuidePlan("Round", bars, (PlanSection("A"),), Tempo(120.0), count_in=CountIn(2))
    guide = time_plan(plan).map
    cards = [card_at(guide, beat.guide_s) for beat in guide.beats]
    # One bar of three, then two beats before the upbeat on three.
    assert [(card.bar, card.beat) for card in cards[:6]] == [
        (2, 1), (2, 2), (2, 3), (1, 1), (1, 2), (0, 3),
    ]  # fmt: skip
    assert [card.phase for card in cards[4:6]] == [Phase.COUNT_IN, Phase.MUSIC]
    assert [card.clap for card in cards[:6]] == [True, True, True, False, False, False]


def test_a_section_is_named_and_the_next_one_announced_two_bars_ahead() -> None:
    bars = [*steady(8), *(BarOf(number, [120] * 4, 1) for number in range(9, 12))]
    plain = map_of(bars)
    marks = [Mark("A", 1, second_of(plain, 1)), Mark("B", 9, second_of(plain, 9))]
    guide = map_of(bars, marks=marks)
    shown = {bar: card_at(guide, second_of(guide, bar, 2)) for bar in range(1, 12)}
    assert [shown[bar].mark for bar in (1, 8, 9, 11)] == ["A", "A", "B", "B"]
    ahead = {bar: card.ahead for bar, card in shown.items() if card.ahead}
    assert ahead == {7: "B in 2 bars", 8: "B in 1 bar"}


def test_a_section_without_a_name_shows_none() -> None:
    bars = [*steady(4), *(BarOf(number, [120] * 4, 1) for number in range(5, 8))]
    plain = map_of(bars)
    guide = map_of(bars, marks=[Mark("A", 1, second_of(plain, 1))])
    assert [card_at(guide, second_of(guide, bar)).mark for bar in (4, 5)] == ["A", ""]


@pytest.mark.parametrize(
    ("tempo", "text"),
    [(80.0, "slower: 80 from bar 17"), (112.0, "faster: 112 from bar 17")],
)
def test_a_step_is_announced_in_the_bar_before_it(tempo: float, text: str) -> None:
    guide = time_plan(plan_of(20, TempoChange(Place(17), Tempo(tempo)))).map
    told = [
        (beat.bar, beat.beat) for beat in guide.beats if text in card_at(guide, beat.guide_s).news
    ]
    assert told == [(16, beat) for beat in (1, 2, 3, 4)]


def test_a_step_within_a_bar_says_at_which_beat() -> None:
    guide = time_plan(plan_of(9, TempoChange(Place(5, Fraction(3)), Tempo(80.0)))).map
    assert news_at(guide, 4) == news_at(guide, 5, 2) == ("slower: 80 from bar 5, beat 3",)
    assert news_at(guide, 5, 3) == ()


@pytest.mark.parametrize("law", list(Law))
@pytest.mark.parametrize(("to", "word"), [(120.0, "faster"), (60.0, "slower")])
def test_a_glide_is_announced_and_named_while_it_lasts(law: Law, to: float, word: str) -> None:
    change = TempoChange(Place(9), Tempo(to), until=Place(13), law=law)
    guide = time_plan(plan_of(20, change)).map
    assert news_at(guide, 7, 4) == ()
    for beat in (1, 4):
        assert news_at(guide, 8, beat) == (f"getting {word} to {to:.0f} from bar 9",)
    for bar in (9, 10, 12):
        assert news_at(guide, bar, 2) == (f"getting {word} to {to:.0f}",)
    assert news_at(guide, 13, 2) == ()


@pytest.mark.parametrize("law", [Law.BY_BEATS, Law.BY_TIME])
def test_a_slowing_before_the_old_tempo_comes_back(law: Law) -> None:
    slowing = TempoChange(Place(8), Tempo(70.0), until=Place(9), law=law)
    guide = time_plan(plan_of(12, slowing, TempoChange(Place(9), Tempo(100.0)))).map
    assert news_at(guide, 7, 2) == ("getting slower to 70 from bar 8",)
    assert set(news_at(guide, 8, 2)) == {"getting slower to 70", "faster: 100 from bar 9"}


def test_a_step_up_from_which_it_slows_down_is_both() -> None:
    step = TempoChange(Place(9), Tempo(150.0))
    slowing = TempoChange(Place(9), Tempo(120.0), until=Place(12))
    guide = time_plan(plan_of(14, step, slowing)).map
    assert set(news_at(guide, 8)) == {"faster: 150 from bar 9", "getting slower to 120 from bar 9"}


def test_a_slowing_up_to_the_last_bar_line() -> None:
    slowing = TempoChange(Place(11), Tempo(60.0), until=Place(12, Fraction(5)))
    guide = time_plan(plan_of(12, slowing)).map
    assert news_at(guide, 12, 3) == ("getting slower to 60",)


def test_a_glide_over_many_bars_is_seen_too() -> None:
    slow = TempoChange(Place(3), Tempo(104.0), until=Place(67))
    guide = time_plan(plan_of(70, slow)).map
    assert news_at(guide, 40) == ("getting faster to 104",)


def test_tempo_is_told_in_the_beats_that_are_counted() -> None:
    dotted = Fraction(3, 8)
    change = TempoChange(Place(5), Tempo(54.0, dotted))
    guide = time_plan(plan_of(8, change, metre=SIX, tempo=Tempo(66.0, dotted))).map
    assert news_at(guide, 4) == ("slower: dotted quarter = 54 from bar 5",)


@pytest.mark.parametrize("groups", ["2+2+3", "3+2+2"])
def test_of_uneven_beats_the_short_ones_are_counted(groups: str) -> None:
    # As where a plan is read: a tempo without a note is that of the short beats.
    seven = parse_metre(f"7/8 ({groups})")
    guide = time_plan(plan_of(8, TempoChange(Place(5), Tempo(120.0)), metre=seven)).map
    assert news_at(guide, 4) == ("faster: 120 from bar 5",)


@pytest.mark.parametrize(("metre", "told"), [("cut", "half = 60"), ("3/8 in 3", "eighth = 60")])
def test_a_beat_that_is_no_quarter_is_named(metre: str, told: str) -> None:
    counts = parse_metre(metre)
    change = TempoChange(Place(5), Tempo(60.0, counts.beats[0]), until=Place(7))
    guide = time_plan(plan_of(8, change, metre=counts, tempo=Tempo(80.0, counts.beats[0]))).map
    assert news_at(guide, 4) == (f"getting slower to {told} from bar 5",)
    assert news_at(guide, 5) == (f"getting slower to {told}",)


def test_a_steady_guide_announces_nothing() -> None:
    guide = time_plan(plan_of(200, tempo=Tempo(97.3))).map
    cards = BeatCards(guide)
    assert {cards.at(beat.guide_s).news for beat in guide.beats} == {()}


def test_a_held_beat_fills_as_its_time_passes() -> None:
    guide = time_plan(plan_of(6, holds=(Hold(Place(4, Fraction(3)), seconds=2.0),))).map
    at_s = second_of(guide, 4, 3)
    # A beat of 0.6 s and 2 s more.
    for share in (0.0, 0.25, 0.5, 0.9):
        card = card_at(guide, at_s + share * 2.6 + 1e-6)
        assert card.filled == int(share * FILL_STEPS)
        assert card.news == ("hold",)
    assert card_at(guide, at_s + 2.6 + 1e-6).filled == -1
    assert news_at(guide, 3, 1) == news_at(guide, 4, 2) == ("hold: bar 4, beat 3",)


def test_an_entry_is_announced_from_its_cue_to_its_beat() -> None:
    entries = (Entry("Cello", Place(5, Fraction(3))), Entry("Viola", Place(5, Fraction(3))))
    guide = time_plan(plan_of(8, entries=entries)).map
    assert news_at(guide, 4, 2) == ()
    for bar, beat in ((4, 3), (5, 2)):
        assert news_at(guide, bar, beat) == ("Cello and Viola in 1 bar",)
    assert news_at(guide, 5, 3) == ()


def test_beats_that_sound_stronger_are_strong() -> None:
    guide = time_plan(plan_of(4)).map
    assert card_at(guide, second_of(guide, 2)).strong == (1, 3)


def test_before_and_after_the_music_there_are_words() -> None:
    guide = map_of(steady(2), practice=0.8, version=3)
    before, after = card_at(guide, 0.0), card_at(guide, guide.music_to_s)
    assert (before.phase, before.mark) == (Phase.BEFORE, "Orchard Round")
    assert before.news == (
        "count-in: 2 bars", "for practice, at 80 % of the tempo", "version 3",
    )  # fmt: skip
    assert (after.phase, after.mark) == (Phase.AFTER, "2 seconds of quiet")
    assert card_at(guide, guide.music_to_s - 0.001).phase is Phase.MUSIC


def test_a_map_without_tempi_and_lengths_can_be_shown() -> None:
    beats = tuple(
        beat.__class__(beat.bar, beat.beat, beat.guide_s, 0.0, 0.0, 0, 0)
        for beat in map_of(steady(2)).beats
    )
    bare = GuideMap("", 1, "", 9.0, 0.0, 9.0, beats, ())
    card = card_at(bare, beats[-1].guide_s)
    assert (card.beat, card.beats, card.news) == (4, 4, ())


def busy_guide() -> GuideMap:
    """Four beats a second, with all that can change."""
    bars = [
        *steady(6, tempo=240.0),
        BarOf(7, [240, 230, 220, 210], 0, {2: 1.0}, (1, 3)),
        *(BarOf(number, [200] * 12, 1, None, (1, 4, 7, 10)) for number in range(8, 12)),
        *(BarOf(number, [240] * 4, 1) for number in range(98, 103)),
    ]
    plain = map_of(bars)
    marks = [
        Mark("A", 1, second_of(plain, 1)),
        Mark("Refrain", 8, second_of(plain, 8)),
        Mark("Cello", 5, second_of(plain, 4), "cue"),
    ]
    return map_of(bars, marks=marks)


@pytest.mark.parametrize("size", SIZES)
def test_what_is_painted_over_looks_as_if_painted_anew(size: tuple[int, int]) -> None:
    guide = busy_guide()
    cards = list(dict.fromkeys(BeatCards(guide).pictures(400, Fraction(30))))
    words, warnings = set_words(cards)
    assert warnings == ()
    drawing = BeatDrawing(size, words)
    for card in cards[::7]:
        anew = BeatDrawing(size, words).show(card)
        assert np.array_equal(drawing.show(card).pixels, anew.pixels), card


@pytest.mark.parametrize("size", SIZES)
def test_nothing_flashes_at_four_beats_a_second(size: tuple[int, int]) -> None:
    guide = busy_guide()
    rate = Fraction(30)
    cards = list(BeatCards(guide).pictures(math.ceil(guide.duration_s * rate), rate))
    drawing = BeatDrawing(size, set_words(cards)[0])
    maps = [drawing.show(card).planes[0][2::4, 2::4].copy() for card in cards]
    assert count_flashes(maps, rate) == []
    # Far from it: no beat changes a quarter of the picture (WCAG 2.2, success criterion 2.3.1).
    beats = [card.phase in (Phase.COUNT_IN, Phase.MUSIC) for card in cards]
    changed = [
        np.mean(np.abs(one.astype(int) - other) > 20)
        for one, other, is_beat, was_beat in zip(
            maps[:-1], maps[1:], beats[:-1], beats[1:], strict=True
        )
        if is_beat and was_beat
    ]
    assert max(changed) < 0.25


@given(
    width=st.integers(120, 960).map(lambda side: 2 * side),
    height=st.integers(120, 960).map(lambda side: 2 * side),
)
@settings(max_examples=60, deadline=None)
def test_places_are_even_inside_and_apart(width: int, height: int) -> None:
    places = arrange((width, height))
    rects = [
        places.mark, places.ahead, places.bar, places.beat, places.row, places.hold, places.news,
    ]  # fmt: skip
    for rect in rects:
        assert min(rect.width, rect.height) > 0
        assert not any(value % 2 for value in (rect.x, rect.y, rect.width, rect.height))
        assert rect.x >= places.edge
        assert rect.x + rect.width <= width - places.edge
        assert rect.y >= places.edge
        assert rect.y + rect.height <= height - places.edge
    for one, other in combinations(rects, 2):
        beside = one.x + one.width <= other.x or other.x + other.width <= one.x
        above = one.y + one.height <= other.y or other.y + other.height <= one.y
        assert beside or above


def inked_rows(drawing: BeatDrawing, rect_name: str) -> int:
    """Return the height in pixels of what is darker than half in a place."""
    rect = getattr(arrange((drawing.canvas.width, drawing.canvas.height)), rect_name)
    luma = drawing.canvas.planes[0][rect.y : rect.y + rect.height, rect.x : rect.x + rect.width]
    rows = np.flatnonzero((luma < 128).any(axis=1))
    return int(rows[-1] - rows[0] + 1)


@pytest.mark.parametrize("size", [(1280, 720), (720, 1280), (1920, 1080)])
def test_it_can_be_read_on_a_telephone_from_a_metre_and_a_half(size: tuple[int, int]) -> None:
    # A telephone's picture is about 65 mm along its shorter side.  ISO 9241-303 (from memory): 16
    # minutes of arc for capitals at the least; figures must be seen while one looks at the music.
    card = BeatCard(Phase.MUSIC, 188, 1, 4, (1, 3), "A", "B in 2 bars", ("BELL",))
    drawing = BeatDrawing(size, set_words([card])[0])
    drawing.show(card)

    def minutes(pixels: int) -> float:
        return 60 * math.degrees(math.atan(pixels / min(size) * 65 / 1500))

    assert minutes(inked_rows(drawing, "bar")) > 2.5 * 16
    assert minutes(inked_rows(drawing, "beat")) > 2.5 * 16
    assert minutes(inked_rows(drawing, "news")) >= 16


@pytest.mark.parametrize("beats", [3, 4, 12])
def test_the_current_beat_is_a_disc_among_rings(beats: int) -> None:
    paper = colour_to_yuv(PAPER)[0]
    for beat in range(1, beats + 1):
        card = BeatCard(Phase.MUSIC, 1, beat, beats, (1,))
        drawing = BeatDrawing((1280, 720), set_words([card])[0])
        row = arrange((1280, 720)).row
        middle = drawing.show(card).planes[0][row.y + row.height // 2, row.x : row.x + row.width]
        inked = np.flatnonzero(middle != paper)
        groups = np.split(inked, np.flatnonzero(np.diff(inked) > 1) + 1)
        # A ring is cut twice by a line through its middle, a disc once.
        assert len(groups) == 2 * beats - 1
        wide = [len(group) > 20 for group in groups]
        assert wide.index(True) == 2 * (beat - 1)
        assert sum(wide) == 1


def test_the_bar_of_a_held_beat_grows_and_goes() -> None:
    cards = [BeatCard(Phase.MUSIC, 1, 1, 4, filled=filled) for filled in (0, 12, 24, 48, -1)]
    drawing = BeatDrawing((1280, 720), set_words(cards)[0])
    place = arrange((1280, 720)).hold
    red, widths = colour_to_yuv(RED)[2], []
    for card in cards:
        chroma = drawing.show(card).planes[2][place.y // 2 + place.height // 4]
        widths.append(2 * np.count_nonzero(chroma == red) / place.width)
    assert widths == pytest.approx([0.0, 0.25, 0.5, 1.0, 0.0], abs=0.01)
    empty = drawing.canvas.planes[0][place.y : place.y + place.height]
    assert (empty == colour_to_yuv(PAPER)[0]).all()


@pytest.mark.parametrize("colour", [INK, RED, SOFT])
def test_contrast_is_that_of_text(colour: str) -> None:
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1.
    assert contrast(parse_colour(colour), parse_colour(PAPER)) >= 4.5


def test_letters_that_no_font_has_are_told() -> None:
    _, warnings = set_words([BeatCard(Phase.MUSIC, 1, 1, 4, mark="\U000e0041\ue123")])
    assert warnings


def test_a_breath_is_announced_and_shown_as_silence_not_as_a_hold() -> None:
    guide = time_plan(plan_of(8, holds=(Hold(Place(5), seconds=0.5, before=True),))).map
    at_s = second_of(guide, 5)
    # Announced from the beginning of bar 4 up to the breath, half a second before bar 5.
    for shown_s in (second_of(guide, 4), at_s - 0.501):
        card = card_at(guide, shown_s)
        assert (card.news, card.breath, card.filled) == (("breath before bar 5",), False, -1)
    for shown_s in (at_s - 0.499, at_s - 0.001):
        card = card_at(guide, shown_s)
        assert (card.news, card.breath, card.filled) == (("breath",), True, -1)
    assert card_at(guide, at_s).breath is False
    # Time that is put in is no change of tempo, neither here nor later.
    told = {text for beat in guide.beats for text in card_at(guide, beat.guide_s).news}
    assert told == {"breath before bar 5"}


def test_a_beat_is_held_and_then_there_is_a_breath() -> None:
    holds = (
        Hold(Place(4, Fraction(2)), seconds=1.0),
        Hold(Place(4, Fraction(3)), seconds=0.4, before=True),
    )
    guide = time_plan(plan_of(6, holds=holds)).map
    at_s = second_of(guide, 4, 2)
    # 0.6 s of the beat and 1 s more sound, then 0.4 s are silent.
    assert card_at(guide, at_s + 0.8001).filled == FILL_STEPS // 2
    assert card_at(guide, at_s + 1.599).filled == FILL_STEPS - 1
    card = card_at(guide, at_s + 1.601)
    assert (card.filled, card.breath, card.news) == (-1, True, ("breath",))
    assert set(news_at(guide, 4)) == {"hold: bar 4, beat 2", "breath before bar 4, beat 3"}


def test_a_breath_before_the_first_bar_is_seen_in_the_count_in() -> None:
    guide = time_plan(plan_of(4, holds=(Hold(Place(1), seconds=0.5, before=True),))).map
    card = card_at(guide, guide.music_from_s - 0.1)
    assert (card.phase, card.breath) == (Phase.COUNT_IN, True)


@pytest.mark.parametrize("size", SIZES)
def test_a_breath_is_a_comma_in_place_of_the_beats(size: tuple[int, int]) -> None:
    card = BeatCard(Phase.MUSIC, 4, 4, 4, news=("breath",), breath=True)
    drawing = BeatDrawing(size, set_words([card])[0])
    row = arrange(size).row
    luma = drawing.show(card).planes[0][row.y : row.y + row.height, row.x : row.x + row.width]
    inked = luma < 128
    columns = np.flatnonzero(inked.any(axis=0))
    # One sign in the middle, heavy above and thin below, its tip to the left.
    assert abs(columns.mean() - row.width / 2) < 0.3 * row.height
    assert np.all(np.diff(columns) == 1)
    rows = np.flatnonzero(inked.any(axis=1))
    assert len(rows) > 0.6 * row.height
    upper, lower = inked[rows[len(rows) // 4]], inked[rows[-2]]
    assert upper.sum() > 2 * lower.sum()
    assert np.flatnonzero(lower).mean() < np.flatnonzero(upper).mean()


def upbeat_guide(metre: Metre, upbeat: Fraction, counted: int = 2) -> GuideMap:
    """Return two bars after an upbeat, at 66 beats a minute."""
    bars = (
        Bar(0, metre, upbeat, begin=metre.length - upbeat),
        *(Bar(number, metre, metre.length) for number in (1, 2)),
    )
    tempo = Tempo(66.0, metre.beats[0])
    sections = (PlanSection("A"),)
    return time_plan(GuidePlan("Round", bars, sections, tempo, count_in=CountIn(counted))).map


def test_an_upbeat_between_two_beats_is_music_and_led_to() -> None:
    guide = upbeat_guide(SIX, Fraction(1, 8))
    cards = [card_at(guide, beat.guide_s) for beat in guide.beats[:4]]
    assert [card.ahead for card in cards] == [
        "4 beats to go", "3 beats to go", "upbeat after beat 2", "upbeat after beat 2",
    ]  # fmt: skip
    assert [card.clap for card in cards] == [True, True, False, False]
    # A dotted quarter lasts 60 / 66 s; the upbeat begins at two thirds of beat 2.
    from_s = guide.beats[3].guide_s + 2 / 3 * 60 / 66
    assert guide.music_from_s == pytest.approx(from_s)
    before, after = card_at(guide, from_s - 0.01), card_at(guide, from_s + 0.01)
    assert before.phase is Phase.COUNT_IN
    assert (after.phase, after.bar, after.beat, after.mark, after.ahead, after.clap) == (
        Phase.MUSIC, 0, 2, "A", "", False,
    )  # fmt: skip


def test_where_no_whole_bar_is_counted_nobody_claps() -> None:
    guide = upbeat_guide(FOUR, QUARTER, counted=1)
    assert not any(card_at(guide, beat.guide_s).clap for beat in guide.beats)


def test_an_entry_has_its_place_beside_tempo_and_holds() -> None:
    slowing = TempoChange(Place(6), Tempo(70.0), until=Place(9))
    plan = plan_of(
        12,
        slowing,
        TempoChange(Place(9), Tempo(120.0)),
        holds=(Hold(Place(8, Fraction(4)), seconds=1.0),),
        entries=(Entry("Cello", Place(9)),),
    )
    # Being slowed down, a step ahead, a hold ahead, and who comes in: that must not be missing.
    news = news_at(time_plan(plan).map, 8, 2)
    assert news[:2] == ("Cello in 1 bar", "hold: bar 8, beat 4")
    assert len(news) == 3


def test_a_name_that_runs_from_right_to_left_stays_in_its_place() -> None:
    section, cello = "القسم", "نشيد"
    card = BeatCard(
        Phase.MUSIC, 1, 1, 4, mark=section, ahead=f"{section} in 1 bar", news=(f"{cello} in 1 bar",)
    )
    words = set_words([card])[0]
    for text in (card.ahead, *card.news):
        seen = pieces(words[text])
        # Annex 9 of Unicode with a base direction from left to right: the name, then our words.
        assert seen[0].from_right
        assert "".join(piece.text for piece in seen[1:]) == " in 1 bar"
        # Also of a line that is broken.
        line = pieces(words[text].cut(1, len(text) - 1))
        assert [piece.from_right for piece in line[:1]] == [True]
    assert all(piece.from_right for piece in pieces(words[section]))
