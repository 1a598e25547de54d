"""Where on a guide's picture what stands: wide, upright, or as a strip beside another picture.

How large things are follows from a telephone seen from 1.5 m (project choice: it stands on a music
stand or a shelf).  Its picture is about 65 mm along the shorter side.  Letters that are to be read
at once should subtend 16 minutes of arc or more (ISO 9241-303, from memory): at 1.5 m that is 7 mm
of a capital, 0.107 of the shorter side.  Announcements in one line have that size, figures of bar
and beat more than three times as much, to be seen from the corner of the eye.
"""

from __future__ import annotations

from dataclasses import dataclass

from syncvid.picture.areas import is_upright
from syncvid.picture.pieces import Rect

# Free at each edge, as a share of the shorter side: nothing cuts off a picture on a telephone.
_MARGIN = 0.04

# From so many heights on, a picture is a strip.
_STRIP = 3.0

# Parts of the height from the top: section and what comes next, figures, beats, hold, news.
_WIDE = (0.19, 0.41, 0.14, 0.04, 0.22)

# Upright: section, what comes next, bar, beat, beats, hold, news.
_UPRIGHT = (0.10, 0.10, 0.27, 0.20, 0.09, 0.02, 0.22)

# Parts of the width: section, bar, beat, then beats over the hold, and what comes next over news.
_STRIP_COLUMNS = (0.15, 0.20, 0.13, 0.20, 0.32)


@dataclass(frozen=True, slots=True)
class Places:
    """Rectangles that do not overlap.

    Attributes
    ----------
    mark, ahead : Rect
        The section, and the next one.
    bar, beat : Rect
        The large figures.
    row, hold : Rect
        The beats of the bar, and how far a held one has come.
    news : Rect
        What is announced.
    title, lines : Rect
        In place of all of them, before and after the music.
    whole : Rect
        The whole picture.
    edge : int
        Thickness of the frame round the count-in, in pixels.
    unit : float
        What the largest letters are shares of: the shorter side, in pixels; of a strip that of the
        picture to which it belongs, taken as 16:9.
    """

    mark: Rect
    ahead: Rect
    bar: Rect
    beat: Rect
    row: Rect
    hold: Rect
    news: Rect
    title: Rect
    lines: Rect
    whole: Rect
    edge: int
    unit: float


def arrange(size: tuple[int, int]) -> Places:
    """Divide a picture.

    Parameters
    ----------
    size : (int, int)
        Width and height in pixels, even.

    Returns
    -------
    Places
    """
    width, height = size
    margin = _MARGIN * min(size)
    area = (margin, margin, width - 2 * margin, height - 2 * margin)
    if width >= _STRIP * height:
        places = _strip(area)
    elif is_upright(size):
        places = _upright(area)
    else:
        places = _wide(area)
    upper, lower = _rows(area, (0.62, 0.38))
    mark, ahead, bar, beat, row, hold, news = (_even(box) for box in places)
    return Places(
        mark=mark,
        ahead=ahead,
        bar=bar,
        beat=beat,
        row=row,
        hold=hold,
        news=news,
        title=_even(upper),
        lines=_even(lower),
        whole=Rect(0, 0, width, height),
        edge=2 * max(1, round(0.4 * margin / 2)),
        unit=width * 9 / 16 if width >= _STRIP * height else min(size),
    )


_Box = tuple[float, float, float, float]


def _wide(area: _Box) -> list[_Box]:
    """Return mark, ahead, bar, beat, row, hold and news of a wide picture."""
    top, figures, row, hold, news = _rows(area, _WIDE)
    mark, ahead = _columns(top, (0.4, 0.6))
    bar, beat = _columns(figures, (0.62, 0.38))
    return [mark, ahead, bar, beat, row, hold, news]


def _upright(area: _Box) -> list[_Box]:
    """Return the same of an upright picture."""
    mark, ahead, bar, beat, row, hold, news = _rows(area, _UPRIGHT)
    return [mark, ahead, bar, beat, row, hold, news]


def _strip(area: _Box) -> list[_Box]:
    """Return the same of a strip."""
    mark, bar, beat, middle, right = _columns(area, _STRIP_COLUMNS)
    row, hold = _rows(middle, (0.8, 0.2))
    ahead, news = _rows(right, (0.4, 0.6))
    return [mark, ahead, bar, beat, row, hold, news]


def _rows(box: _Box, shares: tuple[float, ...]) -> list[_Box]:
    """Divide a box from top to bottom."""
    x, y, width, height = box
    edges = [sum(shares[:count]) for count in range(len(shares))]
    return [
        (x, y + at * height, width, share * height) for at, share in zip(edges, shares, strict=True)
    ]


def _columns(box: _Box, shares: tuple[float, ...]) -> list[_Box]:
    """Divide a box from left to right."""
    x, y, width, height = box
    edges = [sum(shares[:count]) for count in range(len(shares))]
    return [
        (x + at * width, y, share * width, height) for at, share in zip(edges, shares, strict=True)
    ]


def _even(box: _Box) -> Rect:
    """Round a box to even pixels; neighbours keep their common edge."""
    left, top = (2 * round(value / 2) for value in box[:2])
    right, bottom = 2 * round((box[0] + box[2]) / 2), 2 * round((box[1] + box[3]) / 2)
    return Rect(left, top, right - left, bottom - top)
