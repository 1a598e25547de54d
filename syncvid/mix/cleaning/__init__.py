"""Cleaning a recording: each step is asked for by name, changes little, and says what it did.

Every step takes and returns a whole stem, shape (channels, samples), of the same length and in the
same place: nothing is delayed.
"""

from __future__ import annotations

from syncvid.mix.cleaning.high_pass import cut_lows
from syncvid.mix.cleaning.hum import take_out_hum
from syncvid.mix.cleaning.noise import reduce_noise
from syncvid.mix.cleaning.peaks import tame_peaks
from syncvid.mix.cleaning.rests import quiet_rests
from syncvid.mix.cleaning.result import Cleaned
from syncvid.mix.cleaning.slow_gain import even_out

__all__ = [
    "Cleaned",
    "cut_lows",
    "even_out",
    "quiet_rests",
    "reduce_noise",
    "take_out_hum",
    "tame_peaks",
]
