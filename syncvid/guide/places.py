"""Where bars and beats lie: `production.played`, under the name that this room knows."""

from syncvid.production.played import PlayedBars, beat_length, beat_starts

__all__ = ["PlayedBars", "beat_length", "beat_starts"]
