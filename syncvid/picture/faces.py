"""Faces in one small still picture, by the classifiers that OpenCV's package brings along.

The package is optional (``pip install 'syncvid[faces]'``: 62 MB to fetch, 160 MB on disk); without
it tiles are framed by where things move.  One find in one picture proves nothing: `framing` asks
several pictures of a clip, and whether what was found moves.

References
----------
P. Viola, M. Jones, "Rapid Object Detection using a Boosted Cascade of Simple Features", CVPR 2001;
R. Lienhart, J. Maydt, "An Extended Set of Haar-like Features for Rapid Object Detection", ICIP
2002.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from syncvid.arrays import Plane
from syncvid.errors import MissingExtraError

# The classifiers were trained on faces of 20 pixels: smaller ones cannot be found.
_SMALLEST_PX = 20

# Each round looks for faces larger by this factor, and so many neighbouring finds must agree.
# Measured on 21 photographs of things, shaken as by a hand: with 4 from the front one of them is a
# face, with 6 none; of the eight drawn players of the demo five are found then (seven with 4).
_STEP = 1.05
_FRONT_NEIGHBOURS, _SIDE_NEIGHBOURS = 6, 9

# What the package's file of upper bodies finds is left out: on planted people of any size it found
# none that the two files below did not find, at twice their cost.
_FRONT, _SIDE = "haarcascade_frontalface_alt2.xml", "haarcascade_profileface.xml"


@dataclass(frozen=True, slots=True)
class Face:
    """A face, from the brows to the chin, in shares of the picture's width and height.

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


FindFaces = Callable[[Plane], list[Face]]
"""Finds the faces in a luma plane."""


class FaceFinder:
    """Looks for faces from the front and, where there are none, from either side.

    Not to be shared between threads: one for each clip.

    Raises
    ------
    MissingExtraError
        The optional package is not installed.
    """

    def __init__(self) -> None:
        cv2 = _package()
        self._front, self._side = (
            cv2.CascadeClassifier(cv2.data.haarcascades + name) for name in (_FRONT, _SIDE)
        )

    def __call__(self, luma: Plane) -> list[Face]:
        """Return the faces in a luma plane of a few hundred pixels' width, upright.

        Parameters
        ----------
        luma : ndarray, shape (height, width), uint8

        Returns
        -------
        list of Face
        """
        luma = np.ascontiguousarray(luma)
        boxes = _look(self._front, luma, _FRONT_NEIGHBOURS)
        if not boxes:
            boxes = _look(self._side, luma, _SIDE_NEIGHBOURS)
        if not boxes:
            # The file knows faces that look to the left only.
            other_way = np.ascontiguousarray(luma[:, ::-1])
            mirrored = _look(self._side, other_way, _SIDE_NEIGHBOURS)
            boxes = [(luma.shape[1] - x - size, y, size) for x, y, size in mirrored]
        return [_face(box, luma.shape) for box in boxes]


def _package() -> Any:
    """Return the optional package."""
    try:
        import cv2
    except ImportError as exc:
        raise MissingExtraError(
            "Faces cannot be looked for: OpenCV is not installed.",
            fix="pip install 'syncvid[faces]'",
        ) from exc
    # Clips are looked at side by side already.
    cv2.setNumThreads(1)
    return cv2


def _look(classifier: Any, luma: Plane, neighbours: int) -> list[tuple[int, int, int]]:
    """Return left, top and size of each find, in pixels; finds are square."""
    found = classifier.detectMultiScale(
        luma,
        scaleFactor=_STEP,
        minNeighbors=neighbours,
        minSize=(_SMALLEST_PX, _SMALLEST_PX),
    )
    return [(int(x), int(y), int(width)) for x, y, width, _ in found]


def _face(box: tuple[int, int, int], shape: tuple[int, ...]) -> Face:
    """Return a find in shares of the picture."""
    left, top, size = box
    height, width = shape
    return Face((left + size / 2) / width, (top + size / 2) / height, size / width, size / height)
