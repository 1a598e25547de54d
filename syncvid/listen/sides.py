"""How the two channels of a sound stand to each other."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from syncvid.arrays import Audio

Side = Literal["", "left", "right"]

# Samples whose sums are made at a time: single precision is exact enough within a block.
_BLOCK = 65_536

# A side is silent that lies so far under the other (project choice).
_SIDE_DB = -50.0

# Sides that differ by less than this share of their energy, -60 dB, are alike (project choice).
_ALIKE = 1e-6


@dataclass(frozen=True, slots=True)
class Sides:
    """Sums over one channel or two.

    Attributes
    ----------
    means : tuple of float
        Of each channel.
    powers : tuple of float
        Of each channel, around its mean.
    common : float
        Mean product of two channels, around their means.
    apart : float
        Power of their difference.
    """

    means: tuple[float, ...]
    powers: tuple[float, ...]
    common: float = 0.0
    apart: float = math.inf

    @classmethod
    def of(cls, samples: Audio) -> Sides:
        """Sum up a sound, shape (1 or 2 channels, samples), float32."""
        length = max(1, samples.shape[1])
        sums = np.zeros(len(samples))
        squares = np.zeros((len(samples), len(samples)))
        apart = 0.0
        for first in range(0, samples.shape[1], _BLOCK):
            block = samples[:, first : first + _BLOCK]
            sums += block.sum(axis=1, dtype=np.float64)
            squares += block @ block.T
            between = block[0] - block[-1]
            apart += float(between @ between)
        means = sums / length
        powers = squares / length - np.outer(means, means)
        own = tuple(max(0.0, float(power)) for power in powers.diagonal())
        if len(samples) == 1:
            return cls((float(means[0]),), own)
        return cls(tuple(map(float, means)), own, float(powers[0, 1]), apart / length)

    @property
    def alike(self) -> bool:
        """Whether two channels hold the same."""
        return self.apart <= _ALIKE * sum(self.powers) and max(self.powers) > 0

    @property
    def silent_side(self) -> Side:
        """Which of two channels holds nothing beside the other."""
        if len(self.powers) == 1 or max(self.powers) == 0:
            return ""
        left, right = self.powers
        share = 10 ** (_SIDE_DB / 10)
        if left < share * right:
            return "left"
        return "right" if right < share * left else ""

    @property
    def correlation(self) -> float | None:
        """Correlation of the two channels."""
        if len(self.powers) == 1 or self.silent_side or min(self.powers) == 0:
            return None
        return max(-1.0, min(1.0, self.common / math.sqrt(math.prod(self.powers))))
