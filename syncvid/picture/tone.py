"""How a tile's picture is brought nearer to the others: exposure and white balance."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Tone:
    """A gentle change of brightness and colour; the neutral one changes nothing.

    Attributes
    ----------
    gamma : float
        Exponent of the curve that luma takes.
    gain : float
        Factor of luma.
    blue, red : float
        What is added to Cb and Cr.
    """

    gamma: float = 1.0
    gain: float = 1.0
    blue: float = 0.0
    red: float = 0.0


NEUTRAL = Tone()
