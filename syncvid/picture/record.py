"""A composition written down: for fingerprints of its stretches, and as the report of a render."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from syncvid.picture.composition import FADE_S, Composition
from syncvid.picture.pieces import Piece, Rect
from syncvid.picture.scenes import Scene
from syncvid.production.layouts import Layout
from syncvid.timeline import first_picture_from, middle_of_picture_s

REPORT_FORMAT = "syncvid.render/1"


def describe(composition: Composition, first: int, last: int) -> dict[str, Any]:
    """Describe all that pictures `first` to `last` - 1 show, for a fingerprint.

    Two compositions that look the same in these pictures are described by equal records, even if
    they differ elsewhere.
    """
    from_s = middle_of_picture_s(first, composition.frame_rate)
    to_s = middle_of_picture_s(last, composition.frame_rate)
    scenes = list(composition.scenes_between(from_s, to_s))
    voices = sorted({place.voice for scene in scenes for place in scene.places})
    return {
        "size": composition.size,
        "rate": str(composition.frame_rate),
        "pictures": [first, last],
        "look": _look(composition.layout),
        "scenes": [_describe_scene(composition, scene, first, last) for scene in scenes],
        "names": {number: composition.labels[number].describe() for number in voices},
        "words": [
            [
                words.text.describe(),
                words.from_s,
                words.to_s,
                [other.text.describe() for other in composition.words_below(words)],
            ]
            for words in composition.words
            if _within(composition, (words.from_s - FADE_S, words.to_s + FADE_S), first, last)
        ],
    }


def report(composition: Composition) -> dict[str, Any]:
    """Return the record ``syncvid.render/1``: where and when each clip is to be seen."""
    rate = composition.frame_rate
    return {
        "format": REPORT_FORMAT,
        "size": list(composition.size),
        "fps": f"{rate.numerator}/{rate.denominator}",
        "duration_s": round(composition.to_s - composition.from_s, 6),
        "pictures": composition.picture_count,
        "reference_at_s": round(0.0 - composition.from_s, 6),
        "layout": composition.layout.name,
        "tiles": _tiles(composition),
        "cards": _cards(composition),
    }


def _cards(composition: Composition) -> list[dict[str, Any]]:
    """Return where the cards of parts without any clip stand."""
    standing = {
        (place.voice, place.rect): None
        for _, place in composition.tiles_between(composition.from_s, composition.to_s)
        if not composition.voices[place.voice].pieces
    }
    return [
        {
            "part": composition.voices[voice].part,
            "label": composition.voices[voice].label,
            **_corner_and_size(rect),
        }
        for voice, rect in standing
    ]


def _tiles(composition: Composition) -> list[dict[str, Any]]:
    """Return where each clip is to be seen; a tile that stays where it is stands there once."""
    rows: list[dict[str, Any]] = []
    begin_s, end_s = composition.from_s, composition.to_s
    standing: dict[tuple[int, Rect, Piece], dict[str, Any]] = {}
    for scene, place in composition.tiles_between(begin_s, end_s):
        voice = composition.voices[place.voice]
        for piece in composition.pieces_of(place):
            from_s = max(begin_s, scene.from_s, place.enters_s, piece.from_s)
            to_s = min(end_s, scene.to_s, piece.to_s)
            if from_s >= to_s:
                continue
            key = (place.voice, place.rect, piece)
            if key in standing and standing[key]["to_s"] >= round(from_s - begin_s, 6):
                standing[key]["to_s"] = round(to_s - begin_s, 6)
                continue
            standing[key] = {
                "file": piece.file,
                "part": voice.part,
                "label": voice.label,
                **_corner_and_size(place.rect),
                "from_s": round(from_s - begin_s, 6),
                "to_s": round(to_s - begin_s, 6),
                "picture": _corner_and_size(composition.picture_rect(place.rect, piece)),
                "focus": [round(share, 6) for share in piece.focus],
                "zoom": round(piece.zoom, 6),
            }
            rows.append(standing[key])
    return rows


def _describe_scene(composition: Composition, scene: Scene, first: int, last: int) -> list[Any]:
    """Describe a scene as far as these pictures show it."""
    half_s = scene.dissolve_s / 2
    changes = _within(composition, (scene.from_s - half_s, scene.from_s + half_s), first, last)
    takes_s = composition.layout.tile.dissolve_s
    return [
        [scene.from_s, scene.dissolve_s] if changes else None,
        repr(scene.plate),
        [
            [
                place.voice,
                _numbers(place.rect),
                place.named,
                place.enters_s
                if _within(composition, (place.enters_s, place.enters_s + takes_s), first, last)
                else None,
                # Size of names and corners depend on all tiles, also on those still to enter.
                _describe_pieces(composition, composition.pieces_of(place), first, last)
                if place.enters_s < middle_of_picture_s(last, composition.frame_rate)
                else None,
            ]
            for place in scene.places
        ],
    ]


def _within(
    composition: Composition, stretch_s: tuple[float, float], first: int, last: int
) -> bool:
    """Tell whether pictures `first` to `last` - 1 see anything of a stretch but its end."""
    from_s = middle_of_picture_s(first, composition.frame_rate)
    to_s = middle_of_picture_s(last - 1, composition.frame_rate)
    return stretch_s[0] <= to_s and stretch_s[1] > from_s


def _describe_pieces(
    composition: Composition, pieces: Sequence[Piece], first: int, last: int
) -> list[Any]:
    """Describe a tile's pieces as far as these pictures show them."""
    rate = composition.frame_rate
    window_s = middle_of_picture_s(last, rate)
    return [
        [
            piece.identity or str(piece.path),
            [piece.placement.offset_s, piece.placement.drift_ppm],
            [piece.shape, piece.focus, piece.zoom, repr(piece.tone)],
            max(first, first_picture_from(piece.from_s, rate)),
            [piece.from_s, piece.dissolve_s] if _comes_in(composition, piece, first, last) else 0,
            piece.to_s if piece.to_s < window_s else None,
        ]
        for piece in _pieces_between(composition, pieces, first, last)
    ]


