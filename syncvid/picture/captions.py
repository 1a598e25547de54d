"""Captions: names on the tiles, and words at the foot of the whole picture.

Names of one scene share one size of letters, but for a tile that is much larger than the others;
either all of its tiles have names or none.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from syncvid.picture.areas import is_upright, text_area
from syncvid.picture.colour import LEAST_CONTRAST, colour_to_yuv, contrast, parse_colour
from syncvid.picture.inking import ink
from syncvid.picture.overlay import Overlay, even_up, stack
from syncvid.picture.pieces import LABEL_SEPARATOR, Rect
from syncvid.picture.setting import length_px
from syncvid.picture.typeset import ELLIPSIS, Typeset, clusters, letter_count, shortened, wrapped
from syncvid.production.layouts import CaptionStyle

# Letters smaller than this cannot be read in any font; nor such of a smaller share of the picture's
# height, however many pixels it has (seen from where the whole picture is in sight).
_SMALLEST_EM_PX, _SMALLEST_EM_SHARE = 12, 0.0139

# The largest name, as a share of the whole picture's height (subtitling practice: 4 to 5 %).
_LARGEST_EM_SHARE = 0.042

# The rest of a name's measures, in em: room left and right of the letters, height of the band,
# the stretch over which it fades out, the upright rule at its left, and how far the base line lies
# above the lower edge.
_PAD_EM, _BAND_EM, _FADE_EM, _RULE_EM, _BASE_EM = 0.5, 1.5, 1.0, 0.12, 0.46

# Letters should have this share of the picture's height where the layout's share of a small tile is
# less: up to so many times what the layout says, while every name fits whole and no band takes more
# than such a share of its tile's height.
_EASY_EM_SHARE, _MOST_RAISE, _LOW_BAND = 0.02, 1.5, 1 / 7

# A tile that is so many times as high as the middle one of its scene, and has as much more room for
# letters, has a name in its own proportion: up to so many times the others' size.  Project choice.
_LARGE, _MOST_TIMES = 1.6, 1.75

# How far letters hang below their base line: so far up a rounded corner may touch them.
_HANG_EM = 0.22

# No name is longer than this share of its tile; a band is at most this share of its height.
_LONGEST_NAME, _HIGHEST_BAND = 0.92, 1 / 3

# A tile must have room for so many em of letters, else no name is legible in it.
_SHORTEST_ROOM_EM = 2.5

# Part and player must each keep so many letters, if they have them, before the player is left out.
_LEAST_LETTERS = 6

# Words at the foot: subtitling practice (two lines, 42 letters, 4 to 5 % of the height); in em:
# distance of the base lines, room above, below and beside the letters, fading out.
_WORDS_EM_SHARES = (0.05, 0.045, 0.04)
_MOST_LINES, _MOST_LETTERS = 2, 42
_LINE_EM, _ABOVE_EM, _BELOW_EM, _BESIDE_EM = 1.22, 1.06, 0.52, 1.5

# Words give way to names by at most this share of the picture's height, and then lie so far above.
_FURTHEST_UP, _APART_PX = 0.12, 4

# In an upright picture the foot of what is free of the players' signs often lies across heads:
# words go up, at most until they stand on the picture's middle, to where they cover least of these
# shares of the tiles' heights, in which heads are.  Project choice.
_HEADS = (0.05, 0.6)

# In a narrow picture letters are so small that about this many of them fill a line; a letter of
# the project's serif is 0.42 em wide on average (names and words of the demo).
_NARROW_LETTERS, _LETTER_EM = 30, 0.42


def legible_opacity(style: CaptionStyle) -> float:
    """Return the opacity of a band on which the letters keep their contrast over any picture.

    It is the style's own unless that is too little; 1 where the two colours as such are too close.

    References
    ----------
    WCAG 2.2, success criterion 1.4.3: 4.5 to 1.
    """
    ink, band = parse_colour(style.ink), parse_colour(style.band)
    for percent in range(round(style.opacity * 100), 100):
        share = percent / 100
        grounds = (
            tuple(share * colour + (1 - share) * behind for colour in band) for behind in (0, 255)
        )
        # Video is coded in fewer steps than these colours: a little more than the limit.
        if all(contrast(ink, (g[0], g[1], g[2])) >= 1.03 * LEAST_CONTRAST for g in grounds):
            return max(style.opacity, share)
    return 1.0


@dataclass(frozen=True, slots=True)
class Name:
    """The name on one tile, as it is to be drawn.

    Attributes
    ----------
    words : Typeset
        The label, shortened to fit.
    em_px : int
        Size of the letters.
    """

    words: Typeset
    em_px: int


def plan_names(
    labels: Sequence[Typeset],
    tiles: Sequence[Rect],
    style: CaptionStyle,
    *,
    picture_height: int,
    radius_px: float = 0.0,
) -> tuple[Name, ...]:
    """Decide how the names of one scene are written: in one size, but for large tiles; all or none.

    A label that is too long loses the player's later names first, then the end of the part's name,
    then the end of the given name; where that is not enough, all labels are the part alone.  The
    size is what the layout says of the middle one of the tiles, and less if it must be so that the
    names stay whole: a single narrow tile does not make all names small.  The name of a tile that
    is much larger than the middle one is larger too, if it stays whole.

    Parameters
    ----------
    labels : sequence of Typeset
        ``Part · Player`` for each tile; empty for a tile without a name.
    tiles : sequence of Rect
        The tiles.
    style : CaptionStyle
        Size of the letters.
    picture_height : int
        Height of the whole output picture in pixels.
    radius_px : float
        Radius of the tiles' corners: letters keep clear of them.

    Returns
    -------
    tuple of Name
        One for each tile; an empty tuple where the tiles are too small for names.
    """
    if not tiles or not style.show:
        return ()
    em = _choose_em(labels, tiles, style, picture_height, radius_px)
    rooms = [_room(tile, em, radius_px) for tile in tiles]
    if min(rooms) < _SHORTEST_ROOM_EM * em or any(
        even_up(_BAND_EM * em) > _HIGHEST_BAND * tile.height for tile in tiles
    ):
        return ()

    def measure(words: Typeset) -> float:
        return length_px(words, em)

    fitted = [_fitted(label, room, measure) for label, room in zip(labels, rooms, strict=True)]
    if any(words is None for words in fitted):
        fitted = [
            shortened(_split(label)[0], room, measure)
            for label, room in zip(labels, rooms, strict=True)
        ]
    most = min(_MOST_TIMES * em, max(em, _LARGEST_EM_SHARE * picture_height))
    large = _large(tiles)
    return tuple(
        Name(words, _own_em(words, tile, em, most, style, radius_px) if tile in large else em)
        for words, tile in zip(fitted, tiles, strict=True)
        if words is not None
    )


def _large(tiles: Sequence[Rect]) -> set[Rect]:
    """Return the tiles that are much larger than the middle one."""
    middle = len(tiles) // 2
    height = sorted(tile.height for tile in tiles)[middle]
    measure = sorted(map(_measure, tiles))[middle]
    return {
        tile
        for tile in tiles
        if tile.height >= _LARGE * height and _measure(tile) >= _LARGE * measure
    }


def _own_em(
    words: Typeset, tile: Rect, em: int, most: float, style: CaptionStyle, radius_px: float
) -> int:
    """Return the size of the letters of a large tile's name: in proportion, while it is whole."""
    wished = math.floor(min(most, style.size * _measure(tile)))
    whole = (
        own
        for own in range(wished, em, -1)
        if length_px(words, own) <= _room(tile, own, radius_px)
        and even_up(_BAND_EM * own) <= _LOW_BAND * tile.height
    )
    return next(whole, em)


