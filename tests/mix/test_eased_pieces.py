"""A piece that begins or ends without a cross-fade comes in and goes out without a click."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.mix import Piece, render_stem
from syncvid.timeline import Placement

RATE = 48_000


class Steady:
    """A sound that is 1 all the time: every step in a stem of it comes from its gains."""

    duration_s = 10.0

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        return np.ones((1, round((to_s - from_s) * sample_rate)), np.float32)


@pytest.mark.parametrize(("from_s", "to_s"), [(2.0, 3.0), (-np.inf, 3.0), (2.0, np.inf)])
def test_an_end_without_a_fade_is_no_step(from_s: float, to_s: float) -> None:
    """A raised cosine over 10 ms rises by at most pi / 2 / 480 = 0.0033 from sample to sample."""
    piece = Piece(Steady(), Placement(1.0), from_s, to_s)
    stem = render_stem([piece], from_s=0.0, to_s=12.0, sample_rate=RATE)[0]
    assert np.abs(np.diff(stem)).max() < 0.0034
    begin, end = max(from_s, 1.0), min(to_s, 11.0)
    assert not stem[: round(begin * RATE) - 1].any()
    assert not stem[round(end * RATE) + 1 :].any()
    assert stem[round((begin + 0.02) * RATE) : round((end - 0.02) * RATE)] == pytest.approx(1.0)
