"""Another take of the music: found by its notes, key, repeats and verdicts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.signals.notes import HOP_S, find_notes
from syncvid.sync.by_timing import (
    TimingEvidence,
    draw_line,
    find_by_timing,
    prepare_timing,
)
from syncvid.sync.note_pairs import NotePairs, find_attacks, pair_notes
from syncvid.sync.passages import compare_passages
from syncvid.sync.takes import best_lags, compare_takes
from syncvid.sync.timing_verdict import judge_timing
from tests.sync.ensemble import RATE, melody, on_phone, play

LENGTH_S = 40.0

Line = list[tuple[float, float]]


@pytest.fixture(scope="module")
def lines() -> list[Line]:
    rng = np.random.default_rng(5)
    return [melody(rng, LENGTH_S) for _ in range(3)]


@pytest.fixture(scope="module")
def mix(lines: list[Line]) -> Audio:
    return together(np.random.default_rng(6), lines)


@pytest.fixture(scope="module")
def evidence(lines: list[Line], mix: Audio) -> TimingEvidence:
    rng = np.random.default_rng(7)
    take = on_phone(rng, play(rng, lines[0], LENGTH_S), head_s=5.0)
    return find(take, mix)


def together(rng: np.random.Generator, lines: list[Line], length_s: float = LENGTH_S) -> Audio:
    """Return one take of some lines, played together."""
    return np.sum([play(rng, line, length_s) for line in lines], axis=0, dtype=np.float32)


def find(take: Audio, mix: Audio) -> TimingEvidence:
    """Return the evidence, which must be there."""
    found = find_by_timing(take, prepare_timing(mix))
    assert found is not None
    return found


def test_another_take_is_found_to_some_milliseconds(evidence: TimingEvidence) -> None:
    assert evidence.placement.offset_s == pytest.approx(-5.0, abs=0.008)
    assert evidence.placement.drift_ppm == 0.0
    # 100 notes were planted; each is off by 12 ms in both takes: 17 ms.
    assert 80 <= evidence.pairs.count <= 110
    assert evidence.pairs.spread_s == pytest.approx(0.017, abs=0.007)
    assert evidence.passages.agreeing.sum() >= 0.9 * evidence.passages.count
    assert evidence.rival_share < 0.6
    assert evidence.inside > 0.95


def test_clear_evidence_is_sure_and_says_how_many_notes(evidence: TimingEvidence) -> None:
    finding = judge_timing(evidence, "mix")
    assert finding is not None
    assert finding.verdict == "sure"
    assert finding.confidence > 0.95
    assert f"{evidence.pairs.count} of {len(evidence.pairs.matched)} notes" in finding.reason
    assert finding.spans == ()


def test_each_doubt_alone_asks_an_ear(evidence: TimingEvidence) -> None:
    rival = replace(evidence.rivals[0], strength=0.95)
    few = np.zeros_like(evidence.pairs.matched)
    few[::10] = True
    key = replace(evidence.keys[2], score=1.1 * evidence.score)
    faults = {
        "repeat": {"rivals": (rival, *evidence.rivals[1:])},
        "40 ms off": {"apart_s": 0.03},
        "little evidence": {"score": 13.0, "keys": {}},
    }
    for words, fault in faults.items():
        if "keys" in fault:
            fault["keys"] = {2: replace(evidence.keys[2], score=5.0)}
        finding = judge_timing(replace(evidence, **fault), "mix")  # type: ignore[arg-type]
        assert finding is not None
        assert finding.verdict == "check"
        assert words in finding.reason
        assert finding.confidence < 0.9
    for weak in (
        replace(evidence, pairs=replace(evidence.pairs, matched=few)),
        replace(evidence, inside=0.45),
        replace(evidence, keys={2: key}),
    ):
        finding = judge_timing(weak, "mix")
        assert finding is not None
        assert finding.verdict == "check"


def test_faint_evidence_is_none(evidence: TimingEvidence) -> None:
    for fault in ({"score": 8.0}, {"inside": 0.3}):
        keys = {2: replace(evidence.keys[2], score=1.0)}
        assert judge_timing(replace(evidence, keys=keys, **fault), "mix") is None  # type: ignore[arg-type]
    assert judge_timing(None, "mix") is None


def test_another_piece_in_the_same_tempo_and_key_is_none(
    rng: np.random.Generator, mix: Audio
) -> None:
    for _ in range(3):
        other = on_phone(rng, play(rng, melody(rng, LENGTH_S), LENGTH_S), head_s=3.0)
        finding = judge_timing(find_by_timing(other, prepare_timing(mix)), "mix")
        assert finding is None or finding.verdict == "check"


@pytest.mark.parametrize("semitones", [-3, 2])
def test_another_key_is_told(
    rng: np.random.Generator, lines: list[Line], mix: Audio, semitones: int
) -> None:
    ratio = 2 ** (-semitones / 12)
    moved = [(start_s, pitch_hz * ratio) for start_s, pitch_hz in lines[0]]
    take = on_phone(rng, play(rng, moved, LENGTH_S), head_s=5.0)
    finding = judge_timing(find_by_timing(take, prepare_timing(mix)), "mix")
    assert finding is not None
    assert finding.verdict == "none"
    words = f"{abs(semitones)} semitones {'higher' if semitones > 0 else 'lower'}"
    assert words in finding.reason


def test_a_repeated_verse_is_left_to_an_ear(rng: np.random.Generator) -> None:
    verse = [melody(rng, 30.0) for _ in range(3)]
    song = [[(start + 30.0 * turn, hz) for turn in range(2) for start, hz in v] for v in verse]
    mix = together(rng, song, 60.0)
    take = on_phone(rng, play(rng, verse[0], 30.0), head_s=2.0)
    finding = judge_timing(find_by_timing(take, prepare_timing(mix)), "mix")
    assert finding is not None
    assert finding.verdict == "check"
    assert finding.offset_s is not None
    places = {round(finding.offset_s), round(finding.rivals[0].offset_s)}
    assert places == {-2, 28}
    assert "listen which one it is" in finding.reason


def test_silence_has_no_timing(mix: Audio) -> None:
    assert find_by_timing(np.zeros(5 * RATE, np.float32), prepare_timing(mix)) is None
    assert find_by_timing(mix, prepare_timing(np.zeros(100, np.float32))) is None


def test_attacks_are_the_notes_that_were_planted(rng: np.random.Generator) -> None:
    line = melody(rng, 20.0, beat_s=0.5)
    notes = find_notes(play(rng, line, 20.5), sample_rate=RATE)
    found_s = find_attacks(notes.attacks) * HOP_S
    begins_s = np.array([start for start, _ in line[1:]])
    nearest = np.abs(found_s[:, None] - begins_s).min(axis=0)
    assert np.mean(nearest < 0.08) > 0.9
    assert len(found_s) <= 1.3 * len(line)


def test_pairs_have_the_lag_of_each_note(rng: np.random.Generator) -> None:
    line = melody(rng, 20.0, beat_s=0.5)
    late = [(start_s + 0.06, pitch_hz) for start_s, pitch_hz in line]
    clip, reference = (find_notes(play(rng, x, 21.0), sample_rate=RATE) for x in (line, late))
    pairs = pair_notes(clip, reference, 0)
    assert pairs.median_s == pytest.approx(0.06, abs=0.010)
    assert pairs.error_s < 0.006
    assert pair_notes(clip, reference, 5000).count == 0


def test_passages_prefer_their_place(lines: list[Line], mix: Audio) -> None:
    rng = np.random.default_rng(9)
    clip, reference = (
        find_notes(sound, sample_rate=RATE) for sound in (play(rng, lines[2], LENGTH_S), mix)
    )
    lags = best_lags(compare_takes(clip, reference), 10)
    assert abs(lags[0]) <= 2
    assert np.diff(np.sort(lags)).min() > 12
    right = compare_passages(clip, reference, lags)
    assert right.agreeing.sum() == right.count
    assert right.lead > 2.5
    wrong = compare_passages(clip, reference, lags[::-1])
    assert wrong.agreeing.sum() <= 0.3 * wrong.count
    assert wrong.lead < 0.0


@pytest.mark.parametrize(("length_s", "known"), [(480.0, True), (60.0, False)])
def test_only_a_long_take_tells_the_drift(
    rng: np.random.Generator, length_s: float, known: bool
) -> None:
    clip_s = np.arange(0.0, length_s, 0.4)
    lag_s = -3.0 + 50e-6 * clip_s + 0.025 * rng.standard_normal(len(clip_s))
    pairs = NotePairs(clip_s, lag_s, np.ones(len(clip_s)), np.ones(len(clip_s), np.bool_))
    line = draw_line(pairs, pairs.median_s)
    # Standard error of a slope: 25 ms / (sqrt(1200) * 480 s / sqrt(12)) = 5 ppm.
    assert line.drift_ppm == (pytest.approx(45.0, abs=15.0) if known else 0.0)
    middle_s = length_s / 2
    assert line.to_reference(middle_s) - middle_s == pytest.approx(
        -3.0 + 50e-6 * middle_s, abs=0.006
    )
