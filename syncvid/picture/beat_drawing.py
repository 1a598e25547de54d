"""Drawing beat cards: paper, ink and one red; only what has changed is painted again.

The current beat is a full disc among rings, a held beat a bar that fills, a breath a comma in place
of the beats, the count-in a frame and a word: nothing is told by colour alone.  From one beat to
the next only figures and discs change, which is far less than the quarter of the picture from which
flashes may harm.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from syncvid.picture.beat_cards import FILL_STEPS, BeatCard, Phase, words_of
from syncvid.picture.beat_places import arrange
from syncvid.picture.beat_shapes import comma, inner_part, moved, ring, set_line
from syncvid.picture.canvas import Canvas
from syncvid.picture.colour import colour_to_yuv
from syncvid.picture.fonts import choose_type
from syncvid.picture.overlay import Overlay, even_up
from syncvid.picture.pieces import Rect
from syncvid.picture.setting import length_px
from syncvid.picture.typeset import Typeset, wrapped

# The page's colours.  Contrast with the paper by WCAG 2.2: ink 16.7, red 7.1, soft 5.7 to 1.
PAPER, INK, RED, SOFT = "#fffdf7", "#1f1c18", "#a3261d", "#6a645b"

# The project's serif, in em, measured: height of figures; what hangs below the base line; how far
# the middle of lines, and of a word in a box, lies above it; distance of base lines.
_FIGURE_EM, _HANG_EM, _MIDDLE_EM, _BOXED_MIDDLE_EM, _LINE_EM = 0.635, 0.28, 0.24, 0.31, 1.1

# Sizes that are tried for words, as shares of the largest, until they fit; what does not fit in the
# smallest, which can just be read from afar, is shortened.
_SIZES = tuple(0.93**step for step in range(14))

# Shares of a place's height: figures, their labels, words, a section's name in its box.
_FIGURES, _LABEL, _WORDS, _MARK = 0.84, 0.3, 0.92, 0.72

# Shares of the row's height: radius of strong and of other beats, thickness of a ring.
_STRONG, _WEAK, _RING = 0.42, 0.25, 0.05

# The largest letters, as shares of `Places.unit`: before and after the music, announcements, labels
# of figures, a section's name, the word to clap at.
_TITLE, _LINES, _LARGEST, _LARGEST_LABEL, _LARGEST_MARK, _CLAP = 0.19, 0.12, 0.17, 0.12, 0.15, 0.19

_LABELS = ("bar", "beat", "bars to go", "bar to go", "count-in", "clap")


def set_words(cards: Iterable[BeatCard]) -> tuple[dict[str, Typeset], tuple[str, ...]]:
    """Choose fonts for all words on cards.

    Returns
    -------
    (dict, tuple of str)
        The words with their fonts; and what the user should know, in sentences.
    """
    shown = list(dict.fromkeys(cards))
    texts = [*words_of(shown), *_LABELS, *"-0123456789"]
    typesets, warnings = choose_type(texts)
    words = dict(zip(texts, typesets, strict=True))
    # Our own sentences are English, also where they begin with a name that runs the other way.
    ours = {text for card in shown for text in (card.ahead, *card.news) if text}
    return words | {text: replace(words[text], from_left=True) for text in ours}, warnings


class BeatDrawing:
    """A canvas on which cards are drawn one after the other.

    Parameters
    ----------
    size : (int, int)
        Width and height in pixels, even.
    words : mapping of str to Typeset
        From `set_words`, for all cards that are to be drawn.

    Attributes
    ----------
    canvas : Canvas
        What was drawn last.
    """

    def __init__(self, size: tuple[int, int], words: Mapping[str, Typeset]) -> None:
        self.canvas = Canvas(*size)
        self._size, self._words, self._places = size, words, arrange(size)
        self._unit = self._places.unit
        self._kept: dict[Any, Overlay | None] = {}
        self._shown: dict[str, Any] = {}
        self._card: BeatCard | None = None
        self._inside = self._places.whole
        self._fill(self._places.whole, PAPER)

    def show(self, card: BeatCard) -> Canvas:
        """Bring the canvas up to a card; what is the same as before is not touched."""
        if card != self._card:
            before = self._card
            if before is None or _is_plate(before) != _is_plate(card):
                self._fill(self._places.whole, PAPER)
                self._shown = {}
            parts = _plate(card) if _is_plate(card) else _beats(card)
            for name, content in parts.items():
                if self._shown.get(name) != content:
                    self._paint(name, content)
            self._shown = parts
            self._card = card
        return self.canvas

    def _paint(self, name: str, content: tuple[Any, ...]) -> None:
        """Paint one part anew."""
        if name == "frame":
            self._frame(*content)
            return
        place: Rect = getattr(self._places, name)
        self._inside = place
        self._fill(place, PAPER)
        painters: dict[str, Callable[..., None]] = {
            "mark": self._mark,
            "ahead": partial(self._lines, colour=INK, align=1.0),
            "bar": self._figure,
            "beat": self._figure,
            "row": self._row,
            "hold": self._hold,
            "news": self._news,
            "title": partial(self._lines, colour=INK, largest=_TITLE * self._unit),
            "lines": partial(self._lines, colour=SOFT, largest=_LINES * self._unit),
        }
        painters[name](place, *content)

    def _frame(self, is_count_in: bool) -> None:
        """Put the frame round the count-in, or take it away."""
        whole, edge = self._places.whole, self._places.edge
        colour = RED if is_count_in else PAPER
        for rect in (
            replace(whole, height=edge),
            replace(whole, y=whole.height - edge, height=edge),
            replace(whole, width=edge),
            replace(whole, x=whole.width - edge, width=edge),
        ):
            self._fill(rect, colour)

    def _mark(self, place: Rect, text: str, is_count_in: bool) -> None:
        """Write the section in its box, or on red that it is the count-in."""
        if not text:
            return
        largest = min(_MARK * place.height, _LARGEST_MARK * self._unit)
        (line, *_), em = self._fit([text], place, largest, most=1, beside_em=0.7)
        length = length_px(line, em)
        pad, high = 0.3 * em, 1.15 * em
        top = 2 * round((place.y + (place.height - high) / 2) / 2)
        box = Rect(place.x, top, even_up(length + 2 * pad), even_up(high))
        thin = 2 * max(1, round(0.025 * em))
        self._fill(box, RED if is_count_in else INK)
        if not is_count_in:
            inner = Rect(box.x + thin, box.y + thin, box.width - 2 * thin, box.height - 2 * thin)
            self._fill(inner, PAPER)
        base = box.y + box.height / 2 + _BOXED_MIDDLE_EM * em
        self._write(line, em, (box.x + pad, base), PAPER if is_count_in else INK)

    def _figure(self, place: Rect, number: int, label: str, colour: str, after: bool) -> None:
        """Write a large number with its label before or after it."""
        words, figures = self._words[label], str(number)
        label_em = min(
            _LABEL * place.height, _LARGEST_LABEL * min(self._unit, 1.5 * min(self._size))
        )
        # The same room before bar and beat: one above the other, their figures are in line.
        labels = [words] if after else [self._words["bar"], self._words["beat"]]
        label_px, gap = max(length_px(text, label_em) for text in labels), 0.3 * label_em
        room = place.width - label_px - 2 * gap
        widths = [length_px(self._words[figure], 1000.0) / 1000.0 for figure in figures]
        em = min(_FIGURES * place.height / _FIGURE_EM, room / sum(widths))
        base = place.y + (place.height + _FIGURE_EM * em) / 2
        label_base = min(base, place.y + place.height - _HANG_EM * label_em)
        x = float(place.x)
        if not after:
            self._write(words, label_em, (x, label_base), SOFT)
            x += label_px + gap
        for figure, width in zip(figures, widths, strict=True):
            self._write(self._words[figure], em, (x, base), colour)
            x += width * em
        if after:
            self._write(words, label_em, (x + gap, label_base), SOFT)

    def _row(self, place: Rect, beat: int, beats: int, strong: Sequence[int], breath: bool) -> None:
        """Draw the beats of the bar: rings, the current one a disc; in a breath only a comma."""
        if breath:
            self._comma(place)
            return
        step = min(place.width / beats, 2.4 * place.height)
        scale = min(place.height, step)
        left = place.x + (place.width - beats * step) / 2
        for number in range(1, beats + 1):
            radius = scale * (_STRONG if number in strong else _WEAK)
            thick = radius if number == beat else max(1.5, _RING * scale)
            at = (left + (number - 0.5) * step, place.y + place.height / 2)
            self._ring(at, radius, thick, RED if number == beat else INK)

    def _hold(self, place: Rect, filled: int) -> None:
        """Draw how far a held beat has come."""
        if filled < 0:
            return
        thin = 2 * max(1, place.height // 24)
        inner = Rect(
            place.x + thin, place.y + thin, place.width - 2 * thin, place.height - 2 * thin
        )
        self._fill(place, INK)
        self._fill(inner, PAPER)
        self._fill(replace(inner, width=inner.width * filled // FILL_STEPS // 2 * 2), RED)

    def _news(self, place: Rect, texts: tuple[str, ...], clap: bool) -> None:
        """Write what is announced, beside it whether to clap."""
        if not clap:
            self._lines(place, texts, colour=RED)
            return
        width = place.width if not texts else place.width * 2 // 5 // 2 * 2
        self._clap(replace(place, width=width))
        gap = place.height // 8 * 2
        rest = replace(place, x=place.x + width + gap, width=place.width - width - gap)
        if texts:
            self._lines(rest, texts, colour=RED, align=0.0)

    def _clap(self, place: Rect) -> None:
        """Write on red that everybody claps."""
        words = self._words["clap"]
        em = min(0.75 * place.height, 0.8 * place.width / length_px(words, 1.0), _CLAP * self._unit)
        length = length_px(words, em)
        width, high = even_up(length + 1.2 * em), even_up(1.2 * em)
        left = 2 * round((place.x + (place.width - width) / 2) / 2)
        top = 2 * round((place.y + (place.height - high) / 2) / 2)
        self._fill(Rect(left, top, width, high), RED)
        base = top + high / 2 + _MIDDLE_EM * em
        self._write(words, em, (left + (width - length) / 2, base), PAPER)

    def _lines(
        self,
        place: Rect,
        texts: tuple[str, ...],
        *,
        colour: str,
        align: float = 0.5,
        largest: float | None = None,
    ) -> None:
        """Write lines, as large as they fit, in the middle of a place."""
        if not any(texts):
            return
        most = min(_WORDS * place.height, _LARGEST * self._unit if largest is None else largest)
        lines, em = self._fit(texts, place, most)
        first = place.y + (place.height - (len(lines) - 1) * _LINE_EM * em) / 2 + _MIDDLE_EM * em
        for number, line in enumerate(lines):
            x = place.x + align * (place.width - length_px(line, em))
            self._write(line, em, (x, first + number * _LINE_EM * em), colour)

    def _fit(
        self,
        texts: Sequence[str],
        place: Rect,
        largest: float,
        *,
        most: int = 99,
        beside_em: float = 0.0,
    ) -> tuple[list[Typeset], float]:
        """Return words broken into lines, and the largest size at which they fit."""
        lines: list[Typeset] = []
        em = largest
        for share in _SIZES:
            em = share * largest
            measure = partial(length_px, em_px=em)
            fitting = max(1, int((place.height / em - 0.9) / _LINE_EM + 1.0))
            each = max(1, min(most, fitting // len(texts)))
            lines = [
                line
                for text in texts
                for line in wrapped(self._words[text], place.width - beside_em * em, measure, each)
            ]
            whole = "".join(line.text for line in lines).replace(" ", "")
            if len(lines) <= fitting and whole == "".join(texts).replace(" ", ""):
                break
        return lines, em

    def _fill(self, rect: Rect, colour: str) -> None:
        """Fill a rectangle."""
        self.canvas.fill(rect, colour_to_yuv(colour))

    def _write(self, words: Typeset, em: float, at: tuple[float, float], colour: str) -> None:
        """Write a line with its base line at a place."""
        at = (2.0 * round(at[0] / 2), 2.0 * round(at[1] / 2))
        key = (words, round(em, 3), colour)
        if key not in self._kept:
            self._kept[key] = set_line(words, em, colour)
        self._blend(moved(self._kept[key], int(at[0]), int(at[1])))

    def _ring(self, at: tuple[float, float], radius: float, thick: float, colour: str) -> None:
        """Draw a ring, or a disc where it is as thick as its radius."""
        x, y = (2 * round(value / 2) for value in at)
        key = ("ring", round(radius, 3), round(thick, 3), colour)
        if key not in self._kept:
            self._kept[key] = ring(radius, thick, colour)
        self._blend(moved(self._kept[key], x, y))

    def _comma(self, place: Rect) -> None:
        """Draw a comma in the middle of a place."""
        half = place.height // 4 * 2
        if ("comma", half) not in self._kept:
            self._kept["comma", half] = comma(half, RED)
        x, y = ((place.x + place.width // 2) // 2 * 2, (place.y + place.height // 2) // 2 * 2)
        self._blend(moved(self._kept["comma", half], x, y))

    def _blend(self, overlay: Overlay | None) -> None:
        """Lay an overlay on the canvas as far as it lies within the place that is painted."""
        inside = None if overlay is None else inner_part(overlay, self._inside)
        if inside is not None:
            self.canvas.blend(inside)


def _is_plate(card: BeatCard) -> bool:
    """Tell whether a card has only words."""
    return card.phase in (Phase.BEFORE, Phase.AFTER)


def _plate(card: BeatCard) -> dict[str, tuple[Any, ...]]:
    """Return the parts of a card that has only words."""
    return {"frame": (False,), "title": ((card.mark,),), "lines": (card.news,)}


def _beats(card: BeatCard) -> dict[str, tuple[Any, ...]]:
    """Return the parts of a card with beats: by them it is seen what has changed."""
    counted = card.phase is Phase.COUNT_IN
    label = ("bar to go" if card.bar == 1 else "bars to go") if counted else "bar"
    colour = RED if counted else INK
    return {
        "frame": (counted,),
        "mark": ("count-in" if counted else card.mark, counted),
        "ahead": ((card.ahead,) if card.ahead else (),),
        "bar": (card.bar, label, colour, counted),
        "beat": (card.beat, "beat", RED, False),
        "row": _row_of(card),
        "hold": (card.filled,),
        "news": (card.news, card.clap),
    }


def _row_of(card: BeatCard) -> tuple[Any, ...]:
    """Return what the row of beats shows; in a breath that is the same at every beat."""
    return (0, 0, (), True) if card.breath else (card.beat, card.beats, card.strong, False)
