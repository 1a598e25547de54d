"""From a decoded picture to a tile's planes: scaled, in BT.709 limited range, upright, cut."""

from __future__ import annotations

from typing import Any

import numpy as np
from av.video.reformatter import Interpolation, VideoReformatter

from syncvid.arrays import Plane, Planes
from syncvid.media.orientation import orientation_of, shape_as_shown
from syncvid.media.pictures.crop import Crop, Cut, cut_to_fill
from syncvid.media.probe import VideoInfo

# Untagged recordings: BT.709 from this height on, BT.601 below (the convention of players).
_HD_HEIGHT = 720

# ITU-T H.273 code points.
_MATRIX_UNKNOWN = 2
_BT709 = 1
_BT2020_PRIMARIES = 9
_HDR_TRANSFERS = (16, 18)


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
        self._reformatter = VideoReformatter()

    def planes(self, picture: Any, crop: Crop) -> Planes:
        """Return what a tile shows of a decoded picture; views of a small picture of their own."""
        # A file may change its size or its way up on the way; it may also mark a few pictures only.
        self._orientation = orientation_of(picture) or self._orientation
        shape = shape_as_shown(picture, self._info.aspect, self._orientation)
        cut = cut_to_fill(shape, crop.width, crop.height, crop.focus, crop.zoom)
        small = self._scaled(picture, cut)
        luma, u, v = (self._orientation.upright(_plane(plane)) for plane in small.planes)
        rows = slice(cut.top // 2, (cut.top + crop.height) // 2)
        columns = slice(cut.left // 2, (cut.left + crop.width) // 2)
        whole = luma[cut.top : cut.top + crop.height, cut.left : cut.left + crop.width]
        return whole, u[rows, columns], v[rows, columns]

    def _scaled(self, picture: Any, cut: Cut) -> Any:
        """Scale and convert a picture as it is stored: not turned, not cut."""
        width, height = cut.width, cut.height
        if self._orientation.is_sideways:
            width, height = height, width
        scaling = Interpolation.BICUBIC
        if self._fast:
            scaling = Interpolation.FAST_BILINEAR  # measured, 1080p to 640x360: 0.2 ms
        elif width * height < picture.width * picture.height:
            scaling = Interpolation.AREA  # 0.7 ms
        return self._reformatter.reformat(
            picture,
            width=width,
            height=height,
            format="yuv420p",
            interpolation=scaling,
            threads=1,
            **_to_bt709(picture),
        )


def _plane(plane: Any) -> Plane:
    """Return a plane of a decoded picture without its padding; a view."""
    rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
    return rows[: plane.height, : plane.width]


def _to_bt709(picture: Any) -> dict[str, int]:
    """Return what the scaler must be told to arrive at BT.709, limited range."""
    arguments = {"dst_colorspace": 1, "dst_color_range": 1}
    if int(picture.colorspace) == _MATRIX_UNKNOWN:
        arguments["src_colorspace"] = 1 if min(picture.width, picture.height) >= _HD_HEIGHT else 5
    if (
        int(picture.color_trc) in _HDR_TRANSFERS
        or int(picture.color_primaries) == _BT2020_PRIMARIES
    ):
        arguments |= {"dst_color_trc": _BT709, "dst_color_primaries": _BT709}
    return arguments
