"""Where the head is in a clip, and what moves: several pictures of it asked for one opinion.

A face counts where pictures that lie moments apart agree on its place and size, and where it
moves: what never moves is a portrait on the wall.  A false find must never enlarge a tile, so
whatever is doubtful counts as no face at all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from syncvid.arrays import Plane, Planes
from syncvid.picture.faces import Face, FindFaces
from syncvid.picture.movement import (
    STIRRED,
    Region,
    change_within,
    find_movement,
    measure_change,
)

# Fewer pictures can agree by chance.
_LEAST_PICTURES = 3

# A face must be found in this share of the pictures, and in this many: three pictures agreed on a
# bearded player's eyes, in one clip of eight (measured on drawn players).
_LEAST_AGREEMENT, _LEAST_FINDS = 0.5, 4

# Two finds are one face if their centres lie within this share of its size and their sizes within
# this ratio: a player sways by about a head.
_NEAR, _ALIKE = 1.0, 1.6

# The finds reach from the brows to the chin; with hair a head reaches further, by these shares of
# the find above and below (by eye, on a portrait; the skull alone would be 0.25 and 0.05).
_ABOVE, _BELOW = 0.4, 0.1

# Heads are looked for in the middle of the movement and around it, this much further to either side
# and above, in its widths and heights: a sixth of the work (measured), and fewer false finds.
_BESIDE, _OVER = 0.6, 0.5

# A face that is lower or higher than these shares of the picture's height is none that a player
# shows to the phone.
_SMALLEST, _LARGEST = 0.04, 0.75


@dataclass(frozen=True, slots=True)
class Head:
    """A head in an upright picture, hair and chin included, in shares of its width and height.

    Attributes
    ----------
    x, y : float
        Its centre.
    width, height : float
        Its size.
    """

    x: float
    y: float
    width: float
    height: float

    @property
    def top(self) -> float:
        """Its upper edge; may lie outside of the picture."""
        return self.y - self.height / 2

    @property
    def region(self) -> Region:
        """What it covers."""
        across, down = self.width / 2, self.height / 2
        return Region(self.x - across, self.y - down, self.x + across, self.y + down)


@dataclass(frozen=True, slots=True)
class Framing:
    """What is known of where to look in a clip.

    Attributes
    ----------
    heads : tuple of Head
        Those that count, from left to right; usually one.
    sure : float
        The share of the pictures in which the least certain of them was found; 0 without heads.
    moving : Region or None
        Where most of the movement is.
    """

    heads: tuple[Head, ...] = ()
    sure: float = 0.0
    moving: Region | None = None


UNKNOWN = Framing()
"""Nothing is known: look at the middle."""


def measure_framing(pictures: Sequence[Planes], find_faces: FindFaces | None) -> Framing:
    """Find out where the heads are in a clip and what moves.

    Parameters
    ----------
    pictures : sequence of Planes
        Pictures from all over the clip, upright, of one size, a few hundred pixels wide.
    find_faces : callable or None
        Finds the faces in one luma plane; None: only movement is looked at.

    Returns
    -------
    Framing
        `UNKNOWN` for fewer than three pictures.
    """
    if len(pictures) < _LEAST_PICTURES:
        return UNKNOWN
    lumas = [planes[0] for planes in pictures]
    change = measure_change(lumas)
    moving = find_movement(change)
    if find_faces is None or moving is None:
        return Framing(moving=moving)
    where = _above_and_around(moving)
    agreed = [
        (head, share)
        for face, share in agreed_faces([_find_within(where, luma, find_faces) for luma in lumas])
        if change_within(change, (head := _head(face)).region) >= STIRRED
    ]
    agreed.sort(key=lambda item: item[0].x)
    return Framing(
        heads=tuple(head for head, _ in agreed),
        sure=min((share for _, share in agreed), default=0.0),
        moving=moving,
    )


def _above_and_around(moving: Region) -> Region:
    """Return where to look for the head of somebody of whom most of the movement is known."""
    beside = _BESIDE * (moving.right - moving.left)
    above = _OVER * (moving.bottom - moving.top)
    return Region(
        max(0.0, moving.left - beside),
        max(0.0, moving.top - above),
        min(1.0, moving.right + beside),
        moving.bottom,
    )


def _find_within(where: Region, luma: Plane, find_faces: FindFaces) -> list[Face]:
    """Return the faces in a part of a picture, in shares of the whole."""
    height, width = luma.shape
    left, top = int(where.left * width), int(where.top * height)
    part = luma[top : math.ceil(where.bottom * height), left : math.ceil(where.right * width)]
    down, across = part.shape[0] / height, part.shape[1] / width
    return [
        Face(
            left / width + face.x * across,
            top / height + face.y * down,
            face.width * across,
            face.height * down,
        )
        for face in find_faces(part)
    ]


def agreed_faces(finds: Sequence[Sequence[Face]]) -> list[tuple[Face, float]]:
    """Return the faces on which enough pictures agree, each with the share of those that do.

    Parameters
    ----------
    finds : sequence of sequence of Face
        What was found in each picture.

    Returns
    -------
    list of (Face, float)
        The median of what agrees, the surest first.
    """
    left = [[face for face in found if _is_possible(face)] for found in finds]
    agreed: list[tuple[Face, float]] = []
    while seeds := [face for found in left for face in found]:
        members = max((_members(seed, left) for seed in seeds), key=len)
        share = len(members) / len(finds)
        if share < _LEAST_AGREEMENT or len(members) < _LEAST_FINDS:
            break
        face = Face(
            *(
                float(np.median([getattr(member, name) for member in members]))
                for name in ("x", "y", "width", "height")
            )
        )
        agreed.append((face, share))
        left = [[other for other in found if not _agree(face, other)] for found in left]
        left = [[other for other in found if other not in members] for found in left]
    return agreed


def _members(seed: Face, finds: Sequence[Sequence[Face]]) -> list[Face]:
    """Return the nearest face of each picture that agrees with one."""
    return [
        min(agreeing, key=lambda face: _away(seed, face))
        for found in finds
        if (agreeing := [face for face in found if _agree(seed, face)])
    ]


def _agree(one: Face, other: Face) -> bool:
    """Tell whether two finds are one face."""
    ratio = one.height / other.height
    return _away(one, other) <= _NEAR and 1 / _ALIKE <= ratio <= _ALIKE


def _away(one: Face, other: Face) -> float:
    """Return how far two finds lie apart, in sizes of the first."""
    return float(np.hypot((one.x - other.x) / one.width, (one.y - other.y) / one.height))


def _is_possible(face: Face) -> bool:
    """Tell whether a find has the size that a player's face may have."""
    return _SMALLEST <= face.height <= _LARGEST


def _head(face: Face) -> Head:
    """Return the head that a face belongs to."""
    height = face.height * (1 + _ABOVE + _BELOW)
    return Head(face.x, face.y - face.height * (_ABOVE - _BELOW) / 2, face.width, height)
