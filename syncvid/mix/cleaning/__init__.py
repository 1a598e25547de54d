"""Cleaning a recording: each step is asked for by name, changes little, and says what it did.

Every step takes and returns a whole stem, shape (channels, samples), of the same length and in the
same place: nothing is delayed.
"""

from __future__ import annotations

from syncvid.mix.cleaning.result import Cleaned

__all__ = ["Cleaned"]
