"""Sounds of which little is left to compare: they get no place, and nothing breaks."""

from __future__ import annotations

import numpy as np

from syncvid.sync.spans import Located
from syncvid.timeline import Placement


def test_what_was_compared_nowhere_has_no_gaps() -> None:
    nowhere = Located((Placement(0.0),), (), np.zeros(0), np.zeros((1, 0)), np.zeros(0))
    assert nowhere.gaps() == ()
    assert nowhere.evidence == 0.0
