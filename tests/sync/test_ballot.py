"""Windows that vote for a line: planted lines are elected, other music is not."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.sync.ballot import decide, hold_ballot
from syncvid.sync.hearing import hear_coarse
from syncvid.sync.lines import LineScores, prepare
from tests.sync.ensemble import band, melody, on_phone, play


def elected(clip: Audio, mix: Audio) -> LineScores | None:
    return decide(hold_ballot(hear_coarse(clip), prepare(hear_coarse(mix))))


@pytest.mark.parametrize(("drift_ppm", "sign"), [(0.0, 1), (300.0, 1), (-300.0, -1)])
def test_planted_line_is_elected(rng: np.random.Generator, drift_ppm: float, sign: int) -> None:
    parts = band(rng, 60.0, 3)
    mix = np.sum(parts, axis=0, dtype=np.float32)
    scores = elected(sign * on_phone(rng, parts[0], head_s=5.0, drift_ppm=drift_ppm), mix)
    assert scores is not None
    line, inverted = scores.elected[0]
    assert inverted == (sign < 0)
    middle_s = 35.0
    expected = -5.0 * (1 + drift_ppm * 1e-6) + middle_s * (1 + drift_ppm * 1e-6)
    assert line.to_reference(middle_s) == pytest.approx(expected, abs=0.3e-3)
    assert line.drift_ppm == pytest.approx(drift_ppm, abs=8.0)


def test_repeat_is_named_as_a_rival(rng: np.random.Generator) -> None:
    verse = play(rng, melody(rng, 40.0), 40.0)
    scores = elected(verse, np.concatenate((verse, verse)))
    assert scores is not None
    assert {round(line.offset_s) for line, _ in scores.elected[:2]} == {0, 40}


def test_other_music_elects_nothing(rng: np.random.Generator) -> None:
    mix = np.sum(band(rng, 60.0, 3), axis=0, dtype=np.float32)
    assert elected(play(rng, melody(rng, 60.0), 60.0), mix) is None
