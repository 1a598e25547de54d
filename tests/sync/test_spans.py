"""Where a clip is heard: spliced takes, steps, moved, stretched, copied and missing phrases."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from syncvid.arrays import Audio
from syncvid.production.results import Finding
from syncvid.sync import Listened, find_places
from syncvid.sync.spans import cheapest_path
from tests.sync.ensemble import RATE, band, melody, play

EDGE_S = 0.25


@pytest.fixture(scope="module")
def parts() -> list[Audio]:
    return band(np.random.default_rng(8), 44.0)


def placed(clip: Audio, mix: Audio) -> Finding:
    return find_places([Listened("c", clip)], mix=mix).findings[0]


def pieces(finding: Finding) -> list[tuple[float, float, float]]:
    return [(s.clip_from_s, s.clip_to_s, s.offset_s) for s in finding.spans]


def test_change_of_state_costs_as_much_as_it_says() -> None:
    gains = np.array([[3.0, 3.0, -3.0, -3.0, 3.0, 3.0]])
    assert cheapest_path(gains, change=2.0).tolist() == [0, 0, -1, -1, 0, 0]
    assert cheapest_path(gains, change=4.0).tolist() == [0, 0, 0, 0, 0, 0]


def test_takes_of_the_same_notes_are_told_apart() -> None:
    rng = np.random.default_rng(31)
    notes = melody(rng, 44.0)
    first, second = (play(rng, notes, 44.0) for _ in range(2))
    cut = 20 * RATE
    mix = np.concatenate((first[:cut], second[cut:])) + play(rng, melody(rng, 44.0), 44.0)
    clips = [Listened("1", first, "Flute"), Listened("2", second, "Flute")]
    found = find_places(clips, mix=mix).findings
    assert [finding.verdict for finding in found] == ["sure", "sure"]
    (one,), (two,) = (pieces(finding) for finding in found)
    assert one == pytest.approx((0.0, 20.0, 0.0), abs=EDGE_S)
    assert two == pytest.approx((20.0, 44.0, 0.0), abs=EDGE_S)


@pytest.mark.parametrize("seed", [32, 34, 36])
def test_rejected_take_is_not_claimed_on_chance_chords(parts: list[Audio], seed: int) -> None:
    rng = np.random.default_rng(seed)
    notes = melody(rng, 44.0)
    used, rejected = (play(rng, notes, 44.0) for _ in range(2))
    finding = placed(rejected, used + parts[0] + parts[1])
    assert finding.verdict != "sure"
    assert finding.spans == ()


@pytest.mark.parametrize("step_s", [0.02, 0.128, 0.7])
def test_dropped_samples_are_told_with_time_and_size(parts: list[Audio], step_s: float) -> None:
    at, gone = 26 * RATE, round(step_s * RATE)
    clip = np.concatenate((parts[0][:at], parts[0][at + gone :]))
    finding = placed(clip, parts[0] + parts[1] + parts[2])
    assert finding.verdict == "sure"
    early, late = pieces(finding)
    assert early == pytest.approx((0.0, 26.0, 0.0), abs=EDGE_S)
    assert late[0] == pytest.approx(26.0, abs=EDGE_S)
    assert late[2] == pytest.approx(step_s, abs=1e-4)
    assert finding.offset_s == pytest.approx(0.0, abs=1e-4)
    assert f"{step_s:.3f} s are missing in the clip at 0:2" in finding.reason


@pytest.mark.parametrize("shift_ms", [-150, -30, 15, 80])
def test_phrase_of_five_seconds_may_be_moved(parts: list[Audio], shift_ms: int) -> None:
    first, last, shift = 20 * RATE, 25 * RATE, shift_ms * RATE // 1000
    moved = parts[3].copy()
    moved[first:last] = 0
    moved[first + shift : last + shift] += parts[3][first:last]
    finding = placed(parts[3], moved + parts[1] + parts[2])
    offsets = [round(offset_s * 1e3) for _, _, offset_s in pieces(finding)]
    assert offsets == [0, shift_ms, 0]
    assert pieces(finding)[1][:2] == pytest.approx((20.0, 25.0), abs=EDGE_S)


@pytest.mark.parametrize("stretch", [-0.014, 0.018])
def test_stretched_phrase_has_a_drift_of_its_own(parts: list[Audio], stretch: float) -> None:
    first, last = 15 * RATE, 27 * RATE
    phrase = parts[0][first:last]
    at = np.arange(round(len(phrase) * (1 + stretch))) / (1 + stretch)
    fine = signal.resample_poly(phrase, 8, 1)
    slow = np.interp(at * 8, np.arange(len(fine)), fine)
    moved = parts[0].copy()
    moved[first:last] = 0
    moved[first : first + len(slow)] += slow.astype(np.float32)
    finding = placed(parts[0], moved + parts[1] + parts[2])
    steep = [span for span in finding.spans if span.drift_ppm is not None]
    assert len(steep) == 1
    assert steep[0].drift_ppm == pytest.approx(stretch * 1e6, abs=30)
    middle_s = 21.0
    told_s = steep[0].offset_s + middle_s * (1 + (steep[0].drift_ppm or 0.0) * 1e-6)
    assert told_s == pytest.approx(15.0 + 6.0 * (1 + stretch), abs=5e-4)
    assert "stretched" in finding.reason


def test_copied_verse_is_held_twice(parts: list[Audio]) -> None:
    mix = parts[0] + parts[1] + parts[2]
    copied = mix.copy()
    copied[30 * RATE : 40 * RATE] = mix[8 * RATE : 18 * RATE]
    finding = placed(parts[0], copied)
    again = [span for span in finding.spans if abs(span.offset_s - 22.0) < 1e-3]
    assert len(again) == 1
    assert again[0].clip_from_s == pytest.approx(8.0, abs=EDGE_S)
    assert again[0].clip_to_s == pytest.approx(18.0, abs=EDGE_S)


def test_rest_is_no_gap(parts: list[Audio]) -> None:
    rng = np.random.default_rng(33)
    part = parts[2].copy()
    part[18 * RATE : 24 * RATE] = 0
    noise = 0.03 * float(np.std(part)) * rng.standard_normal(len(part)).astype(np.float32)
    finding = placed(part + noise, part + parts[0] + parts[1])
    assert len(finding.spans) == 1


@pytest.mark.parametrize("length_s", [3.0, 4.5])
def test_few_seconds_at_the_edge_of_a_mix_are_no_trouble(
    parts: list[Audio], length_s: float
) -> None:
    clip = parts[0][: round(length_s * RATE)]
    late = np.concatenate((np.zeros(2 * RATE, np.float32), parts[1][: round(length_s * RATE)]))
    mix = (parts[0] + parts[2])[: 5 * RATE]
    assert placed(clip, mix).offset_s == pytest.approx(0.0, abs=1e-3)
    assert placed(late, mix).verdict != "sure"