def _comes_in(composition: Composition, piece: Piece, first: int, last: int) -> bool:
    """Tell whether these pictures see a piece take over from the one before it, or from a card."""
    half_s = piece.dissolve_s / 2
    before_s = max(half_s, composition.layout.tile.dissolve_s)
    stretch_s = piece.from_s - before_s, piece.from_s + half_s
    return before_s > 0.0 and _within(composition, stretch_s, first, last)


def _pieces_between(
    composition: Composition, pieces: Sequence[Piece], first: int, last: int
) -> list[Piece]:
    """Return the pieces of which pictures `first` to `last` - 1 show something."""
    from_s = middle_of_picture_s(first, composition.frame_rate)
    to_s = middle_of_picture_s(last - 1, composition.frame_rate)
    tile = composition.layout.tile
    linger_s = tile.hold_s + tile.dissolve_s + max((p.dissolve_s for p in pieces), default=0)
    return [
        piece
        for piece in pieces
        if piece.from_s - max(piece.dissolve_s / 2, tile.dissolve_s) <= to_s
        and piece.to_s + linger_s > from_s
    ]


def _look(layout: Layout) -> Any:
    """Return the layout's looks without its name."""
    looks = (layout.canvas, layout.tile, layout.caption, layout.card, layout.plate)
    image = layout.canvas.image
    return [*(repr(part) for part in looks), _known_file(image) if image else None]


@functools.cache
def _known_file(path: Path) -> tuple[str, int, int]:
    """Return what an image is known by: name, size and time of its file."""
    entry = path.stat()
    return path.name, entry.st_size, entry.st_mtime_ns


def _numbers(rect: Rect) -> list[int]:
    """Return a rectangle as a list."""
    return [rect.x, rect.y, rect.width, rect.height]


def _corner_and_size(rect: Rect) -> dict[str, int]:
    """Return a rectangle under the names that the report uses."""
    return {"x": rect.x, "y": rect.y, "w": rect.width, "h": rect.height}
