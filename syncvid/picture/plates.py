"""Plates: the title before the music and the credits after it, each a whole picture."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Planes
from syncvid.picture.areas import plate_unit, text_area
from syncvid.picture.canvas import Canvas
from syncvid.picture.cards import centred_rule
from syncvid.picture.colour import LEAST_CONTRAST, colour_to_yuv, contrast, parse_colour
from syncvid.picture.credits import CreditsPlate, set_credits
from syncvid.picture.inking import line_overlay
from syncvid.picture.pieces import Rect
from syncvid.picture.setting import length_px
from syncvid.picture.typeset import Typeset, is_wide, letter_count, wrapped
from syncvid.production.layouts import PlateStyle

# Sizes of a title's letters, as shares of the plate's measure: the largest in which it has no more
# lines than stated and no word is broken.
_TITLE_SIZES = ((0.135, 2), (0.115, 2), (0.098, 2), (0.082, 3), (0.07, 3), (0.058, 4), (0.05, 99))
_SUBTITLE_SHARE, _SMALLEST_SUBTITLE = 0.44, 0.046

# In em of the title and of the subtitle: distance of base lines, from the last base line to the
# rule, from the rule to the subtitle's first base line.
_LINE_EM, _TO_RULE_EM, _FROM_RULE_EM, _SUBTITLE_LINE_EM = 1.12, 0.62, 1.7, 1.32

# The middle of a title lies a little above that of the picture, where the eye expects it.
_OPTICAL_MIDDLE = 0.48

# ITU-R BT.709-6, item 4.6: luma from 16 on in 219 steps.
_BLACK, _LUMA_STEPS = 16, 219

# Reading speed of subtitling practice, letters a second, and what the eye needs to arrive.
# Nobody reads a long list from end to end: people look for names.
_LETTERS_PER_S, _ARRIVAL_S, _LEAST_S, _MOST_S = 15.0, 1.5, 3.0, 12.0


@dataclass(frozen=True, slots=True)
class TitlePlate:
    """What stands on the plate before the music."""

    title: Typeset
    subtitle: Typeset


Plate = TitlePlate | CreditsPlate


@dataclass(frozen=True, slots=True)
class _Line:
    """A line at its place; `x` is its left end."""

    words: Typeset
    em: float
    x: float
    y: float
    colour: str


def draw_plate(plate: Plate, size: tuple[int, int], style: PlateStyle) -> Planes:
    """Draw a plate.

    Parameters
    ----------
    plate : TitlePlate or CreditsPlate
        What stands on it; a credits plate for this very size.
    size : (int, int)
        Width and height of the picture in pixels, even.
    style : PlateStyle
        Colours.

    Returns
    -------
    Planes
        The whole picture.
    """
    canvas = Canvas(*size)
    canvas.fill(Rect(0, 0, *size), colour_to_yuv(style.background))
    draw_plate_on(canvas, plate, style)
    return canvas.planes


def veil_share(ground: Planes, style: PlateStyle) -> float:
    """Return how far a background image must give way to the plate's colour behind words.

    It is 0 where the words can be read as it is.

    References
    ----------
    WCAG 2.2, success criterion 1.4.3: 4.5 to 1; the darkest and the brightest hundredth of the
    image are left out.
    """
    greys = (np.percentile(ground[0], (1, 99)) - _BLACK) * 255 / _LUMA_STEPS
    inks = [parse_colour(words) for words in (style.ink, style.second)]
    for percent in range(100):
        share = percent / 100
        behind = [
            tuple(share * paint + (1 - share) * grey for paint in parse_colour(style.background))
            for grey in np.clip(greys, 0.0, 255.0)
        ]
        if all(contrast(ink, (b[0], b[1], b[2])) >= LEAST_CONTRAST for ink in inks for b in behind):
            return share
    return 1.0


def draw_plate_on(canvas: Canvas, plate: Plate, style: PlateStyle) -> None:
    """Draw a plate's words over what is on a canvas, for instance a background image."""
    size = (canvas.width, canvas.height)
    if isinstance(plate, TitlePlate):
        lines, rule = _title_lines(plate, size, style)
    else:
        rows, rule = set_credits(plate, size)
        lines = [
            _Line(row.words, plate.em_px, row.x, row.y, style.second if row.role else style.ink)
            for row in rows
        ]
    for line in lines:
        at = (line.x, round(line.y))
        overlay = line_overlay(line.words, line.em, at, line.colour, size)
        if overlay is not None:
            canvas.blend(overlay)
    if rule is not None:
        canvas.fill(rule, colour_to_yuv(style.rule))


