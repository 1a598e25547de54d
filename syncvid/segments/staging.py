"""Stages: the whole pictures of scenes, painted over from one output picture to the next.

A tile is touched only when what it shows has changed: a clip of 25 pictures a second is not put on
the canvas 30 times, and a card is drawn once.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from syncvid.arrays import Planes
from syncvid.media.pictures import Crop, PictureFile
from syncvid.media.probe import probe
from syncvid.picture.canvas import Canvas, part_of
from syncvid.picture.captions import draw_name, draw_words, plan_names
from syncvid.picture.cards import draw_card
from syncvid.picture.colour import colour_to_yuv
from syncvid.picture.composition import Composition, Layer, Shown, Stage, Words
from syncvid.picture.corners import corner_overlays
from syncvid.picture.overlay import Overlay, flat
from syncvid.picture.pieces import Rect
from syncvid.picture.plates import draw_plate, draw_plate_on, veil_share
from syncvid.picture.tone import apply_tone
from syncvid.production.layouts import PlateStyle
from syncvid.segments.clips import ClipKey, Fetched, key_of

Supply = Mapping[ClipKey, Fetched]
"""What was fetched for one output picture."""


class Drawings:
    """What is drawn once for a composition: ground, names, cards, corners, words and plates.

    Parameters
    ----------
    composition : Composition
        Looks, names and words.
    """

    def __init__(self, composition: Composition) -> None:
        self._composition = composition
        self._names: dict[int, dict[Rect, Overlay | None]] = {}
        self._cards: dict[tuple[int, int, int], Planes] = {}
        self._corners: dict[tuple[Rect, int], tuple[Overlay, ...]] = {}
        self._words: dict[tuple[Words, int], Overlay | None] = {}
        self._ground: Planes | None = None

    def ground(self) -> Planes:
        """Return what lies behind the tiles, for the whole picture."""
        if self._ground is None:
            composition = self._composition
            image = composition.layout.canvas.image
            if image is None:
                canvas = Canvas(*composition.size)
                whole = Rect(0, 0, *composition.size)
                canvas.fill(whole, colour_to_yuv(composition.layout.canvas.background))
                self._ground = canvas.planes
            else:
                self._ground = _image_planes(image, composition.size)
        return self._ground

    def names(self, scene: int) -> dict[Rect, Overlay | None]:
        """Return the names of a scene by their tiles."""
        if scene not in self._names:
            composition = self._composition
            look = composition.layout
            places = [place for place in composition.scenes[scene].places if place.named]
            rects = [place.rect for place in places]
            labels = [composition.labels[place.voice] for place in places]
            radius_px = self._radius_px(scene)
            names = plan_names(
                labels,
                rects,
                look.caption,
                picture_height=composition.size[1],
                radius_px=radius_px,
            )
            self._names[scene] = {
                rect: draw_name(name, rect, look.caption, rule=look.card.rule, radius_px=radius_px)
                for rect, name in zip(rects, names, strict=False)
            }
        return self._names[scene]

    def card(self, voice: int, rect: Rect) -> Planes:
        """Return the card of a tile."""
        key = voice, rect.width, rect.height
        if key not in self._cards:
            composition = self._composition
            label, look = composition.labels[voice], composition.layout.card
            self._cards[key] = draw_card(label, rect.width, rect.height, look)
        return self._cards[key]

    def corners(self, rect: Rect, scene: int) -> tuple[Overlay, ...]:
        """Return what rounds the corners of a tile of a scene."""
        if self._composition.layout.tile.corners <= 0.0:
            return ()
        key = rect, scene
        if key not in self._corners:
            self._corners[key] = corner_overlays(rect, self._radius_px(scene), self.ground())
        return self._corners[key]

    def _radius_px(self, scene: int) -> float:
        """Return the radius of a scene's corners: one for all its tiles, by the smallest."""
        rects = [place.rect for place in self._composition.scenes[scene].places]
        shortest = min((min(rect.width, rect.height) for rect in rects), default=0)
        return self._composition.layout.tile.corners * shortest

    def words(self, words: Words, scene: int) -> Overlay | None:
        """Return words at the foot of the picture, clear of the names of a scene."""
        key = words, scene
        if key not in self._words:
            names = [name.rect for name in self.names(scene).values() if name is not None]
            composition = self._composition
            below = [self.words(other, scene) for other in composition.words_below(words)]
            self._words[key] = draw_words(
                words.text,
                composition.size,
                composition.layout.caption,
                clear_of=names,
                above=[other.rect for other in below if other is not None],
                tiles=[place.rect for place in composition.scenes[scene].places],
            )
        return self._words[key]


