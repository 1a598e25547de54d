"""The quick search by votes, on noise with planted places and on playing."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import signal

from syncvid.arrays import Audio
from syncvid.sync.ballot import decide, hold_ballot, steep_line
from syncvid.sync.hearing import hear_coarse
from syncvid.sync.lines import LINE_RATE, LineScores, prepare
from syncvid.timeline import Placement
from tests.sync.ensemble import band, on_phone

LENGTH_S = 60.0


@cache
def parts() -> list[Audio]:
    return band(np.random.default_rng(21), LENGTH_S)


def search(clip: Audio, reference: Audio) -> LineScores | None:
    return decide(hold_ballot(hear_coarse(clip), prepare(hear_coarse(reference))))


def elect(clip: Audio, reference: Audio) -> list[tuple[Placement, bool]]:
    scores = search(clip, reference)
    assert scores is not None, "the windows abstained"
    return list(scores.elected)


def noise(rng: np.random.Generator, length_s: float) -> Audio:
    return rng.standard_normal(round(length_s * LINE_RATE)).astype(np.float32)


@pytest.mark.parametrize("inverted", [False, True], ids=["upright", "upside down"])
@pytest.mark.parametrize("drift_ppm", [-300.0, -120.0, 0.0, 300.0])
def test_planted_line_is_elected(drift_ppm: float, inverted: bool) -> None:
    mix = np.sum(parts(), axis=0, dtype=np.float32)
    rng = np.random.default_rng(1)
    clip = on_phone(rng, parts()[0], head_s=3.7, drift_ppm=drift_ppm)
    line, upside_down = elect(-clip if inverted else clip, mix)[0]
    truth = Placement(-3.7 * (1 + drift_ppm * 1e-6), drift_ppm)
    assert upside_down is inverted
    for clip_s in (3.7, 3.7 + LENGTH_S):
        miss_s = line.to_reference(clip_s) - truth.to_reference(clip_s)
        assert abs(miss_s) < 1.5e-3, "more than a period at the top of the band"
    assert abs(line.drift_ppm - drift_ppm) < 20.0


def test_a_clip_that_starts_within_the_reference_is_elected_too() -> None:
    mix = np.sum(parts(), axis=0, dtype=np.float32)
    line, _ = elect(parts()[1][16_000 * 20 :], mix)[0]
    assert line.offset_s == pytest.approx(20.0, abs=0.5e-3)


@pytest.mark.parametrize("seed", range(4))
def test_other_music_abstains(seed: int) -> None:
    mix = np.sum(parts(), axis=0, dtype=np.float32)
    other = band(np.random.default_rng(100 + seed), LENGTH_S, parts=1)[0]
    assert search(other, mix) is None


def test_silence_abstains() -> None:
    silent = np.zeros(16_000 * 40, np.float32)
    assert search(silent, parts()[0]) is None
    assert search(parts()[0], silent) is None


def test_too_few_windows_abstain(rng: np.random.Generator) -> None:
    """Five windows of four seconds are fewer than six, though all of them agree."""
    reference = noise(rng, 60.0)
    five, six = (reference[8000 : 8000 + n * 4 * LINE_RATE] for n in (5, 6))
    assert decide(hold_ballot(five, prepare(reference))) is None
    found = decide(hold_ballot(six, prepare(reference)))
    assert found is not None
    assert found.elected[0][0].offset_s == pytest.approx(2.0, abs=1e-4)


def test_a_split_vote_abstains(rng: np.random.Generator) -> None:
    """Pieces of a reference laid together anew: no place has half of the clear windows."""
    reference = noise(rng, 150.0)
    window = 4 * LINE_RATE
    pieces = [reference[start * window :][: 6 * window] for start in (25, 9, 17)]
    assert decide(hold_ballot(np.concatenate(pieces), prepare(reference))) is None
    one = np.concatenate((pieces[0], pieces[1][: 4 * window]))
    found = decide(hold_ballot(one, prepare(reference)))
    assert found is not None
    assert found.elected[0][0].offset_s == pytest.approx(100.0, abs=1e-4)


def test_windows_that_fit_nowhere_have_no_say(rng: np.random.Generator) -> None:
    """Six windows of twenty are in the reference: the others are not clear anywhere."""
    reference = noise(rng, 100.0)
    clip = np.concatenate((noise(rng, 28.0), reference[40_000:136_000], noise(rng, 28.0)))
    found = decide(hold_ballot(clip, prepare(reference)))
    assert found is not None
    assert found.elected[0][0].offset_s == pytest.approx(10.0 - 28.0, abs=1e-4)


def test_a_literal_repeat_is_named_as_a_rival() -> None:
    verse = np.sum(parts(), axis=0, dtype=np.float32)[: 16_000 * 32]
    twice = np.concatenate((verse, 0.9 * verse))
    lines = elect(parts()[2][: 16_000 * 32], twice)
    offsets = [line.offset_s for line, upside_down in lines[:2] if not upside_down]
    assert sorted(offsets) == pytest.approx([0.0, 32.0], abs=2e-3)


def test_a_repeat_upside_down_is_named_with_its_side(rng: np.random.Generator) -> None:
    verse = noise(rng, 32.0)
    quiet = noise(rng, 32.0)
    reference = np.concatenate((verse, quiet, -0.5 * verse + 0.5 * quiet))
    found = decide(hold_ballot(verse, prepare(reference)))
    assert found is not None
    (best, turned), (rival, rival_turned) = found.elected[:2]
    assert (round(best.offset_s, 3), turned) == (0.0, False)
    assert rival.offset_s == pytest.approx(64.0, abs=2e-3)
    assert rival_turned


def test_unlike_music_has_no_rival_worth_naming_first() -> None:
    """Chance rivals are listed after the line and lie apart from it and from each other."""
    mix = np.sum(parts(), axis=0, dtype=np.float32)
    offsets = [line.offset_s for line, _ in elect(parts()[0], mix)]
    assert len(offsets) <= 6
    assert np.diff(np.sort(offsets)).min(initial=1.0) > 0.1


def test_each_window_names_its_place(rng: np.random.Generator) -> None:
    reference = signal.sosfilt(
        signal.butter(2, [200, 1500], "bandpass", fs=LINE_RATE, output="sos"), noise(rng, 100.0)
    ).astype(np.float32)
    window = 4 * LINE_RATE
    starts = [7000, 300_000, 123_456, 61_111]
    clip = np.concatenate([reference[start : start + window] for start in starts])
    ballot = hold_ballot(clip, prepare(reference))
    lags, heights = ballot.best(0)
    assert lags.tolist() == [start - n * window for n, start in enumerate(starts)]
    assert np.all(heights > 20)
    assert ballot.times_s.tolist() == [2.0, 6.0, 10.0, 14.0]


@pytest.mark.parametrize("drift_ppm", [-390.0, 0.0, 390.0])
def test_steep_line_needs_no_more_than_a_few_good_windows(
    rng: np.random.Generator, drift_ppm: float
) -> None:
    times_s = np.arange(30) * 4.0 + 2.0
    lags_s = 5.0 + drift_ppm * 1e-6 * times_s + 1e-4 * rng.standard_normal(30)
    astray = rng.permutation(30)[:18]
    lags_s[astray] = rng.uniform(-100, 100, 18)
    line, agree = steep_line(times_s, lags_s, 8.0)
    assert line is not None
    assert agree == 12
    assert line.offset_s == pytest.approx(5.0, abs=3e-4)
    assert line.drift_ppm == pytest.approx(drift_ppm, abs=5.0)


def test_no_line_is_steeper_than_allowed_or_rests_on_too_few() -> None:
    times_s = np.arange(12) * 4.0
    assert steep_line(times_s, 5.0 + 600e-6 * times_s, 8.0) == (None, 0)
    assert steep_line(times_s[:3], np.ones(3), 4.0) == (None, 0)
    assert steep_line(times_s[:4], np.ones(4), 4.0)[1] == 4
    assert steep_line(np.zeros(0), np.zeros(0), 8.0) == (None, 0)
