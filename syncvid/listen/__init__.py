"""Listening: measuring recordings, ranking takes, and sounds by which an ear can decide.

What is heard in a result is never changed here.
"""

from syncvid.listen.claps import (
    AROUND_S,
    FEWEST,
    Motion,
    PictureShift,
    find_strokes,
    measure_shift,
)
from syncvid.listen.ears import PASSAGE_S, Playing, both_ears, find_passage, find_playing
from syncvid.listen.levels import (
    FLOOR_DB,
    breaks_off,
    measure_levels,
    measure_overview,
    sounding_after_s,
)
from syncvid.listen.takes import Candidate, choose_take

__all__ = [
    "AROUND_S",
    "FEWEST",
    "FLOOR_DB",
    "PASSAGE_S",
    "Candidate",
    "Motion",
    "PictureShift",
    "Playing",
    "both_ears",
    "breaks_off",
    "choose_take",
    "find_passage",
    "find_playing",
    "find_strokes",
    "measure_levels",
    "measure_overview",
    "measure_shift",
    "sounding_after_s",
]