def _image_planes(path: Path, size: tuple[int, int]) -> Planes:
    """Return an image so that it covers the whole picture."""
    pictures = PictureFile(probe(path))
    try:
        pictures.advance(0.0)
        ((luma, u, v),) = pictures.planes_for([Crop(*size)])
        return luma.copy(), u.copy(), v.copy()
    finally:
        pictures.close()


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
    scene : int
        Which of its scenes.
    drawings : Drawings
        What is drawn once.
    """

    def __init__(self, composition: Composition, scene: int, drawings: Drawings) -> None:
        self._composition, self._drawings, self._scene = composition, drawings, scene
        self.canvas = Canvas(*composition.size)
        self._tile_ground = colour_to_yuv(composition.layout.tile.background)
        self._drawn: dict[Rect, object] = {}
        plate, look = composition.scenes[scene].plate, composition.layout
        if plate is not None and look.canvas.image is None:
            self.canvas.put(
                Rect(0, 0, *composition.size), draw_plate(plate, composition.size, look.plate)
            )
            return
        self.canvas.put(Rect(0, 0, *composition.size), drawings.ground())
        if plate is not None:
            self._draw_veil(look.plate)
            draw_plate_on(self.canvas, plate, look.plate)

    def paint(self, stage: Stage, supply: Supply) -> Canvas:
        """Bring the canvas up to an output picture."""
        here = {shown.rect for shown in stage.tiles}
        for rect in [rect for rect in self._drawn if rect not in here]:
            self.canvas.put(rect, part_of(self._drawings.ground(), rect))
            del self._drawn[rect]
        for shown in stage.tiles:
            state = _state(shown, supply)
            if self._drawn.get(shown.rect) != state:
                self._paint_tile(shown, supply)
                self._drawn[shown.rect] = state
        return self.canvas

    def _draw_veil(self, look: PlateStyle) -> None:
        """Darken, or brighten, an image so that words on it can be read."""
        whole = Rect(0, 0, *self._composition.size)
        colour = flat(colour_to_yuv(look.background), whole.width, whole.height)
        self.canvas.dissolve(whole, colour, veil_share(self.canvas.planes, look))

    def _paint_tile(self, shown: Shown, supply: Supply) -> None:
        """Paint one tile anew."""
        pictures = [layer for layer in shown.layers if layer.piece is not None]
        for layer in pictures:
            self._lay(shown, layer, supply, lowest=layer is shown.layers[0])
        name = self._drawings.names(self._scene).get(shown.rect)
        if pictures and name is not None:
            self.canvas.blend(name)
        for layer in shown.layers:
            if layer.piece is None:
                card = self._drawings.card(shown.voice, shown.rect)
                self._cover(shown.rect, card, layer.share)
        if shown.presence < 1.0:
            ground = part_of(self._drawings.ground(), shown.rect)
            self.canvas.dissolve(shown.rect, ground, 1.0 - shown.presence)
        for corner in self._drawings.corners(shown.rect, self._scene):
            self.canvas.blend(corner)

    def _lay(self, shown: Shown, layer: Layer, supply: Supply, *, lowest: bool) -> None:
        """Lay a clip's picture into its tile."""
        assert layer.piece is not None
        crop = crop_of(self._composition, shown, layer)
        assert crop is not None
        planes = supply[key_of(shown.voice, layer.piece)].planes[crop]
        rect = self._composition.picture_rect(shown.rect, layer.piece)
        if lowest and rect != shown.rect:
            self.canvas.fill(shown.rect, self._tile_ground)
        self._cover(rect, apply_tone(planes, layer.piece.tone), 1.0 if lowest else layer.share)

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
