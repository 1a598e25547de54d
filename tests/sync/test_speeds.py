"""Sound at a wrong speed: told with the right reason, or placed with the right drift."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import signal

from syncvid.arrays import Audio
from syncvid.production.results import Finding
from syncvid.sync import reasons
from syncvid.sync.hearing import hear
from syncvid.sync.speeds import EXCERPT_S, SPEEDS, at_another_speed
from syncvid.sync.waveform import Target, find_evidence, make_target
from syncvid.timeline import Placement
from tests.sync.ensemble import RATE, band

LENGTH_S = 40.0


@cache
def parts() -> list[Audio]:
    return band(np.random.default_rng(31), LENGTH_S, parts=3)


@cache
def target() -> Target:
    return make_target(hear(np.sum(parts(), axis=0, dtype=np.float32), name="mix"))


def at_speed(samples: Audio, up: int, down: int) -> Audio:
    """Return a sound that takes `up` / `down` of its time."""
    return np.asarray(signal.resample_poly(samples, up, down), np.float32)


def ask(samples: Audio) -> Finding | None:
    return at_another_speed(samples, target(), "mix")


@pytest.mark.parametrize(
    ("up", "down", "reason"),
    [
        (147, 160, reasons.TOO_FAST),
        (160, 147, reasons.TOO_SLOW),
        (1, 2, reasons.TWICE_TOO_FAST),
        (2, 1, reasons.TWICE_TOO_SLOW),
    ],
    ids=["44.1 as 48", "48 as 44.1", "twice as fast", "half as fast"],
)
def test_wrong_rates_are_told_and_not_placed(up: int, down: int, reason: str) -> None:
    found = ask(at_speed(parts()[0], up, down))
    assert found is not None
    assert found.reason == reason
    assert found.verdict == "none"
    assert found.placement is None
    assert found.against == "mix"


@pytest.mark.parametrize(
    ("up", "down", "drift_ppm", "reason"),
    [
        # 30 / 29.97 = 1001 / 1000 exactly: +1000 ppm; its inverse is 1000 / 1001 - 1 = -999.001.
        (1000, 1001, 1000.0, reasons.PICTURES_FAST),
        (1001, 1000, -999.001, reasons.PICTURES_SLOW),
    ],
    ids=["fast", "slow"],
)
def test_pictures_at_29_97_are_placed_with_their_drift(
    up: int, down: int, drift_ppm: float, reason: str
) -> None:
    cut_s, head_s, last_s = 6.0, 2.0, 34.0
    heard = parts()[1][round(cut_s * RATE) : round(last_s * RATE)]
    played = np.concatenate((np.zeros(round(head_s * RATE), np.float32), heard))
    found = ask(at_speed(played, up, down))
    assert found is not None
    assert found.reason.startswith(reason)
    assert found.placement is not None
    assert found.drift_ppm == pytest.approx(drift_ppm, abs=5.0)
    truth = Placement(cut_s - head_s, drift_ppm)
    clip_length_s = len(played) / RATE * up / down
    for clip_s in (0.0, clip_length_s):
        miss_s = found.placement.to_reference(clip_s) - truth.to_reference(clip_s)
        assert abs(miss_s) < 0.2e-3
    # The span is that of the clip at its right speed, on the clock of the clip as it is.
    (span,) = found.spans
    evidence = find_evidence(hear(played, name="clip"), target())
    (right,) = evidence.spans
    assert span.clip_from_s == pytest.approx(right.clip_from_s * up / down, abs=0.01)
    assert span.clip_to_s == pytest.approx(right.clip_to_s * up / down, abs=0.01)
    assert span.offset_s == pytest.approx(found.offset_s)
    # So are the votes.
    middles_s = [vote.clip_s * up / down for vote in evidence.count.votes]
    assert [vote.clip_s for vote in found.votes] == pytest.approx(middles_s, rel=1e-5)


def test_the_drift_of_44_1_read_as_48_is_that_of_facts_section_11() -> None:
    # TD10: ratio 1.088435, +88 435 ppm, to 1e-6.
    speed = next(speed for speed in SPEEDS if speed.reason == reasons.TOO_FAST)
    assert speed.up / speed.down == pytest.approx(48_000 / 44_100, abs=1e-12)
    assert speed.up / speed.down == pytest.approx(1.088435, abs=1e-6)


def test_other_music_and_silence_fit_at_no_speed() -> None:
    assert ask(band(np.random.default_rng(71), 25.0, parts=1)[0]) is None
    assert ask(np.zeros(20 * RATE, np.float32)) is None


def test_the_loudest_minute_tells_the_speed() -> None:
    """A long wait before the playing is not what is listened to."""
    fast = at_speed(parts()[2], 147, 160)
    rng = np.random.default_rng(3)
    wait = 0.01 * np.std(fast) * rng.standard_normal(round((EXCERPT_S + 20) * RATE))
    found = ask(np.concatenate((wait, fast)).astype(np.float32))
    assert found is not None
    assert found.reason == reasons.TOO_FAST
