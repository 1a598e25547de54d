"""The whole room: planted places are found, and nothing is claimed where nothing was planted."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncvid.errors import Cancelled, SignalError
from syncvid.production.results import Finding
from syncvid.progress import Event, Progress
from syncvid.sync import Listened, SyncSettings, find_places
from syncvid.sync.by_mix import is_heard
from syncvid.timeline import Span
from tests.sync.ensemble import RATE, band, clicks, melody, on_phone, play


def miss_ms(finding: Finding, offset_s: float, drift_ppm: float, until_s: float) -> float:
    """Return the larger error at both ends of a clip, in milliseconds."""
    assert finding.offset_s is not None
    assert finding.drift_ppm is not None
    off = finding.offset_s - offset_s
    return 1e3 * max(abs(off), abs(off + until_s * (finding.drift_ppm - drift_ppm) * 1e-6))


@pytest.fixture(scope="module")
def parts() -> list[np.ndarray]:
    return band(np.random.default_rng(5), 40.0)


@pytest.fixture(scope="module")
def mix(parts: list[np.ndarray]) -> np.ndarray:
    return np.sum(parts, axis=0, dtype=np.float32)


@pytest.mark.parametrize(
    ("head_s", "drift_ppm", "noise_db"),
    [(0.0, 0.0, -40.0), (5.3, 40.0, -20.0), (2.0, -60.0, 0.0), (1.0, 273.33, -30.0)],
)
def test_part_of_a_mix_is_placed(
    rng: np.random.Generator,
    parts: list[np.ndarray],
    mix: np.ndarray,
    head_s: float,
    drift_ppm: float,
    noise_db: float,
) -> None:
    # Facts TD11: two phones that differ by 16.4 ms per minute, 273.33 ppm (published measurement).
    phone = on_phone(rng, parts[0], head_s=head_s, drift_ppm=drift_ppm, noise_db=noise_db)
    found = find_places([Listened("Flute", phone)], mix=mix)
    finding = found.findings[0]
    assert found.reference == "mix"
    assert finding.verdict == "sure"
    assert finding.against == "mix"
    # Clip second t holds part second (t - head) * rate: the head too is on the clip's clock.
    offset_s = -head_s * (1 + drift_ppm * 1e-6)
    assert miss_ms(finding, offset_s, drift_ppm, len(phone) / RATE) < 0.1
    assert "windows agree" in finding.reason
    assert sum(vote.agrees for vote in finding.votes) >= 10


def test_drift_over_five_minutes(rng: np.random.Generator) -> None:
    # Facts TD8: noise, recorder's clock slow by 50 ppm, 300 s: 50 ppm to 1 ppm, 15.0 ms in all.
    # Facts TD9: 12.0 ms over four minutes.
    sound = rng.standard_normal(300 * RATE).astype(np.float32)
    finding = find_places(
        [Listened("c", on_phone(rng, sound, drift_ppm=50.0))], mix=sound
    ).findings[0]
    placement = finding.placement
    assert placement is not None
    assert placement.drift_ppm == pytest.approx(50.0, abs=1.0)
    lags_ms = [1e3 * (placement.to_reference(at) - at) for at in (0.0, 240.0, 300.0)]
    assert lags_ms[1] - lags_ms[0] == pytest.approx(12.0, abs=0.1)
    assert lags_ms[2] - lags_ms[0] == pytest.approx(15.0, abs=0.1)


@settings(max_examples=4, deadline=None)
@given(shift_ms=st.integers(-8000, 8000))
def test_shifting_the_clip_shifts_the_answer(shift_ms: int) -> None:
    rng = np.random.default_rng(9)
    sound, other = band(rng, 26.0, 2)
    mix = np.concatenate(
        (np.zeros(9 * RATE, np.float32), sound + other, np.zeros(9 * RATE, np.float32))
    )
    start = 9 * RATE + shift_ms * 16
    clip = np.concatenate((np.zeros(9 * RATE, np.float32), sound, np.zeros(9 * RATE, np.float32)))
    clip = (
        clip[max(0, -start + 9 * RATE) :]
        if start < 9 * RATE
        else np.pad(clip, (start - 9 * RATE, 0))
    )
    finding = find_places([Listened("c", clip)], mix=mix).findings[0]
    assert finding.verdict == "sure"
    assert finding.offset_s == pytest.approx(-shift_ms / 1e3, abs=5e-5)


def test_echo_noise_and_clipping_do_no_harm(
    rng: np.random.Generator, parts: list[np.ndarray], mix: np.ndarray
) -> None:
    room = np.zeros(RATE // 4)
    room[0] = 1.0
    room[rng.integers(50, len(room), 300)] += 0.15 * rng.standard_normal(300)
    echo = np.convolve(parts[1], room)[: len(parts[1])]
    clipped = np.clip(echo, -0.3 * np.abs(echo).max(), 0.3 * np.abs(echo).max())
    finding = find_places(
        [Listened("c", on_phone(rng, clipped, head_s=3.0, drift_ppm=20.0, noise_db=-10.0))], mix=mix
    ).findings[0]
    assert finding.verdict == "sure"
    assert miss_ms(finding, -3.0, 20.0, 43.0) < 0.3


def test_polarity_does_not_matter(parts: list[np.ndarray], mix: np.ndarray) -> None:
    clip = parts[3][5 * RATE : 30 * RATE]
    upright, inverted = find_places(
        [Listened("upright", clip), Listened("inverted", -clip)], mix=mix
    ).findings
    assert (upright.verdict, inverted.verdict) == ("sure", "sure")
    assert inverted.offset_s == upright.offset_s == pytest.approx(5.0, abs=5e-5)
    assert sum(vote.agrees for vote in inverted.votes) == sum(vote.agrees for vote in upright.votes)


def test_span_begins_where_the_music_does(
    rng: np.random.Generator, parts: list[np.ndarray], mix: np.ndarray
) -> None:
    talk = play(rng, [(at, float(rng.uniform(150, 900))) for at in np.arange(0, 10, 0.21)], 10.0)
    clip = np.concatenate((talk, parts[2][: 25 * RATE]))
    finding = find_places([Listened("c", clip)], mix=mix[: 30 * RATE]).findings[0]
    assert len(finding.spans) == 1
    assert finding.spans[0].clip_from_s == pytest.approx(10.0, abs=0.25)
    assert finding.spans[0].clip_to_s == pytest.approx(35.0, abs=0.25)
    assert not any(vote.agrees for vote in finding.votes if vote.clip_s < 9.0)


def test_moved_phrase_gets_a_span_of_its_own(
    rng: np.random.Generator, parts: list[np.ndarray]
) -> None:
    moved = parts[0].copy()
    first, last, shift = 14 * RATE, 26 * RATE, round(0.045 * RATE)
    moved[first:last] = 0
    moved[first + shift : last + shift] += parts[0][first:last]
    mix = moved + parts[1] + parts[2]
    finding = find_places([Listened("c", parts[0])], mix=mix).findings[0]
    assert finding.verdict == "sure"
    assert [round(span.offset_s * 1e3) for span in finding.spans] == [0, 45, 0]
    for (before, after), border_s in zip(pairwise(finding.spans), (14.0, 26.0), strict=True):
        assert before.clip_to_s == pytest.approx(border_s, abs=0.25)
        assert after.clip_from_s == pytest.approx(border_s, abs=0.25)
    assert "moved" in finding.reason


def test_cut_mix_is_told_from_a_repeat(rng: np.random.Generator, parts: list[np.ndarray]) -> None:
    mix = np.sum(parts, axis=0, dtype=np.float32)
    cut = np.concatenate((mix[: 16 * RATE], mix[22 * RATE :]))  # bars left out
    finding = find_places([Listened("c", parts[3])], mix=cut).findings[0]
    assert finding.verdict == "sure"
    assert sorted(round(span.offset_s, 3) for span in finding.spans) == [-6.0, 0.0]


def test_literal_repeat_is_left_to_an_ear(parts: list[np.ndarray], mix: np.ndarray) -> None:
    twice = np.concatenate((mix[: 20 * RATE], mix[: 20 * RATE]))
    finding = find_places([Listened("c", parts[0][: 20 * RATE])], mix=twice).findings[0]
    assert finding.verdict == "check"
    assert abs(abs(finding.rivals[0].offset_s - (finding.offset_s or 0.0)) - 20.0) < 0.01
    assert finding.rivals[0].strength > 0.9
    assert "repeat" in finding.reason


def test_performed_repeat_is_told_by_its_timing(rng: np.random.Generator) -> None:
    notes = melody(rng, 20.0)
    verses = [play(rng, notes, 20.0) for _ in range(2)]
    others = [play(rng, melody(rng, 20.0), 20.0) for _ in range(2)]
    mix = np.concatenate([verse + other for verse, other in zip(verses, others, strict=True)])
    finding = find_places([Listened("c", verses[1])], mix=mix).findings[0]
    assert finding.verdict == "sure"
    assert finding.offset_s == pytest.approx(20.0, abs=1e-4)


def test_other_music_noise_and_silence_fit_nowhere(
    rng: np.random.Generator, mix: np.ndarray
) -> None:
    other = play(rng, melody(rng, 30.0, beat_s=0.31), 30.0)
    # Facts TD10: 44.1 kHz data read as 48 kHz run 1.088435 times too fast; that is no place.
    fast = np.interp(np.arange(0, len(mix), 1.088435), np.arange(len(mix)), mix).astype(np.float32)
    clips = [
        other,
        0.1 * rng.standard_normal(20 * RATE).astype(np.float32),
        np.zeros(20 * RATE, np.float32),
        mix[:RATE],
        np.zeros(0, np.float32),
        fast,
    ]
    found = find_places([Listened(str(i), clip) for i, clip in enumerate(clips)], mix=mix)
    assert [finding.verdict for finding in found.findings] == ["none"] * 6
    assert all(finding.offset_s is None for finding in found.findings)
    assert "no sound" in found.findings[2].reason
    assert "too short" in found.findings[3].reason
    assert "8.8 % slower" in found.findings[5].reason


def test_silent_mix_is_named_as_the_reason(parts: list[np.ndarray]) -> None:
    found = find_places([Listened("c", parts[0])], mix=np.zeros(20 * RATE, np.float32))
    assert found.findings[0].verdict == "none"
    assert "no sound in the mix" in found.findings[0].reason


def test_another_take_is_placed_by_its_notes(rng: np.random.Generator) -> None:
    lines = [melody(rng, 48.0) for _ in range(3)]
    mix = np.sum([play(rng, line, 48.0) for line in lines], axis=0, dtype=np.float32)
    take = on_phone(rng, play(rng, lines[0], 48.0), head_s=4.0)
    finding = find_places([Listened("c", take)], mix=mix).findings[0]
    assert finding.verdict == "sure"
    # Standard error of a median of 120 notes of two takes, 12 ms each: 1.25 * 17 / 11 = 2 ms.
    assert finding.offset_s == pytest.approx(-4.0, abs=0.008)
    assert "nother take" in finding.reason
    assert finding.spans == ()
    assert sum(vote.agrees for vote in finding.votes) >= 8


def test_another_take_is_not_taken_out_of_the_mix() -> None:
    placed = Finding("sure", 0.98, "another take", -4.0, 0.0, against="mix")
    assert not is_heard(placed)
    assert is_heard(replace(placed, spans=(Span(0.0, 40.0, -4.0),)))


def test_guide_is_heard_behind_the_playing(rng: np.random.Generator) -> None:
    guide = clicks(40.0)
    playing = play(rng, melody(rng, 34.0), 40.0)
    playing[: 4 * RATE] = 0  # waits while the guide counts in
    leak = guide * np.float32(10 ** (-30 / 20) * np.std(playing) / np.std(guide))
    phone = on_phone(rng, playing + leak, head_s=6.0, drift_ppm=25.0, noise_db=-45.0)
    found = find_places([Listened("c", phone)], guide=guide)
    finding = found.findings[0]
    assert (found.reference, found.guide_offset_s) == ("guide", 0.0)
    assert finding.verdict == "sure"
    assert miss_ms(finding, -6.0, 25.0, 46.0) < 1.0


def test_beats_alone_are_never_sure(rng: np.random.Generator) -> None:
    guide = clicks(40.0, count_in_s=0.0)
    playing = play(rng, melody(rng, 16.0), 16.0)
    leak = guide[10 * RATE : 26 * RATE]
    phone = playing + leak * np.float32(10 ** (-30 / 20) * np.std(playing) / np.std(leak))
    assert find_places([Listened("c", phone)], guide=guide).findings[0].verdict != "sure"


def test_mix_tells_where_the_guide_lies(rng: np.random.Generator) -> None:
    guide = clicks(30.0)
    music = np.concatenate((np.zeros(4 * RATE, np.float32), play(rng, melody(rng, 25.0), 26.0)))
    mix = np.concatenate((np.zeros(2 * RATE, np.float32), music + 0.1 * guide))
    found = find_places([Listened("c", music)], mix=mix, guide=guide)
    assert found.guide_offset_s == pytest.approx(2.0, abs=1e-3)
    assert find_places([Listened("c", music)], mix=music, guide=guide).guide_offset_s is None


def test_clips_of_one_room_are_put_on_one_clock(rng: np.random.Generator, mix: np.ndarray) -> None:
    heads = [0.0, 3.0, 7.0]
    clips = [
        Listened(f"camera {index}", on_phone(rng, mix, head_s=head, drift_ppm=10.0 * index))
        for index, head in enumerate(heads)
    ]
    clips.append(Listened("stranger", play(rng, melody(rng, 30.0, beat_s=0.31), 30.0)))
    found = find_places(clips)
    assert found.reference == "clips"
    assert [finding.verdict for finding in found.findings] == ["sure", "sure", "sure", "none"]
    names = [clip.name for clip in clips]
    anchor = names.index(found.findings[0].against)
    assert found.findings[anchor].offset_s == 0.0
    for index in range(3):
        finding = found.findings[index]
        assert finding.against == names[anchor]
        assert finding.offset_s == pytest.approx(heads[anchor] - heads[index], abs=1e-3)
        assert finding.drift_ppm == pytest.approx(10.0 * (index - anchor), abs=1.0)


def test_a_single_clip_is_its_own_clock(parts: list[np.ndarray]) -> None:
    finding = find_places([Listened("alone", parts[0])]).findings[0]
    assert (finding.verdict, finding.offset_s, finding.against) == ("sure", 0.0, "alone")


def test_workers_change_nothing_and_progress_is_told(
    parts: list[np.ndarray], mix: np.ndarray
) -> None:
    clips = [Listened(str(index), part[: 20 * RATE]) for index, part in enumerate(parts[:3])]
    events: list[Event] = []
    alone = find_places(clips, mix=mix, progress=Progress(events.append))
    with ThreadPoolExecutor(2) as workers:
        together = find_places(clips, mix=mix, workers=workers)
    assert alone == together
    fractions = [event.fraction for event in events]
    assert fractions == sorted(fractions)
    assert len(fractions) > 3
    assert fractions[-1] == 1.0


def test_stopping_stops(parts: list[np.ndarray], mix: np.ndarray) -> None:
    stop = threading.Event()
    stop.set()
    with pytest.raises(Cancelled):
        find_places([Listened("c", parts[0][: 8 * RATE])], mix=mix, progress=Progress(stop=stop))


def test_unusable_arrays_are_refused(mix: np.ndarray) -> None:
    with pytest.raises(SignalError, match="Flute"):
        find_places([Listened("Flute", np.zeros((2, 100), np.float32))], mix=mix)


def test_shortest_clip_is_a_setting(parts: list[np.ndarray], mix: np.ndarray) -> None:
    clip = [Listened("c", parts[0][: 15 * RATE])]
    strict = find_places(clip, mix=mix, settings=SyncSettings(shortest_s=16.0))
    assert strict.findings[0].verdict == "none"
    assert find_places(clip, mix=mix).findings[0].verdict == "sure"


def test_a_few_seconds_of_a_quiet_part_are_enough_for_a_place(rng: np.random.Generator) -> None:
    # A short piece: below 2 kHz alone, one part of 64 says too little in so few seconds.
    players = band(rng, 4.0, parts=64)
    mix = np.sum(players, axis=0, dtype=np.float32)
    clips = [on_phone(rng, part, head_s=1.5, drift_ppm=30.0) for part in players[:4]]
    found = find_places([Listened(str(n), clip) for n, clip in enumerate(clips)], mix=mix)
    for finding in found.findings:
        assert finding.verdict in ("sure", "check")
        assert miss_ms(finding, -1.5 * (1 + 30e-6), 30.0, 4.0) < 0.2