def _choose_em(
    labels: Sequence[Typeset],
    tiles: Sequence[Rect],
    style: CaptionStyle,
    picture_height: int,
    radius_px: float,
) -> int:
    """Return the size of the letters of one scene."""
    least = max(_SMALLEST_EM_PX, round(_SMALLEST_EM_SHARE * picture_height))
    most = max(least, round(_LARGEST_EM_SHARE * picture_height))
    sizes = sorted(style.size * _measure(tile) for tile in tiles)
    easy = min(_EASY_EM_SHARE * picture_height, _MOST_RAISE * sizes[0])
    wished, sure = (
        min(max(least, round(em)), most) for em in (max(sizes[len(sizes) // 2], easy), sizes[0])
    )
    lowest = min(tile.height for tile in tiles)
    for em in range(wished, sure, -1):
        if even_up(_BAND_EM * em) <= _LOW_BAND * lowest and all(
            length_px(label, em) <= _room(tile, em, radius_px)
            for label, tile in zip(labels, tiles, strict=True)
        ):
            return em
    return sure


def _measure(tile: Rect) -> float:
    """Return what letters are a share of: the height of a 16:9 tile, less in narrow or low ones."""
    height = tile.width * 9 / 16
    return min(1.25 * tile.height, 1.25 * height, math.sqrt(tile.height * height))


def _room(tile: Rect, em: float, radius_px: float) -> float:
    """Return how long the letters of a name may be."""
    return _LONGEST_NAME * tile.width - _start_px(em, radius_px) - _FADE_EM * em


def _start_px(em: float, radius_px: float) -> float:
    """Return how far from the left of its tile a name begins: clear of a rounded corner."""
    low = (_BASE_EM - _HANG_EM) * em
    above = max(0.0, radius_px - low)
    rounded = radius_px - math.sqrt(radius_px**2 - above**2) if above else 0.0
    return (_RULE_EM + _PAD_EM) * em + rounded


def _split(label: Typeset) -> tuple[Typeset, Typeset]:
    """Return part and player."""
    at = label.text.find(LABEL_SEPARATOR)
    if at < 0:
        return label, Typeset((), label.plain)
    return label.cut(0, at), label.cut(at + len(LABEL_SEPARATOR), len(label.text))


def _fitted(label: Typeset, room: float, measure: Callable[[Typeset], float]) -> Typeset | None:
    """Return part and player so that they fit; None if the player must go."""
    if measure(label) <= room:
        return label
    part, player = _split(label)
    if not player:
        return shortened(label, room, measure)
    given = player.cut(0, player.text.find(" ") if " " in player.text else len(player.text))
    dot = Typeset((), label.plain).plus(LABEL_SEPARATOR)
    # In this order: given name instead of all names; a shorter part; a shorter given name too.
    for name in (player, given, _opening(given)):
        left = shortened(part, room - measure(dot) - measure(name), measure)
        kept = left == part or letter_count(left.text) > _LEAST_LETTERS
        if kept if name != player else left == part:
            return Typeset((*left.runs, *dot.runs, *name.runs), label.plain)
    return None


def _opening(name: Typeset) -> Typeset:
    """Return the first letters of a name and an ellipsis; a short name as it is."""
    letters = clusters(name.text)
    if len(letters) <= _LEAST_LETTERS + 1:
        return name
    return name.cut(0, len("".join(letters[:_LEAST_LETTERS]))).plus(ELLIPSIS)


def draw_name(
    name: Name, tile: Rect, style: CaptionStyle, *, rule: str, radius_px: float = 0.0
) -> Overlay | None:
    """Draw a name for the lower left corner of a tile.

    Parameters
    ----------
    name : Name
        From `plan_names`.
    tile : Rect
        The tile.
    style : CaptionStyle
        Colours.
    rule : str
        Colour of the upright line at the left; there is none in a tile with rounded corners, which
        would cut it off.
    radius_px : float
        Radius of the tile's corners.

    Returns
    -------
    Overlay or None
        None where there is nothing to write.
    """
    if not name.words:
        return None
    em = name.em_px
    height = even_up(_BAND_EM * em)
    start = _start_px(em, radius_px)
    width = min(even_up(start + length_px(name.words, em) + _FADE_EM * em), tile.width // 2 * 2)
    rect = Rect(tile.x, tile.y + tile.height - height, width, height)
    band = np.full(width, legible_opacity(style))
    fade = max(1, round(_FADE_EM * em))
    band[-fade:] *= _falling(fade)
    ruled = np.zeros((height, width))
    if radius_px <= 0.0:
        ruled[:, : even_up(_RULE_EM * em)] = 1.0
    letters = np.zeros((height, width))
    ink(letters, name.words, em, (start, height - round(_BASE_EM * em)))
    return stack(
        rect,
        (np.broadcast_to(band, ruled.shape), colour_to_yuv(style.band)),
        (ruled, colour_to_yuv(rule)),
        (letters, colour_to_yuv(style.ink)),
    )


def words_fit(words: Typeset, size: tuple[int, int]) -> bool:
    """Tell whether words at the foot can be read whole; else they are shortened."""
    lines, _ = _set_words(words, size)
    return _is_whole(words, lines)


def draw_words(
    words: Typeset,
    size: tuple[int, int],
    style: CaptionStyle,
    *,
    clear_of: Sequence[Rect] = (),
    above: Sequence[Rect] = (),
    tiles: Sequence[Rect] = (),
) -> Overlay | None:
    """Draw words at the foot of the whole picture: a scene's caption, sung words, a remark.

    One or two lines, at most 42 letters each, on a band on which they can be read over anything,
    inside the safe area (`syncvid.picture.areas`).

    Parameters
    ----------
    words : Typeset
        What is said.
    size : (int, int)
        Width and height of the picture.
    style : CaptionStyle
        Colours.
    clear_of : sequence of Rect
        Where names are written: the words stand above those that they would cover, if that is not
        far up.
    above : sequence of Rect
        Other words at the foot, which they never cover.
    tiles : sequence of Rect
        The tiles of the scene: in an upright picture words stand where they cover least of heads.

    Returns
    -------
    Overlay or None
        None where there is nothing to write.
    """
    if not words:
        return None
    lines, em = _set_words(words, size)
    area = text_area(size)
    lengths = [length_px(line, em) for line in lines]
    width = min(even_up(max(lengths) + 2 * _BESIDE_EM * em), size[0])
    height = even_up((_ABOVE_EM + _BELOW_EM + (len(lines) - 1) * _LINE_EM) * em)
    foot = Rect((size[0] - width) // 4 * 2, area.y + area.height - height, width, height)
    for other in above:
        foot = replace(foot, y=max(0, min(foot.y, (other.y - height) // 2 * 2)))
    most = int(_FURTHEST_UP * size[1])
    rect = _lifted(foot, clear_of, most)
    if is_upright(size):
        rect = _off_heads(foot, tiles, clear_of, (size[1] // 2 - height, most))
    fade = max(1, round(0.8 * _BESIDE_EM * em))
    band = np.full(width, legible_opacity(style))
    band[-fade:] *= _falling(fade)
    band[:fade] *= _falling(fade)[::-1]
    letters = np.zeros((height, width))
    for row, (line, length) in enumerate(zip(lines, lengths, strict=True)):
        base_line = round((_ABOVE_EM + row * _LINE_EM) * em)
        ink(letters, line, em, ((width - length) / 2, base_line))
    return stack(
        rect,
        (np.broadcast_to(band, letters.shape), colour_to_yuv(style.band)),
        (letters, colour_to_yuv(style.ink)),
    )


def _lifted(foot: Rect, others: Sequence[Rect], most: int) -> Rect:
    """Return a rectangle moved up until it covers none of the others; as it was if that is far."""
    y = foot.y
    for other in sorted(others, key=lambda rect: -rect.y):
        beside = other.x >= foot.x + foot.width or foot.x >= other.x + other.width
        if not beside and y < other.y + other.height and other.y < y + foot.height:
            y = (other.y - foot.height - _APART_PX) // 2 * 2
    return replace(foot, y=y) if 0 <= foot.y - y <= most else foot


def _off_heads(
    foot: Rect, tiles: Sequence[Rect], names: Sequence[Rect], limits: tuple[int, int]
) -> Rect:
    """Return a rectangle where it covers least of heads: at a lower edge, in a gap, or as it was.

    It is moved up only, clear of names, and not above the first of the limits; the other one is
    how far it may go to be clear of a name.
    """
    highest, most = limits
    edges = [tile.y + tile.height for tile in tiles] + [tile.y for tile in tiles]
    tried = [
        _lifted(replace(foot, y=y // 2 * 2), names, most)
        for y in {foot.y, *(e - foot.height for e in edges), *(e - foot.height // 2 for e in edges)}
        if highest <= y <= foot.y
    ]

    def covered(rect: Rect) -> int:
        return sum(_common(rect, head) for head in map(_heads, tiles))

    return min(tried, key=lambda rect: (covered(rect), -rect.y), default=foot)


def _heads(tile: Rect) -> Rect:
    """Return the part of a tile in which heads are."""
    top, bottom = (tile.y + round(share * tile.height) for share in _HEADS)
    return replace(tile, y=top, height=bottom - top)


def _common(one: Rect, other: Rect) -> int:
    """Return how many pixels two rectangles have in common."""
    wide = min(one.x + one.width, other.x + other.width) - max(one.x, other.x)
    high = min(one.y + one.height, other.y + other.height) - max(one.y, other.y)
    return max(0, wide) * max(0, high)


def _set_words(words: Typeset, size: tuple[int, int]) -> tuple[list[Typeset], float]:
    """Return the lines of words at the foot and the size of their letters."""
    area = text_area(size)
    narrow = area.width / (_NARROW_LETTERS * _LETTER_EM)
    lines: list[Typeset] = []
    em = 0.0
    for share in _WORDS_EM_SHARES:
        em = max(_SMALLEST_EM_PX, min(share * size[1], narrow * share / _WORDS_EM_SHARES[0]))

        def measure(line: Typeset, em: float = em) -> float:
            # Too many letters are as bad as too long a line: the longer of the two counts.
            return max(length_px(line, em), letter_count(line.text) / _MOST_LETTERS * area.width)

        lines = wrapped(words, area.width, measure, _MOST_LINES)
        if _is_whole(words, lines):
            break
    return lines, em


def _is_whole(words: Typeset, lines: Sequence[Typeset]) -> bool:
    """Tell whether nothing was left out when words were broken into lines."""
    return "".join(line.text for line in lines).replace(" ", "") == words.text.replace(" ", "")


def _falling(count: int) -> NDArray[np.float64]:
    """Return a soft slope from 1 to 0."""
    return np.asarray(0.5 + 0.5 * np.cos(np.linspace(0, np.pi, count)))
