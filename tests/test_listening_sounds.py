"""Sounds for the ear: where, how loud, which side; judged by planted tones and plain arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.listen import PASSAGE_S, both_ears, find_passage, find_playing
from syncvid.production.results import Vote
from syncvid.timeline import Placement

RATE = 16_000


def beeps(times_s: list[float], length_s: float, *, hz: float = 440.0, level: float = 0.3) -> Audio:
    """Return a tone of 0.5 s at each time."""
    out = np.zeros(round(length_s * RATE), np.float32)
    tone = level * np.sin(2 * np.pi * hz * np.arange(RATE // 2) / RATE)
    for time_s in times_s:
        begin = round(time_s * RATE)
        out[begin : begin + tone.size] += tone[: out.size - begin].astype(np.float32)
    return out


def passage_of(
    clip: Audio, reference: Audio, place: Placement, votes: tuple[Vote, ...] = ()
) -> tuple[float, float] | None:
    playing = [find_playing(sound, sample_rate=RATE) for sound in (clip, reference)]
    return find_passage(*playing, place, votes=votes)


def test_the_passage_lies_where_both_play_and_starts_with_a_note() -> None:
    clip = beeps([30.0 + k for k in range(20)], 60.0)
    reference = beeps([float(k) for k in range(90)], 90.0)
    found = passage_of(clip, reference, Placement(10.0))
    assert found is not None
    assert 39.5 <= found[0] <= 41.0, "the clip's first note comes at 40 s of the reference"
    assert found[1] - found[0] == pytest.approx(PASSAGE_S)


def test_a_passage_with_windows_that_agree_is_preferred() -> None:
    clip = beeps([float(k) for k in range(60)], 60.0)
    votes = (Vote(40.0, 0.0, 9.0, True), Vote(3.0, 7.0, 9.0, False))
    found = passage_of(clip, clip, Placement(0.0), votes)
    assert found is not None
    assert found[0] <= 40.0 <= found[1]


def test_what_shares_hardly_a_second_has_no_passage() -> None:
    clip = beeps([1.0], 20.0)
    assert passage_of(clip, clip, Placement(19.5)) is None
    assert passage_of(clip, clip, Placement(-40.0)) is None
    short = passage_of(clip, clip, Placement(16.0))
    assert short is not None
    assert short[1] <= 20.0 + 1e-9
    silent = passage_of(np.zeros_like(clip), clip, Placement(0.0))
    assert silent is not None, "silence can be listened to: that is what the ear should learn"


def test_the_clip_is_left_the_reference_right_and_both_run_together() -> None:
    """A bump at clip second 12 lies at 5 + 12 * 1.0003 on the reference; both hear it there."""
    place = Placement(5.0, 300.0)
    clip, reference = np.zeros((2, 40 * RATE), np.float32)
    reference_s = place.to_reference(12.0)
    # It is soft, so that it can be found between the samples by its centre of gravity.
    clip += 0.5 * np.exp(-((np.arange(clip.size) / RATE - 12.0) ** 2) / 2e-6).astype(np.float32)
    at = np.arange(reference.size) / RATE - reference_s
    reference -= 0.01 * np.exp(-(at**2) / 2e-6).astype(np.float32)
    ears = both_ears(clip, reference, place, (10.0, 21.0), sample_rate=RATE).astype(np.float64)
    assert ears[0].sum() > 0 > ears[1].sum(), "left is the clip, right the reference"
    times = 10.0 + np.arange(ears.shape[1]) / RATE
    centres = [(times * ear).sum() / ear.sum() for ear in ears]
    assert centres[0] == pytest.approx(reference_s, abs=2e-5)
    assert centres[1] == pytest.approx(reference_s, abs=2e-5)


@pytest.mark.parametrize("levels", [(1.0, 1.0), (0.9, 0.01), (0.002, 0.5), (0.0, 0.7)])
def test_levels_are_safe_and_both_sides_equally_loud(
    levels: tuple[float, float], rng: np.random.Generator
) -> None:
    noise = rng.normal(0, 0.25, (2, 20 * RATE)).clip(-1, 1).astype(np.float32)
    clip, reference = (level * side for level, side in zip(levels, noise, strict=True))
    ears = both_ears(clip, reference, Placement(0.0), (2.0, 13.0), sample_rate=RATE)
    assert np.abs(ears).max() <= 10 ** (-6 / 20)
    if min(levels) > 0:
        left, right = 20 * np.log10(np.sqrt((ears.astype(np.float64) ** 2).mean(axis=1)))
        assert left == pytest.approx(right, abs=0.3)
    assert np.abs(ears[:, 0]).max() < 1e-3
    assert np.abs(ears[:, -1]).max() < 1e-3
    tenth = ears[:, : RATE // 200]
    assert np.abs(tenth).max() < 0.05 * np.abs(ears).max(), "after 5 ms the fade is still low"


def test_a_single_knock_is_no_louder_than_allowed() -> None:
    clip = beeps([3.0], 20.0, level=0.01)
    clip[5 * RATE] = 1.0
    ears = both_ears(clip, beeps([3.0], 20.0), Placement(0.0), (2.0, 13.0), sample_rate=RATE)
    assert np.abs(ears).max() <= 10 ** (-6 / 20)
