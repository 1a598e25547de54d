"""Which way up a stored picture is to be shown: turned by quarters, and mirrored.

A phone stores what its sensor sees and writes a matrix beside it.  ISO/IEC 14496-12, 8.3.2: the
point (p, q) of the stored picture, q running down, is shown at (a p + c q + x, b p + d q + y); the
matrix is {a, b, u, c, d, v, x, y, w}.  A front camera's file may mirror: its determinant is then
negative.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from av.sidedata.sidedata import Type as SideDataType

from syncvid.arrays import Plane

Box = tuple[float, float, float, float]
"""Left, top, right and bottom as shares of a picture's width and height."""

# The nine numbers of the matrix as FFmpeg hands them on, in the machine's own byte order.
_MATRIX = struct.Struct("=9i")


@dataclass(frozen=True, slots=True)
class Orientation:
    """How to set a stored picture upright: mirror it left to right, if at all, then turn it.

    Attributes
    ----------
    turns : int
        Quarter turns counter-clockwise, 0 to 3.
    mirrored : bool
        Whether left and right are changed over before turning.
    """

    turns: int = 0
    mirrored: bool = False

    @property
    def is_sideways(self) -> bool:
        """Whether width and height change places."""
        return self.turns % 2 == 1

    def upright(self, plane: Plane) -> Plane:
        """Return a stored plane set upright; a view."""
        return np.rot90(plane[:, ::-1] if self.mirrored else plane, self.turns)

    def to_stored(self, box: Box) -> Box:
        """Return where a box of the upright picture lies in the stored one."""
        left, top, right, bottom = box
        for _ in range(self.turns):
            left, top, right, bottom = 1 - bottom, left, 1 - top, right
        return (1 - right, top, 1 - left, bottom) if self.mirrored else (left, top, right, bottom)

    def to_upright(self, box: Box) -> Box:
        """Return where a box of the stored picture lies in the upright one."""
        left, top, right, bottom = box
        if self.mirrored:
            left, right = 1 - right, 1 - left
        for _ in range(self.turns):
            left, top, right, bottom = top, 1 - right, bottom, 1 - left
        return left, top, right, bottom


UPRIGHT = Orientation()


def orientation_of(picture: Any) -> Orientation | None:
    """Return the orientation that a decoded picture is marked with.

    Parameters
    ----------
    picture : av.VideoFrame
        As it came from the decoder.

    Returns
    -------
    Orientation or None
        None where the picture says nothing; turns that are not by a quarter are rounded.
    """
    side_data = picture.side_data.get(SideDataType.DISPLAYMATRIX)
    if side_data is None:
        return None
    a, b, _, c, d, *_ = _MATRIX.unpack_from(bytes(side_data))
    mirrored = a * d - b * c < 0
    if mirrored:
        a, b = -a, -b
    return Orientation(round(-math.atan2(b, a) / (math.pi / 2)) % 4, mirrored)


def shape_as_shown(picture: Any, aspect: Fraction, orientation: Orientation) -> tuple[int, int]:
    """Return width and height of a decoded picture, upright and with square pixels."""
    width, height = round(picture.width * aspect), picture.height
    return (height, width) if orientation.is_sideways else (width, height)
