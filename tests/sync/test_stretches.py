"""Phrases that were stretched or squeezed in the mix."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.sync.hearing import hear
from syncvid.sync.stretches import Pair, find_stretched
from syncvid.sync.waveform import find_evidence, make_target
from syncvid.timeline import Placement
from tests.sync.ensemble import RATE, band, on_phone, without

LENGTH_S = 40.0
FROM_S, TO_S = 14.0, 26.0

# What the search takes for one phrase at most.
LONGEST_S = 40.0


@cache
def parts() -> list[Audio]:
    return band(np.random.default_rng(61), LENGTH_S)


def stretched(part: Audio, by: float) -> Audio:
    """Return a part whose phrase from `FROM_S` on is read slower; what follows is in time again."""
    times_s = np.arange(len(part)) / RATE
    last_s = FROM_S + (TO_S - FROM_S) * (1 + by)
    inside = (times_s >= FROM_S) & (times_s < last_s)
    at_s = FROM_S + (times_s[inside] - FROM_S) / (1 + by)
    out = without(part, (FROM_S, max(TO_S, last_s)))
    out[inside] = np.interp(at_s * RATE, np.arange(len(part)), part)
    return out


def pair_of(clip: Audio, mix: Audio) -> Pair:
    heard, target = hear(clip, name="clip"), hear(mix, name="mix")
    return Pair(heard.coarse, target.coarse, heard.full, target.full)


def truth(by: float) -> Placement:
    """Return the line of the phrase for a clip that begins with the mix."""
    return Placement(-FROM_S * by, by * 1e6)


def assert_on(line: Placement, true: Placement, from_s: float, to_s: float) -> None:
    for clip_s in (from_s, to_s):
        miss_s = line.to_reference(clip_s) - true.to_reference(clip_s)
        assert abs(miss_s) < 1e-3, f"{1e3 * miss_s:.2f} ms beside at {clip_s} s"


@pytest.mark.parametrize("by", [-0.02, -0.005, 0.005, 0.0147, 0.02], ids="{:+.1%}".format)
def test_a_stretched_phrase_is_found_with_its_speed(by: float) -> None:
    mix = (stretched(parts()[0], by) + parts()[1] + parts()[2]).astype(np.float32)
    last_s = FROM_S + (TO_S - FROM_S) * (1 + by)
    line = find_stretched(pair_of(parts()[0], mix), Placement(0.0), FROM_S, last_s)
    assert line is not None
    assert line.drift_ppm == pytest.approx(by * 1e6, abs=150.0)
    assert_on(line, truth(by), FROM_S, TO_S)


def test_the_phrase_of_a_clip_with_a_head_and_a_drift_is_found() -> None:
    head_s, drift_ppm, by = 4.0, 80.0, -0.012
    rng = np.random.default_rng(7)
    clip = on_phone(rng, parts()[0], head_s=head_s, drift_ppm=drift_ppm)
    mix = (stretched(parts()[0], by) + parts()[1]).astype(np.float32)
    own = Placement(-head_s * (1 + drift_ppm * 1e-6), drift_ppm)
    last_s = FROM_S + (TO_S - FROM_S) * (1 + by)
    line = find_stretched(pair_of(clip, mix), own, FROM_S, last_s)
    assert line is not None
    assert_on(line, own.then(truth(by)), own.to_clip(FROM_S), own.to_clip(TO_S))


def test_the_whole_search_gives_a_stretched_phrase_a_span_of_its_own() -> None:
    by = 0.015
    mix = (stretched(parts()[0], by) + parts()[1] + parts()[2]).astype(np.float32)
    target = make_target(hear(mix, name="mix"))
    evidence = find_evidence(hear(parts()[0], name="clip"), target)
    assert abs(evidence.line.offset_s) < 0.2e-3
    before, phrase, after = evidence.spans
    assert before.drift_ppm is None
    assert after.drift_ppm is None
    assert phrase.drift_ppm == pytest.approx(15_000.0, abs=150.0)
    assert before.clip_to_s == pytest.approx(FROM_S, abs=0.25)
    assert phrase.clip_from_s == pytest.approx(FROM_S, abs=0.25)
    assert phrase.clip_to_s == pytest.approx(TO_S, abs=0.25)
    assert_on(Placement(phrase.offset_s, phrase.drift_ppm or 0.0), truth(by), FROM_S, TO_S)


@pytest.mark.parametrize("seed", range(3))
def test_other_music_is_found_at_no_speed(seed: int) -> None:
    stranger = band(np.random.default_rng(400 + seed), LENGTH_S, parts=1)[0]
    mix = np.sum(parts()[:3], axis=0, dtype=np.float32)
    assert find_stretched(pair_of(stranger, mix), Placement(0.0), FROM_S, TO_S) is None


def test_what_is_too_short_or_too_long_for_a_phrase_is_not_searched() -> None:
    part = parts()[0]
    times_s = np.arange(round(1.01 * len(part))) / RATE
    slow = np.interp(times_s / 1.01 * RATE, np.arange(len(part)), part).astype(np.float32)
    pair = pair_of(part, slow)
    assert find_stretched(pair, Placement(0.0), 15.0, 16.9) is None
    assert find_stretched(pair, Placement(0.0), 15.0, 20.0) is not None
    assert find_stretched(pair, Placement(0.0), 0.2, LONGEST_S + 0.1) is not None
    assert find_stretched(pair, Placement(0.0), 0.2, LONGEST_S + 0.3) is None
