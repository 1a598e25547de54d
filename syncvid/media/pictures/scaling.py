"""From a decoded picture to a tile's planes: scaled, in BT.709 limited range, upright, cut."""

from __future__ import annotations

from typing import Any

import numpy as np
from av.video.reformatter import ColorRange, Interpolation, VideoReformatter

from syncvid.arrays import Plane, Planes
from syncvid.media.orientation import orientation_of, shape_as_shown
from syncvid.media.pictures.crop import Crop, Cut, cut_to_fill
from syncvid.media.pictures.nearer import Cutter
from syncvid.media.pictures.tables import DEEP_RGB, convert
from syncvid.media.pictures.tonemap import colours_of
from syncvid.media.probe import VideoInfo

# Untagged recordings: BT.709 from this height on, BT.601 below (the convention of players).
_HD_HEIGHT = 720

# ITU-T H.273: matrix coefficients.
_MATRIX_UNKNOWN = 2
_BT709, _BT601, _BT2020 = 1, 5, 9

# What is scaled beyond this many times the tile's pixels is cut out first.  Nearer zooms are not:
# corners then lie where they would in a scaled picture, to the pixel.
_FAR = 6.0
_MOST_CUTTERS = 16

# Without these another matrix costs greys two levels and gives them a tint; from BT.709, where
# the matrix stays, they cost nothing.
_EXACT = Interpolation.ACCURATE_RND | Interpolation.FULL_CHR_H_INT

_TO_BT709: dict[str, Any] = {"dst_colorspace": _BT709, "dst_color_range": ColorRange.MPEG}


class Scaler:
    """Makes tiles of one file's pictures.

    Parameters
    ----------
    info : VideoInfo
        The picture stream.
    fast : bool
        Scale with small errors, for a preview.
    """

    def __init__(self, info: VideoInfo, *, fast: bool) -> None:
        self._info, self._fast = info, fast
        self._orientation = info.orientation
        self._turn: float | None = None
        self._cutters: dict[object, Cutter] = {}
        self._reformatter, self._back = VideoReformatter(), VideoReformatter()

    def planes(self, picture: Any, crop: Crop) -> Planes:
        """Return what a tile shows of a decoded picture; views of a small picture of their own."""
        self._follow_orientation(picture)
        shape = shape_as_shown(picture, self._info.aspect, self._orientation)
        cut = cut_to_fill(shape, crop.width, crop.height, crop.focus, crop.zoom)
        matrix = _matrix(picture)
        if cut.width * cut.height > _FAR * crop.width * crop.height:
            cutter = self._cutter(picture, crop, cut)
            picture, cut = cutter.near(picture), cutter.cut
        small = self._scaled(picture, cut, matrix)
        luma, u, v = (self._orientation.upright(_plane(plane)) for plane in small.planes)
        rows = slice(cut.top // 2, (cut.top + crop.height) // 2)
        columns = slice(cut.left // 2, (cut.left + crop.width) // 2)
        whole = luma[cut.top : cut.top + crop.height, cut.left : cut.left + crop.width]
        return whole, u[rows, columns], v[rows, columns]

    def _follow_orientation(self, picture: Any) -> None:
        """Note where a file changes its way up; it may also mark a few of its pictures only.

        The matrix itself is asked for only where the angle changes: it makes a cycle of references
        that keeps the large picture in memory until the garbage collector comes by.
        """
        turn = picture.rotation
        if turn != self._turn:
            self._turn = turn
            self._orientation = orientation_of(picture) or self._orientation

    def _cutter(self, picture: Any, crop: Crop, cut: Cut) -> Cutter:
        """Return what cuts a far zoom out of pictures like this one."""
        key = crop, self._orientation, picture.width, picture.height, picture.format.name
        if key not in self._cutters:
            if len(self._cutters) >= _MOST_CUTTERS:
                self._cutters.clear()
            tile = crop.width, crop.height
            self._cutters[key] = Cutter(picture, self._orientation, cut, tile)
        return self._cutters[key]

    def _scaled(self, picture: Any, cut: Cut, matrix: int) -> Any:
        """Scale and convert a picture as it is stored: not turned, not cut."""
        width, height = cut.width, cut.height
        if self._orientation.is_sideways:
            width, height = height, width
        scaling = Interpolation.BICUBIC | _EXACT
        if self._fast:
            scaling = Interpolation.FAST_BILINEAR  # measured, 1080p to 640x360: 0.2 ms
        elif width * height < picture.width * picture.height:
            scaling = Interpolation.AREA | _EXACT  # 0.5 ms, from BT.601 2.7 ms
        how = {"width": width, "height": height, "interpolation": scaling, "threads": 1}
        colours = colours_of(picture)
        if colours is not None:
            deep = self._reformatter.reformat(
                picture,
                format=DEEP_RGB,
                src_colorspace=matrix,
                dst_color_range=ColorRange.JPEG,
                **how,
            )
            return self._back.reformat(
                convert(deep, colours), format="yuv420p", threads=1, **_TO_BT709
            )
        return self._reformatter.reformat(
            picture, format="yuv420p", src_colorspace=matrix, **_TO_BT709, **how
        )


def _plane(plane: Any) -> Plane:
    """Return a plane of a decoded picture without its padding; a view."""
    rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
    return rows[: plane.height, : plane.width]


def _matrix(picture: Any) -> int:
    """Return the matrix that a picture's colour differences were made with."""
    matrix = int(picture.colorspace)
    if matrix != _MATRIX_UNKNOWN:
        return matrix
    if colours_of(picture) is not None:
        return _BT2020
    return _BT709 if min(picture.width, picture.height) >= _HD_HEIGHT else _BT601
