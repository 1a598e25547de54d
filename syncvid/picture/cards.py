"""Cards: what stands in for the picture of a player who has none."""

from __future__ import annotations

from functools import partial

from syncvid.arrays import Planes
from syncvid.picture.canvas import Canvas
from syncvid.picture.colour import colour_to_yuv
from syncvid.picture.inking import line_overlay
from syncvid.picture.pieces import LABEL_SEPARATOR, Rect
from syncvid.picture.setting import length_px
from syncvid.picture.typeset import Typeset, shortened
from syncvid.production.layouts import CardStyle

# Letters smaller than this cannot be read in any font.
_SMALLEST_EM_PX = 12

# A card's measures as shares of the smaller of height and 9/16 of the width: letters of part and
# player, distance from base line to rule and from rule to the player's base line.
_PART, _PLAYER, _ABOVE_RULE, _BELOW_RULE = 0.125, 0.075, 0.075, 0.125
_RULE_WIDTH, _RULE_HEIGHT, _LONGEST_NAME = 0.24, 0.006, 0.86


def draw_card(label: Typeset, width: int, height: int, style: CardStyle) -> Planes:
    """Draw the quiet card that stands in for a picture: the part, a thin rule, the player.

    Parameters
    ----------
    label : Typeset
        The name; what stands after the middle dot goes below the rule.
    width, height : int
        Size in pixels, even.
    style : CardStyle
        Colours.

    Returns
    -------
    Planes
        The whole card.
    """
    part, _, player = label.text.partition(LABEL_SEPARATOR)
    canvas = Canvas(width, height)
    canvas.fill(Rect(0, 0, width, height), colour_to_yuv(style.background))
    measure = min(height, width * 9 / 16)
    part_em, player_em = (max(_SMALLEST_EM_PX, share * measure) for share in (_PART, _PLAYER))
    # Small letters are not as small as the measure would have them: the distances follow them.
    above, below = part_em * _ABOVE_RULE / _PART, player_em * _BELOW_RULE / _PLAYER
    rule_y = round(height / 2 + (0.0 if player else 0.25) * part_em) // 2 * 2
    lines = [(label.cut(0, len(part)), part_em, rule_y - above, style.ink)]
    if player:
        name = label.cut(len(part) + len(LABEL_SEPARATOR), len(label.text))
        lines.append((name, player_em, rule_y + below, style.player))
    for words, em, y, colour in lines:
        fit = shortened(words, _LONGEST_NAME * width, partial(length_px, em_px=em))
        at = ((width - length_px(fit, em)) / 2, round(y))
        overlay = line_overlay(fit, em, at, colour, (width, height))
        if overlay is not None:
            canvas.blend(overlay)
    canvas.fill(centred_rule(width / 2, rule_y, measure), colour_to_yuv(style.rule))
    return canvas.planes


def centred_rule(x: float, y: int, measure: float) -> Rect:
    """Return the thin rule in the accent colour, centred on `x`, its upper edge at `y` (even)."""
    left = round(x - _RULE_WIDTH * measure / 2) // 2 * 2
    right = round(x + _RULE_WIDTH * measure / 2 + 1) // 2 * 2
    return Rect(left, y, max(2, right - left), 2 * max(1, round(_RULE_HEIGHT * measure / 2)))