def reading_s(plate: Plate) -> float:
    """Return how many seconds a plate should be on screen, for everybody to read it."""
    if isinstance(plate, TitlePlate):
        texts = [plate.title.text, plate.subtitle.text]
    else:
        credits = [credit for column in plate.columns for credit in column]
        texts = [words.text for credit in credits for words in (credit.role, credit.name)]
    letters = sum(letter_count(text) for text in texts)
    return min(max(_LEAST_S, _ARRIVAL_S + letters / _LETTERS_PER_S), _MOST_S)


def _title_lines(
    plate: TitlePlate, size: tuple[int, int], style: PlateStyle
) -> tuple[list[_Line], Rect | None]:
    """Place title, rule and subtitle, the whole a little above the middle."""
    area, unit = text_area(size), plate_unit(size)
    title, em = set_title(plate.title, size)
    below_em = max(_SMALLEST_SUBTITLE * unit, _SUBTITLE_SHARE * em)
    below = wrapped(plate.subtitle, area.width, lambda line: length_px(line, below_em))
    above_height = 0.65 * em + (len(title) - 1) * _LINE_EM * em
    rule_height = _TO_RULE_EM * em if below or title else 0.0
    below_height = (_FROM_RULE_EM + (len(below) - 1) * _SUBTITLE_LINE_EM) * below_em if below else 0
    top = area.y + max(
        0.0, _OPTICAL_MIDDLE * area.height - (above_height + rule_height + below_height) / 2
    )
    lines = [
        _centred(words, em, top + 0.65 * em + row * _LINE_EM * em, size[0], style.ink)
        for row, words in enumerate(title)
    ]
    rule_y = top + above_height + rule_height
    lines += [
        _centred(words, below_em, rule_y + (_FROM_RULE_EM + row * _SUBTITLE_LINE_EM) * below_em,
                 size[0], style.second)
        for row, words in enumerate(below)
    ]  # fmt: skip
    return lines, centred_rule(size[0] / 2, round(rule_y) // 2 * 2, unit)


def set_title(words: Typeset, size: tuple[int, int]) -> tuple[list[Typeset], float]:
    """Return the lines of a title and the size of its letters in pixels.

    They are as large as they can be in two lines (longer titles: three or four), no word broken.
    """
    room, unit = text_area(size).width, plate_unit(size)
    lines: list[Typeset] = []
    em = 0.0
    for share, most in _TITLE_SIZES:
        em = share * unit

        def measure(line: Typeset, em: float = em) -> float:
            return length_px(line, em)

        lines = wrapped(words, room, measure)
        if len(lines) <= most and _keeps_words(words, room, measure):
            break
    return lines, em


def _keeps_words(words: Typeset, room: float, measure: Callable[[Typeset], float]) -> bool:
    """Tell whether the longest word fits on a line, so that none has to be broken."""
    start, text = 0, words.text
    for word in text.split(" "):
        breakable = any(is_wide(letter) for letter in word)
        if word and not breakable and measure(words.cut(start, start + len(word))) > room:
            return False
        start += len(word) + 1
    return True


def _centred(words: Typeset, em: float, y: float, width: int, colour: str) -> _Line:
    """Place a line in the middle."""
    return _Line(words, em, (width - length_px(words, em)) / 2, y, colour)
