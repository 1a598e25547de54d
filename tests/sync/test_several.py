"""Several full takes in one file; judged by where they were planted."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.production.results import Finding, Verdict
from syncvid.sync import ANALYSIS_RATE, Listened, find_places
from syncvid.sync.several import FullTake, find_full_takes

from .ensemble import RATE, band, melody, on_phone, play

PIECE_S = 40.0


def sounding(stretches: Sequence[tuple[float, float]], length_s: float) -> Audio:
    """Return noise in some stretches of a silent file."""
    rng = np.random.default_rng(5)
    out = 1e-4 * rng.standard_normal(round(length_s * ANALYSIS_RATE))
    for from_s, to_s in stretches:
        first, last = round(from_s * ANALYSIS_RATE), round(to_s * ANALYSIS_RATE)
        out[first:last] += 0.1 * rng.standard_normal(last - first)
    return out.astype(np.float32)


def at(offset_s: float, verdict: Verdict = "check") -> Finding:
    return Finding(verdict, 0.5, "", offset_s, 0.0, "mix")


NOTHING = Finding("none", 0.8, "")


class Planted:
    """Stands in for the search: a sound belongs where the take that it holds was planted."""

    def __init__(self, takes: dict[tuple[float, float], Finding]) -> None:
        self.takes, self.asked = takes, 0

    def __call__(self, sounds: Sequence[Audio]) -> list[Finding]:
        self.asked += len(sounds)
        return [self._place(sound) for sound in sounds]

    def _place(self, sound: Audio) -> Finding:
        for (from_s, to_s), finding in self.takes.items():
            heard = sound[round(from_s * ANALYSIS_RATE) : round(to_s * ANALYSIS_RATE)]
            if np.std(heard) > 0.05:
                return finding
        return NOTHING


def unlike(sound: Audio, other: Audio) -> Finding:
    return NOTHING


def takes_of(
    takes: dict[tuple[float, float], Finding], length_s: float, whole: Finding
) -> tuple[tuple[FullTake, ...], int]:
    place = Planted(takes)
    file = Listened("c", sounding(list(takes), length_s)), whole
    found = find_full_takes([file], place, unlike, reference_s=PIECE_S)
    return found[0], place.asked


def test_three_takes_are_found_whichever_was_found_first() -> None:
    planted = {(2.0, 40.0): at(-1.0), (44.0, 82.0): at(-43.0), (90.0, 128.0): at(-89.0)}
    for first in (at(-1.0), at(-43.0), at(-89.0)):
        found, _ = takes_of(planted, 132.0, first)
        assert [take.finding.offset_s for take in found] == [-1.0, -43.0, -89.0]
        for take, (from_s, to_s) in zip(found, planted, strict=True):
            begin_s, end_s = take.stretch.within(132.0)
            assert begin_s <= from_s
            assert to_s <= end_s
        borders = [take.stretch.within(132.0) for take in found]
        assert all(end <= begin for (_, end), (begin, _) in itertools.pairwise(borders))


@pytest.mark.parametrize(
    ("other", "finding"),
    [
        ((2.0, 22.0), at(-1.0)),
        ((2.0, 40.0), NOTHING),
        ((2.0, 40.0), at(+30.0)),
    ],
    ids=["a false start", "talk", "elsewhere in the piece"],
)
def test_what_is_no_full_take_is_none(other: tuple[float, float], finding: Finding) -> None:
    found, asked = takes_of({other: finding, (44.0, 82.0): at(-43.0)}, 84.0, at(-43.0))
    assert found == ()
    assert asked == 1


def test_an_ordinary_file_is_not_even_looked_into() -> None:
    rests = {(2.0, 10.0): at(-1.0), (20.0, 41.0): at(-1.0)}
    assert takes_of(rests, 43.0, at(-1.0)) == ((), 0)
    assert takes_of(rests, 43.0, NOTHING) == ((), 0)
    talk_first = {(0.0, 8.0): NOTHING, (20.0, 58.0): at(-19.0)}
    assert takes_of(talk_first, 60.0, at(-19.0)) == ((), 0)


def test_a_take_that_the_others_made_doubtful_is_sure_by_itself() -> None:
    planted = {(2.0, 40.0): at(-1.0, "sure"), (44.0, 82.0): at(-43.0)}
    found, _ = takes_of(planted, 84.0, at(-1.0))
    assert [take.finding.verdict for take in found] == ["sure", "check"]
    elsewhere = {(2.0, 40.0): at(-2.0, "sure"), (44.0, 82.0): at(-43.0)}
    found, _ = takes_of(elsewhere, 84.0, at(-1.0))
    assert found[0].finding == at(-1.0), "a place that moves is no confirmation"


def test_takes_of_real_playing_are_found_by_the_real_search(rng: np.random.Generator) -> None:
    """The second take is in the mix; the first is another performance of the same notes."""
    parts = band(rng, PIECE_S)
    notes = melody(np.random.default_rng(8), PIECE_S - 1)
    first, second = play(rng, notes, PIECE_S), play(rng, notes, PIECE_S)
    mix = np.sum([*parts, second], axis=0).astype(np.float32)
    pause = np.zeros(4 * RATE, np.float32)
    clip = on_phone(rng, np.concatenate([pause, first, pause, second, pause]), drift_ppm=20.0)

    def place(sounds: Sequence[Audio]) -> Sequence[Finding]:
        return find_places([Listened("x", sound) for sound in sounds], mix=mix).findings

    file = Listened("c", clip), place([clip])[0]
    found = find_full_takes([file], place, unlike, reference_s=PIECE_S)[0]
    assert len(found) == 2
    assert found[1].finding.verdict == "sure"
    assert found[1].finding.offset_s == pytest.approx(-(4 + PIECE_S + 4), abs=2e-3)
    assert found[0].finding.offset_s == pytest.approx(-4.0, abs=0.05)
    assert found[0].finding.verdict != "none"


def test_a_take_that_the_reference_does_not_tell_is_placed_by_the_other_take() -> None:
    """It lies 42 s before the other in the file, by a clock that seems slow by 100 millionths.

    The other lies at -43 s: together -43 + 42 * (1 + 50e-6) s.
    """
    takes = {(2.0, 40.0): NOTHING, (44.0, 82.0): at(-43.0, "sure")}

    def alike(sound: Audio, other: Audio) -> Finding:
        assert np.std(sound[30 * RATE : 40 * RATE]) > 0.05 > np.std(sound[50 * RATE :])
        assert np.std(other[50 * RATE : 80 * RATE]) > 0.05 > np.std(other[: 40 * RATE])
        return replace(at(42.0, "sure"), drift_ppm=100.0)

    file = Listened("c", sounding(list(takes), 84.0)), replace(at(-43.0, "sure"), drift_ppm=50.0)
    found = find_full_takes([file], Planted(takes), alike, reference_s=PIECE_S)[0]
    assert found[0].finding.offset_s == pytest.approx(-43 + 42 * (1 + 50e-6), abs=1e-9)
    assert found[0].finding.drift_ppm == pytest.approx(150.005, abs=1e-3)
    assert found[0].finding.verdict == "check", "never sure by a detour"
    assert "another take in the same file" in found[0].finding.reason
