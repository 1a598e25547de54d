"""What a step of cleaning returns."""

from __future__ import annotations

from dataclasses import dataclass, field

from syncvid.arrays import Audio


@dataclass(frozen=True, slots=True)
class Cleaned:
    """A stem after one step.

    Attributes
    ----------
    samples : ndarray, shape (channels, samples), float32
        As long as what was given; the same array where nothing was to be done.
    told : str
        What was done, or why nothing was, as a sentence for the user.
    changed : bool
        Whether anything was done.
    """

    samples: Audio = field(repr=False)
    told: str
    changed: bool
