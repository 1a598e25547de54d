"""Different kinds of evidence about one clip, joined."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from syncvid.production.results import Finding, Rival
from syncvid.sync import Listened, find_places
from syncvid.sync.opinions import with_guide, with_timing
from tests.sync.ensemble import RATE, clicks, melody, on_phone, play

WEAK = Finding(
    "check", 0.4, "4 of 9 windows agree. That is little evidence: please listen.", 12.0, 5.0, "mix"
)
NOTHING = Finding("none", 0.8, "Nothing fits.", against="mix")
NOTES = Finding("sure", 0.9, "The notes fall together.", 12.03, 0.0, "mix")


def test_notes_confirm_what_is_faint() -> None:
    both = with_timing(WEAK, NOTES)
    assert (both.verdict, both.offset_s, both.confidence) == ("sure", 12.0, 0.9)
    assert both.reason == "4 of 9 windows agree. The notes fall together here as well."
    unsure = with_timing(WEAK, replace(NOTES, verdict="check"))
    assert unsure.verdict == "check"
    assert "please listen" in unsure.reason


@pytest.mark.parametrize(
    ("verdict", "proposed", "rival"), [("sure", 30.0, 12.0), ("check", 12.0, 30.0)]
)
def test_surer_evidence_is_proposed_and_the_other_stays_in_view(
    verdict: str, proposed: float, rival: float
) -> None:
    elsewhere = Finding("sure" if verdict == "sure" else "check", 0.9, "Notes.", 30.0, 0.0, "mix")
    both = with_timing(WEAK, elsewhere)
    assert both.offset_s == proposed
    assert [other.offset_s for other in both.rivals] == [rival]


def test_evidence_for_a_known_rival_lists_it_once() -> None:
    repeat = replace(WEAK, rivals=(Rival(30.01, 0.99),))
    both = with_timing(repeat, replace(NOTES, verdict="check", offset_s=30.0))
    assert both.rivals == repeat.rivals


def test_nothing_and_something() -> None:
    assert with_timing(NOTHING, None) is NOTHING
    assert with_timing(NOTHING, NOTES) is NOTES
    other_key = replace(NOTHING, reason="Another key.")
    assert with_timing(NOTHING, other_key) is other_key
    assert with_timing(WEAK, other_key) is WEAK


def test_guide_chooses_between_repeats() -> None:
    repeat = replace(WEAK, rivals=(Rival(30.01, 0.99), Rival(44.0, 0.7)))
    guide = Finding("sure", 0.97, "Clicks.", 29.95, 4.0, "mix")
    chosen = with_guide(repeat, guide)
    assert (chosen.verdict, chosen.offset_s) == ("sure", 30.01)
    assert [rival.offset_s for rival in chosen.rivals] == [12.0, 44.0]
    confirmed = with_guide(repeat, replace(guide, offset_s=12.1))
    assert (confirmed.verdict, confirmed.offset_s, confirmed.rivals) == (
        "sure",
        12.0,
        repeat.rivals,
    )
    against = with_guide(repeat, replace(guide, offset_s=70.0))
    assert (against.verdict, against.offset_s) == ("check", 12.0)
    assert against.rivals[0].offset_s == 70.0
    alone = with_guide(NOTHING, guide)
    assert (alone.verdict, alone.offset_s, alone.spans) == ("check", 29.95, ())


def test_leak_of_the_guide_tells_which_verse_a_clip_holds(rng: np.random.Generator) -> None:
    # The mix holds one recording of a verse twice; each clip has the guide in its background, the
    # last one with its count-in.
    length_s = 46.0
    guide = clicks(length_s)
    verse = play(rng, melody(rng, 20.0), 20.0)
    twice = np.concatenate(
        (np.zeros(4 * RATE, np.float32), verse, verse, np.zeros(2 * RATE, np.float32))
    )
    others = [np.pad(play(rng, melody(rng, 40.0), 40.0), (4 * RATE, 2 * RATE)) for _ in range(2)]
    mix = twice + others[0] + others[1]
    level = 0.02 * float(np.std(mix)) / float(np.std(guide))
    noisy = [on_phone(rng, other + level * guide, noise_db=-45.0) for other in others]
    first = on_phone(rng, (twice + level * guide)[: 24 * RATE], noise_db=-45.0)
    clips = [Listened(str(index), sound) for index, sound in enumerate([*noisy, first])]
    without = find_places(clips, mix=mix).findings[2]
    found = find_places(clips, mix=mix, guide=guide)
    assert without.verdict == "check"
    assert found.guide_offset_s == pytest.approx(0.0, abs=2e-3)
    assert found.findings[2].verdict == "sure"
    assert found.findings[2].offset_s == pytest.approx(0.0, abs=2e-3)
    assert "guide" in found.findings[2].reason
