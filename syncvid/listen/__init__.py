"""Listening: measuring recordings, ranking takes, and sounds by which an ear can decide.

What is heard in a result is never changed here.
"""

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
    "FLOOR_DB",
    "PASSAGE_S",
    "Candidate",
    "Playing",
    "both_ears",
    "breaks_off",
    "choose_take",
    "find_passage",
    "find_playing",
    "measure_levels",
    "measure_overview",
    "sounding_after_s",
]
