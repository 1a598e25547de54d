"""Where a part changes its take: near the mark, before an attack, and told in words."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.picture.following import Take
from syncvid.production.material import Recording, SourceFile
from syncvid.production.results import ClipSync, Finding, Levels
from syncvid.production.store import Store
from syncvid.steps.entries import Entry
from syncvid.steps.heard_parts import HeardPassage
from syncvid.steps.hearing import _HEARING, Facts
from syncvid.steps.splicing import join_takes, place_text
from syncvid.sync import ANALYSIS_RATE
from syncvid.timeline import Bars, Beat, BeatMap, Placement

LENGTH_S = 40.0
LEVELS = Levels(-6.0, -20.0, -60.0, 0.0, False)
BARS = Bars(BeatMap(tuple(Beat(n // 4 + 1, n % 4 + 1, n / 2) for n in range(80))), 1.0)

# Notes begin each half second, a tenth of a second behind the beat.
ATTACKS_S = np.arange(2.1, 36.0, 0.5)


def notes(line: Placement, length_s: float = LENGTH_S) -> Audio:
    """Return tones that begin at the attacks and are held until the next, as a clip hears them."""
    reference_s = line.to_reference(0.0) + np.arange(round(length_s * ANALYSIS_RATE)) * (
        line.rate / ANALYSIS_RATE
    )
    index = np.searchsorted(ATTACKS_S, reference_s) - 1
    since_s = reference_s - ATTACKS_S[np.clip(index, 0, None)]
    pitch_hz = 220.0 * 2 ** ((np.clip(index, 0, None) * 5 % 12) / 12)
    tone = 0.2 * np.sin(2 * np.pi * pitch_hz * since_s) * np.exp(-since_s)
    tone *= np.minimum(since_s / 0.003, 1.0) * (index >= 0)
    samples: Audio = tone.astype(np.float32)
    return samples


def passage(
    store: Store, name: str, line: Placement, from_s: float, to_s: float, gain: float = 1.0
) -> HeardPassage:
    facts = Facts(LENGTH_S, (160, 90), 0.0, LENGTH_S, 0, LEVELS, None)
    store.save_samples(name, np.asarray(gain * notes(line), np.float32))
    store.save(f"clip-{name}", _HEARING, asdict(facts))
    recording = Recording(SourceFile(name, Path(name), name), "Viola", "", 1)
    finding = Finding("sure", 1.0, "", line.offset_s, line.drift_ppm, "clips")
    entry = Entry(recording, ClipSync(name, "Viola", 1, finding), facts)
    assert isinstance(entry.take, Take)
    return HeardPassage(entry, line, line, from_s, to_s)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "work")


@pytest.mark.parametrize("drift_ppm", [0.0, 200.0])
def test_a_cut_marked_on_the_beat_lies_just_before_the_attack(
    drift_ppm: float, store: Store
) -> None:
    """The mark is the beat at 20 s; the note begins at 20.1 s; fades end at the attack."""
    old = passage(store, "a", Placement(-1.3, 0.0), -math.inf, 20.0)
    new = passage(store, "b", Placement(0.7, drift_ppm), 20.0, math.inf)
    joined, (splice,) = join_takes([old, new], store, None)
    assert splice.hidden_in == "attack"
    # What is heard less than that before an attack is covered by it.
    assert 20.1 - 0.006 <= splice.at_s + splice.fade_s / 2 <= 20.1 + 0.0005
    assert joined[0].to_s == joined[1].from_s == splice.at_s
    assert (joined[0].from_s, joined[1].to_s) == (-math.inf, math.inf)
    assert splice.place == "0:20.09"


def test_a_short_passage_keeps_its_order(store: Store) -> None:
    """A passage of a tenth of a second: no splice leaves it, or comes before the other."""
    line = Placement(-1.0, 0.0)
    first = passage(store, "a", line, -math.inf, 20.0)
    second = passage(store, "b", line, 20.0, 20.1)
    third = replace(first, from_s=20.1, to_s=math.inf)
    joined, splices = join_takes([first, second, third], store, None)
    assert splices[0].at_s <= splices[1].at_s
    assert joined[1].to_s - joined[1].from_s == pytest.approx(splices[1].at_s - splices[0].at_s)


@pytest.mark.parametrize("gain", [0.6, 1.5])
def test_the_later_take_becomes_as_loud(gain: float, store: Store) -> None:
    old = passage(store, "a", Placement(-1.3, 0.0), -math.inf, 20.0)
    new = passage(store, "b", Placement(0.7, 0.0), 20.0, 30.0, gain)
    joined, _ = join_takes([old, new], store, None)
    assert joined[0].gain_db == 0.0
    assert joined[1].gain_db == pytest.approx(-20 * math.log10(gain), abs=0.1)


def test_one_take_joined_with_itself_keeps_its_level(store: Store) -> None:
    """A phrase that the mix has moved by 0.2 s."""
    old = passage(store, "a", Placement(-1.3, 0.0), -math.inf, 20.0)
    new = replace(old, line=Placement(-1.1, 0.0), from_s=20.0, to_s=math.inf)
    joined, splices = join_takes([old, new], store, None)
    assert [each.gain_db for each in joined] == [0.0, 0.0]
    assert len(splices) == 1


def test_a_single_passage_has_no_splice(store: Store) -> None:
    alone = passage(store, "a", Placement(-1.3, 0.0), -math.inf, math.inf)
    assert join_takes([alone], store, None) == ([alone], [])


def test_a_splice_that_nobody_can_hear_is_found_all_the_same(store: Store) -> None:
    """Both clips have ended at the mark, or not begun: silence on both sides."""
    old = passage(store, "a", Placement(-1.3, 0.0), -math.inf, 200.0)
    new = passage(store, "b", Placement(0.7, 0.0), 200.0, math.inf)
    _, (splice,) = join_takes([old, new], store, None)
    assert splice.at_s == pytest.approx(200.0, abs=0.35)
    assert splice.hidden_in == "rest"


def test_a_place_is_told_by_bar_and_beat_or_by_the_clock() -> None:
    """Bar 3 begins at guide second 4, reference second 5; an attack belongs to what follows."""
    assert place_text(5.0, BARS) == "bar 3 beat 1"
    assert place_text(4.97, BARS) == "bar 3 beat 1"
    assert place_text(4.90, BARS) == "bar 2 beat 4"
    assert place_text(65.25, None) == "1:05.25"
    assert place_text(5.0, Bars(BARS.beats, None)) == "0:05.00"
    assert place_text(0.2, BARS) == "0:00.20", "before the first beat"


def test_beats_leave_a_splice_less_room(store: Store) -> None:
    """Eighths of a tenth of a second: a splice stays within half of one."""
    fast = Bars(BeatMap(tuple(Beat(n // 4 + 1, n % 4 + 1, n / 10) for n in range(400))), 0.0)
    old = passage(store, "a", Placement(-1.3, 0.0), -math.inf, 20.3)
    new = passage(store, "b", Placement(0.7, 0.0), 20.3, math.inf)
    _, (splice,) = join_takes([old, new], store, fast)
    assert abs(splice.at_s - 20.3) <= 0.05 + 1e-6
