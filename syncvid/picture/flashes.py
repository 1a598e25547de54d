"""Flashing that may harm: more than three flashes in any second over a quarter of the picture.

A *flash* is a pair of opposing changes of luminance, each of at least a tenth of the greatest
luminance, the darker state below eight tenths of it.  The quarter of a field of view of 10 degrees
that the rules speak of is taken as a quarter of the picture, as on a large screen.  Flashes are
counted where they are: a place that changes four times there and back within a second flashes, and
at least a quarter of all places must do so at one time.

Only luma is looked at: it gives the luminance of greys exactly and that of colours nearly.  Flashes
of saturated red, which both rules judge apart, are not.

References
----------
WCAG 2.2, success criterion 2.3.1, with the definition of *general flash*; Recommendation ITU-R
BT.1702 (20 cd/m2 and 160 cd/m2, here on a display of 200 cd/m2 with the curve of BT.1886, which
makes a tenth and eight tenths of them as well).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Plane

# Both rules: the least change, the darker state, the area, and how many flashes are too many.
_LEAST_CHANGE, _DARKER = 0.1, 0.8
_LEAST_AREA = 0.25
_MOST_FLASHES = 3

# A flash is two changes.
_TOO_MANY_CHANGES = 2 * (_MOST_FLASHES + 1)

_LONG_AGO = -(1 << 40)

# ITU-R BT.709-6, item 3.5 (8 bit).
_BLACK, _WHITE = 16, 235


@dataclass(frozen=True, slots=True)
class Flashing:
    """A stretch in which something flashes more often than is safe.

    Attributes
    ----------
    first, last : int
        Its pictures: from `first` up to, not including, `last`.
    area : float
        The largest share of the picture that does so at a time.
    rule : str
        Which rule it breaks: ``WCAG 2.3.1`` or ``ITU-R BT.1702``.
    """

    first: int
    last: int
    area: float
    rule: str


def count_flashes(luma_maps: Iterable[Plane], frame_rate: Fraction) -> list[Flashing]:
    """Find the stretches of a video that flash more often than is safe.

    Parameters
    ----------
    luma_maps : iterable of ndarray, shape (height, width), uint8
        One map for each picture, limited range: every 16th pixel each way is enough.
    frame_rate : Fraction
        Pictures per second.

    Returns
    -------
    list of Flashing
        In the order of time, for each rule that is broken.

    Examples
    --------
    >>> flicker = [np.full((4, 4), 235 if k // 3 % 2 else 16, np.uint8) for k in range(60)]
    >>> [(found.first, found.last, found.area) for found in count_flashes(flicker, Fraction(30))]
    [(3, 58, 1.0), (3, 58, 1.0)]
    >>> count_flashes(flicker, Fraction(15))
    []
    """
    meter = FlashMeter(frame_rate)
    for luma in luma_maps:
        meter.add(luma)
    return meter.found()


class FlashMeter:
    """Counts flashes picture by picture; what it remembers does not grow with the video.

    Parameters
    ----------
    frame_rate : Fraction
        Pictures per second.
    """

    def __init__(self, frame_rate: Fraction) -> None:
        self._rules = (
            _Rule("ITU-R BT.1702", _display_luminance(), frame_rate),
            _Rule("WCAG 2.3.1", _srgb_luminance(), frame_rate),
        )

    def add(self, luma: Plane) -> None:
        """Take the next picture's map, shape (height, width), uint8, always of one shape."""
        for rule in self._rules:
            rule.add(luma)

    def found(self) -> list[Flashing]:
        """Return the stretches so far that flash too often."""
        found = [stretch for rule in self._rules for stretch in rule.found]
        return sorted(found, key=lambda stretch: (stretch.first, stretch.rule))


class _Rule:
    """One rule's count, place by place."""

    def __init__(self, name: str, luminance: NDArray[np.float32], frame_rate: Fraction) -> None:
        self._name, self._luminance = name, luminance
        self._second = float(frame_rate)
        self._picture = -1
        self._swings: _Swings | None = None
        self.found: list[Flashing] = []

    def add(self, luma: Plane) -> None:
        """Take the next picture's map."""
        self._picture += 1
        level = np.take(self._luminance, luma.reshape(-1))
        if self._swings is None:
            self._swings = _Swings(level)
            return
        if not self._swings.add(level, self._picture):
            return
        since = self._swings.since
        flashing = self._picture - since < self._second
        area = float(np.count_nonzero(flashing)) / flashing.size
        if area >= _LEAST_AREA:
            self._note(int(since[flashing].min()), area)

    def _note(self, first: int, area: float) -> None:
        """Add a second to the stretches, or lengthen the last one."""
        if self.found and self.found[-1].last > first:
            before = self.found.pop()
            first, area = before.first, max(area, before.area)
        self.found.append(Flashing(first, self._picture + 1, area, self._name))


class _Swings:
    """Follows each place of the picture from one turn of its luminance to the next.

    Attributes
    ----------
    since : ndarray, shape (places,)
        The picture since which each place has made as many changes as are too many.
    """

    def __init__(self, level: NDArray[np.float32]) -> None:
        self._low, self._high = level.copy(), level.copy()
        self._up, self._down = np.zeros((2, level.size), bool)
        self._count = np.zeros(level.size, np.int64)
        self._pictures = np.full((_TOO_MANY_CHANGES, level.size), _LONG_AGO, np.int64)
        self.since = np.full(level.size, _LONG_AGO, np.int64)

    def add(self, level: NDArray[np.float32], picture: int) -> bool:
        """Take the next picture's luminance, shape (places,), and tell whether anything turned."""
        np.minimum(self._low, level, out=self._low)
        np.maximum(self._high, level, out=self._high)
        risen = (level - self._low >= _LEAST_CHANGE) & (self._low < _DARKER) & ~self._up
        fallen = (self._high - level >= _LEAST_CHANGE) & (level < _DARKER) & ~self._down
        turned = np.flatnonzero(risen | fallen)
        if not turned.size:
            return False
        self._up = (self._up & ~fallen) | risen
        self._down = (self._down & ~risen) | fallen
        # From a turn on the other extreme is looked for.
        np.copyto(self._high, level, where=risen)
        np.copyto(self._low, level, where=fallen)
        self._pictures[self._count[turned] % _TOO_MANY_CHANGES, turned] = picture
        self._count[turned] += 1
        self.since[turned] = self._pictures[self._count[turned] % _TOO_MANY_CHANGES, turned]
        return True


def _shares() -> NDArray[np.float64]:
    """Return the 256 codes as shares of the way from black to white."""
    return np.asarray(np.clip((np.arange(256) - _BLACK) / (_WHITE - _BLACK), 0.0, 1.0))


def _srgb_luminance() -> NDArray[np.float32]:
    """Return relative luminance by code, by the definition in WCAG 2.2."""
    share = _shares()
    curve = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return curve.astype(np.float32)


def _display_luminance() -> NDArray[np.float32]:
    """Return luminance by code as a share of white's, by ITU-R BT.1886 with black at nothing."""
    return np.asarray(_shares() ** 2.4, np.float32)
