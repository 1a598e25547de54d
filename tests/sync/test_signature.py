"""Clips whose guide has a signature: places, other versions, other guides, each planted."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.production.beats import practice_number
from syncvid.production.results import (
    ClipSync,
    Finding,
    HeardGuide,
    SyncResult,
    read_sync_json,
    write_sync_json,
)
from syncvid.signals.cue import SIGNATURE_S, FoundSignature, make_signature
from syncvid.sync import Listened, by_mix, find_places, reasons
from syncvid.sync.by_guide import prepare_guide
from syncvid.sync.signature_verdict import Support, judge_signature, with_other_guide
from syncvid.sync.signatures import HeardSignatures
from tests.sync.ensemble import RATE, on_phone, play
from tests.sync.test_by_guide import guide_at, leaking, part

# Clicks begin after the signature, as in a guide of the program.
FIRST_CLICK_S = 3.0
BEATS = FIRST_CLICK_S + 0.5 * np.arange(56)


def guide_with(guide: int, version: int, times_s: np.ndarray = BEATS) -> Audio:
    out = guide_at(times_s)
    sound = make_signature(guide, version, RATE)
    out[RATE // 2 : RATE // 2 + len(sound)] += 0.3 * sound
    return out.astype(np.float32)


def signed(
    playing: Audio, guide: int, version: int, *, at_s: float = 0.5, db: float = 0.0
) -> Audio:
    """Return playing over which only the signature leaks, so loud against the playing."""
    out = playing.copy()
    sound = make_signature(guide, version, RATE)
    level = 10 ** (db / 20) * float(np.std(playing)) / float(np.std(sound))
    begin = round(at_s * RATE)
    out[begin : begin + len(sound)] += np.float32(level) * sound
    return out


def place(*clips: Audio, guide: Audio, mix: Audio | None = None) -> tuple[Finding, ...]:
    named = [Listened(str(number), clip) for number, clip in enumerate(clips)]
    return find_places(named, guide=guide, mix=mix).findings


@pytest.mark.parametrize("drift_ppm", [0.0, -90.0])
def test_signature_alone_tells_the_place(rng: np.random.Generator, drift_ppm: float) -> None:
    guide = guide_with(4711, 2)
    sound = signed(part(rng, BEATS, 8, late_s=0.03), 4711, 2, db=-40.0)
    clip = on_phone(rng, sound, head_s=4.0, drift_ppm=drift_ppm, noise_db=-40.0)
    (found,) = place(clip, guide=guide)
    assert found.verdict == "sure"
    assert found.offset_s == pytest.approx(-4.0 * (1 + drift_ppm * 1e-6), abs=1e-3)
    assert found.drift_ppm == pytest.approx(drift_ppm, abs=30.0)
    assert found.heard_guide == HeardGuide(4711, 2)
    assert "signature" in found.reason


def test_clicks_that_leak_as_well_make_it_finer(rng: np.random.Generator) -> None:
    guide = guide_with(4711, 2)
    sound = leaking(part(rng, BEATS, 8, late_s=0.03), guide, -36.0)
    (found,) = place(on_phone(rng, sound, head_s=4.0, drift_ppm=60.0, noise_db=-45.0), guide=guide)
    assert found.verdict == "sure"
    assert found.offset_s == pytest.approx(-4.0 * (1 + 60e-6), abs=1e-3)
    assert found.drift_ppm == pytest.approx(60.0, abs=15.0)
    assert "clicks fit" in found.reason


def test_another_version_is_named_and_not_placed(rng: np.random.Generator) -> None:
    sound = signed(part(rng, BEATS, 8), 4711, 1, db=-20.0)
    (found,) = place(on_phone(rng, sound, noise_db=-40.0), guide=guide_with(4711, 2))
    assert found.verdict == "none"
    assert "recorded to version 1 of the guide; this is version 2" in found.reason
    assert found.heard_guide == HeardGuide(4711, 1)


def test_another_version_whose_clicks_fit_is_for_an_ear(rng: np.random.Generator) -> None:
    sound = leaking(part(rng, BEATS, 8), guide_with(4711, 1), -30.0)
    (found,) = place(on_phone(rng, sound, head_s=2.0, noise_db=-45.0), guide=guide_with(4711, 2))
    assert found.verdict == "check"
    assert found.offset_s == pytest.approx(-2.0, abs=1e-3)
    assert "version 1" in found.reason


def test_another_guide_is_named(rng: np.random.Generator) -> None:
    sound = signed(part(rng, BEATS, 8), 12, 2, db=-20.0)
    (found,) = place(on_phone(rng, sound, noise_db=-40.0), guide=guide_with(4711, 2))
    assert found.verdict == "none"
    assert "another guide" in found.reason


def test_guide_that_was_started_twice_counts_from_the_last_time(rng: np.random.Generator) -> None:
    twice = signed(part(rng, BEATS, 8), 4711, 2, db=-20.0)
    first = signed(0.05 * rng.standard_normal(8 * RATE).astype(np.float32), 4711, 2, db=-10.0)
    clip = np.concatenate([first, twice])
    (found,) = place(on_phone(rng, clip, noise_db=-40.0), guide=guide_with(4711, 2))
    assert found.verdict == "sure"
    assert found.offset_s == pytest.approx(-8.0, abs=1e-3)
    assert "twice" in found.reason


def test_signature_and_nothing_else_in_a_short_clip_is_for_an_ear(
    rng: np.random.Generator,
) -> None:
    noise = 0.05 * rng.standard_normal(8 * RATE).astype(np.float32)
    (found,) = place(signed(noise, 4711, 2, at_s=2.0, db=-6.0), guide=guide_with(4711, 2))
    assert found.verdict == "check"
    assert found.offset_s == pytest.approx(-1.5, abs=1e-3)


def test_clips_in_the_mix_tell_where_the_guide_lies_on_it(rng: np.random.Generator) -> None:
    guide = guide_with(4711, 2)
    parts = [part(rng, BEATS, 8, late_s=0.02 * number) for number in range(3)]
    # The mix begins 2.5 s after the guide, where the count-in ends soon.
    mix = np.sum(parts, axis=0)[round(2.5 * RATE) :].astype(np.float32)
    clips = [
        on_phone(rng, signed(one, 4711, 2, db=-30.0), head_s=1.0 + number, noise_db=-45.0)
        for number, one in enumerate(parts)
    ]
    named = [Listened(str(number), clip) for number, clip in enumerate(clips)]
    placed = find_places(named, mix=mix, guide=guide)
    assert placed.guide_offset_s == pytest.approx(-2.5, abs=1e-3)
    assert all(found.heard_guide == HeardGuide(4711, 2) for found in placed.findings)
    for number, found in enumerate(placed.findings):
        assert found.offset_s == pytest.approx(-2.5 - 1.0 - number, abs=2e-3)


def test_signature_of_the_guide_is_no_click() -> None:
    from syncvid.sync.by_guide import prepare_guide

    plain, with_one = (prepare_guide(one) for one in (guide_at(BEATS), guide_with(4711, 2)))
    assert plain.clicks is not None
    assert with_one.clicks is not None
    assert np.allclose(plain.clicks.times_s, with_one.clicks.times_s, atol=1e-4)
    assert plain.signature is None
    assert with_one.signature is not None
    assert with_one.signature.at_s == pytest.approx(0.5, abs=1e-4)


def test_heard_guide_is_kept_in_the_results() -> None:
    finding = Finding("sure", 0.9, "", -1.0, 0.0, "guide", heard_guide=HeardGuide(4711, 2))
    result = SyncResult("guide", (ClipSync("a.mp4", "Alto", 1, finding),))
    assert read_sync_json(write_sync_json(result)) == result


def test_playing_stays_when_signatures_are_made_quiet(rng: np.random.Generator) -> None:
    from syncvid.sync.signatures import hear_signatures, know_signature, without_signatures

    known = know_signature(guide_with(4711, 2))
    assert known is not None
    notes = play(rng, [(6.0, 440.0)], 8.0)
    clip = signed(notes + 1e-4 * rng.standard_normal(len(notes)).astype(np.float32), 4711, 2)
    heard = hear_signatures(clip, known)
    assert heard is not None
    quiet = without_signatures(clip, heard.found)
    assert np.std(quiet[RATE // 2 : round((0.5 + SIGNATURE_S) * RATE)]) < 5e-4
    assert np.array_equal(quiet[3 * RATE :], clip[3 * RATE :])


def test_guide_that_was_stopped_after_its_signature_is_for_an_ear(
    rng: np.random.Generator,
) -> None:
    # The phone paused for 0.3 s after the signature: clicks and notes come that much earlier.
    guide = guide_with(4711, 2)
    sound = leaking(part(rng, BEATS, 8), guide, -26.0)
    pause = round(0.3 * RATE)
    begin = round(2.6 * RATE)
    clip = np.concatenate([sound[:begin], sound[begin + pause :]])
    (found,) = place(on_phone(rng, clip, noise_db=-45.0), guide=guide)
    assert found.verdict == "check"
    assert found.offset_s == pytest.approx(0.3, abs=2e-3)
    assert found.rivals[0].offset_s == pytest.approx(0.0, abs=1e-3)


def test_guide_without_clicks_is_placed_by_its_signature(rng: np.random.Generator) -> None:
    drone = 0.05 * np.sin(2 * np.pi * 220 * np.arange(40 * RATE) / RATE).astype(np.float32)
    drone[: 3 * RATE] = 0
    guide = drone.copy()
    guide[RATE // 2 :][: round(SIGNATURE_S * RATE)] += 0.3 * make_signature(4711, 2, RATE)
    sound = signed(play(rng, [(4.0 + 0.7 * k, 330.0) for k in range(45)], 40.0), 4711, 2, db=-35.0)
    (found,) = place(on_phone(rng, sound, head_s=2.0, noise_db=-45.0), guide=guide)
    assert found.verdict == "sure"
    assert found.offset_s == pytest.approx(-2.0, abs=1e-3)


OWN = FoundSignature(0.5, 4711, 2, 50.0)
PLACED = Finding("sure", 0.98, "Notes fall together.", offset_s=-4.0, drift_ppm=0.0, against="mix")


def heard_of(guide: int, version: int, at_s: float = 4.5) -> HeardSignatures:
    return HeardSignatures(OWN, (FoundSignature(at_s, guide, version, 40.0),), 60.0)


@pytest.mark.parametrize(("own_sound", "verdict"), [(True, "sure"), (False, "check")])
def test_another_version_is_told_in_the_mix_too(own_sound: bool, verdict: str) -> None:
    found = with_other_guide(PLACED, heard_of(4711, 1), own_sound=own_sound)
    assert found.verdict == verdict
    assert "recorded to version 1 of the guide; this is version 2" in found.reason
    assert found.offset_s == PLACED.offset_s


def test_clicks_of_this_version_somewhere_else_leave_the_signatures_place_in_view() -> None:
    found = judge_signature(heard_of(4711, 1, at_s=8.1), PLACED, Support())
    assert (found.verdict, found.offset_s) == ("check", -4.0)
    assert "somewhere else than its signature says" in found.reason
    assert found.rivals[0].offset_s == pytest.approx(0.5 - 8.1)
    same = judge_signature(heard_of(4711, 1, at_s=4.5), PLACED, Support())
    assert "fits this one all the same" in same.reason
    assert not same.rivals


def test_a_version_for_practice_is_named() -> None:
    found = judge_signature(heard_of(practice_number(4711, 0.8), 2), None, Support())
    assert found.verdict == "none"
    assert found.reason == reasons.of_practice(0.8)
    assert "80 percent" in found.reason


@pytest.mark.parametrize(("plays", "verdict"), [(True, "sure"), (False, "check")])
def test_a_recording_of_the_guide_alone_is_never_sure_in_the_mix(
    rng: np.random.Generator, plays: bool, verdict: str
) -> None:
    guide = guide_with(4711, 2)
    sound = leaking(part(rng, BEATS, 8), guide, -20.0) if plays else 0.05 * guide
    clip = Listened("0", on_phone(rng, sound.astype(np.float32), noise_db=-50.0))
    work = by_mix._Work([clip], guide, None)
    (found,) = by_mix._without_mere_guides(work, [PLACED], prepare_guide(guide))
    assert found.verdict == verdict
    assert ("recording of the guide itself" in found.reason) is not plays
