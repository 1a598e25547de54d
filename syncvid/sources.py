"""The protocols by which rooms meet media without importing it."""

from __future__ import annotations

from typing import Protocol

from syncvid.arrays import Audio, Planes


class SoundSource(Protocol):
    """Sound that can be read piece by piece, on its file's presentation timeline."""

    @property
    def duration_s(self) -> float:
        """Length in seconds, from clip time 0 to the end of the sound."""

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        """Return shape (channels, samples); stretches outside the sound are silent."""


class TileSource(Protocol):
    """Pictures of one clip, asked for in the order of time."""

    def planes_at(self, clip_s: float, width: int, height: int) -> Planes:
        """Return the picture that is due at a clip time, cropped and scaled to a tile's size."""
