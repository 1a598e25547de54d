"""Stages: the whole pictures of scenes, painted over from one output picture to the next.

A tile is touched only when what it shows has changed: a clip of 25 pictures a second is not put on
the canvas 30 times, and a card is drawn once.
"""

from __future__ import annotations

from collections.abc import Mapping

from syncvid.arrays import Planes
from syncvid.media.pictures import Crop
from syncvid.picture.canvas import Canvas
from syncvid.picture.colour import colour_to_yuv
from syncvid.picture.composition import Composition, Layer, Shown, Stage
from syncvid.picture.lettering import Overlay, draw_caption, draw_card
from syncvid.picture.pieces import Rect
from syncvid.segments.clips import ClipKey, Fetched, key_of

Supply = Mapping[ClipKey, Fetched]
"""What was fetched for one output picture."""


class Drawings:
    """What is drawn once for a composition: names and cards.

    Parameters
    ----------
    composition : Composition
        Looks, names and fonts.
    """

    def __init__(self, composition: Composition) -> None:
        self._composition = composition
        self._names: dict[tuple[int, Rect], Overlay | None] = {}
        self._cards: dict[tuple[int, int, int], Planes] = {}

    def name(self, voice: int, rect: Rect) -> Overlay | None:
        """Return the name on a tile; None where there is none."""
        key = voice, rect
        if key not in self._names:
            composition = self._composition
            look, label = composition.layout, composition.voices[voice].label
            self._names[key] = (
                draw_caption(
                    label,
                    composition.fonts[voice],
                    rect,
                    look.caption,
                    rule=look.card.rule,
                    picture_height=composition.size[1],
                )
                if look.caption.show and label
                else None
            )
        return self._names[key]

    def card(self, voice: int, rect: Rect) -> Planes:
        """Return the card of a tile."""
        key = voice, rect.width, rect.height
        if key not in self._cards:
            composition = self._composition
            self._cards[key] = draw_card(
                composition.voices[voice].label,
                composition.fonts[voice],
                rect.width,
                rect.height,
                composition.layout.card,
            )
        return self._cards[key]


def crop_of(composition: Composition, shown: Shown, layer: Layer) -> Crop | None:
    """Return what a layer wants of its clip; None for a card."""
    piece = layer.piece
    if piece is None:
        return None
    rect = composition.picture_rect(shown.rect, piece)
    return Crop(rect.width, rect.height, piece.focus, piece.zoom)


class Backdrop:
    """One scene's canvas.

    Parameters
    ----------
    composition : Composition
        What it belongs to.
    drawings : Drawings
        Names and cards.
    """

    def __init__(self, composition: Composition, drawings: Drawings) -> None:
        self._composition, self._drawings = composition, drawings
        self.canvas = Canvas(*composition.size)
        self._ground = colour_to_yuv(composition.layout.canvas.background)
        self._tile_ground = colour_to_yuv(composition.layout.tile.background)
        self.canvas.fill(Rect(0, 0, *composition.size), self._ground)
        self._drawn: dict[Rect, object] = {}

    def paint(self, stage: Stage, supply: Supply) -> Canvas:
        """Bring the canvas up to an output picture."""
        here = {shown.rect for shown in stage.tiles}
        for rect in [rect for rect in self._drawn if rect not in here]:
            self.canvas.fill(rect, self._ground)
            del self._drawn[rect]
        for shown in stage.tiles:
            state = _state(shown, supply)
            if self._drawn.get(shown.rect) != state:
                self._paint_tile(shown, supply)
                self._drawn[shown.rect] = state
        return self.canvas

    def _paint_tile(self, shown: Shown, supply: Supply) -> None:
        """Paint one tile anew."""
        pictures = [layer for layer in shown.layers if layer.piece is not None]
        for layer in pictures:
            self._lay(shown, layer, supply, lowest=layer is shown.layers[0])
        name = self._drawings.name(shown.voice, shown.rect) if shown.named else None
        if pictures and name is not None:
            self.canvas.blend(name)
        for layer in shown.layers:
            if layer.piece is None:
                card = self._drawings.card(shown.voice, shown.rect)
                self._cover(shown.rect, card, layer.share)
        if shown.presence < 1.0:
            self.canvas.dim(shown.rect, self._ground, 1.0 - shown.presence)

    def _lay(self, shown: Shown, layer: Layer, supply: Supply, *, lowest: bool) -> None:
        """Lay a clip's picture into its tile."""
        assert layer.piece is not None
        crop = crop_of(self._composition, shown, layer)
        assert crop is not None
        planes = supply[key_of(shown.voice, layer.piece)].planes[crop]
        rect = self._composition.picture_rect(shown.rect, layer.piece)
        if lowest and rect != shown.rect:
            self.canvas.fill(shown.rect, self._tile_ground)
        self._cover(rect, planes, 1.0 if lowest else layer.share)

    def _cover(self, rect: Rect, planes: Planes, share: float) -> None:
        """Put planes into a rectangle, or dissolve to them."""
        if share >= 1.0:
            self.canvas.put(rect, planes)
        else:
            self.canvas.dissolve(rect, planes, share)


def _state(shown: Shown, supply: Supply) -> object:
    """Return what tells whether a tile looks as it did."""
    layers = tuple(
        (
            layer.piece,
            supply[key_of(shown.voice, layer.piece)].ticks if layer.piece is not None else None,
            layer.share,
        )
        for layer in shown.layers
    )
    return layers, shown.voice, shown.named, shown.presence
