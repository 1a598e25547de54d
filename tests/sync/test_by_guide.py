"""Clips against a guide: leak, claps and notes, each with planted truth."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.production.results import Finding
from syncvid.sync import Listened, find_places
from tests.sync.ensemble import RATE, melody, on_phone, play
from tests.sync.test_clicks import click_at

BEAT_S = 0.5


def guide_at(times_s: np.ndarray) -> np.ndarray:
    out = np.zeros(round((times_s[-1] + 1.0) * RATE), np.float32)
    for at_s in times_s:
        start = round(at_s * RATE)
        out[start : start + 480] += click_at(1500.0)
    return out


def steady(beats: int = 56) -> np.ndarray:
    return np.arange(beats) * BEAT_S


def slowing(beats: int = 56, count_in: int = 8) -> np.ndarray:
    """Beats that change their tempo in the middle of the music."""
    lengths = np.full(beats, BEAT_S)
    lengths[count_in + 24 :] *= 1.15
    return np.concatenate(([0.0], np.cumsum(lengths)[:-1]))


def part(
    rng: np.random.Generator, times_s: np.ndarray, count_in: int, late_s: float = 0.0
) -> np.ndarray:
    """Return a part with a note on each beat after the count-in."""
    pitches = [pitch for _, pitch in melody(rng, 0.4 * len(times_s))]
    notes = [(at + late_s, hz) for at, hz in zip(times_s[count_in:], pitches, strict=False)]
    return play(rng, notes, float(times_s[-1]) + 1.0)


def leaking(playing: np.ndarray, guide: np.ndarray, leak_db: float) -> np.ndarray:
    leak = guide[: len(playing)]
    level = 10 ** (leak_db / 20) * np.std(playing) / np.std(leak)
    return (playing + np.pad(level * leak, (0, len(playing) - len(leak)))).astype(np.float32)


def clapped(rng: np.random.Generator, sound: np.ndarray, times_s: np.ndarray) -> np.ndarray:
    out = sound.copy()
    ring = np.arange(RATE // 8) / RATE
    for at_s in times_s:
        hit = 0.5 * rng.standard_normal(len(ring)) * np.exp(-ring / 0.012)
        start = round((at_s + rng.normal(0, 0.006)) * RATE)
        out[start : start + len(hit)] += hit.astype(np.float32)
    return out


def place(*clips: np.ndarray, guide: np.ndarray) -> tuple[Finding, ...]:
    return find_places(
        [Listened(str(n), clip) for n, clip in enumerate(clips)], guide=guide
    ).findings


@pytest.mark.parametrize("leak_db", [-30.0, -42.0])
@pytest.mark.parametrize("drift_ppm", [0.0, -80.0])
def test_leak_under_the_playing_tells_the_place(
    rng: np.random.Generator, leak_db: float, drift_ppm: float
) -> None:
    guide = guide_at(steady())
    sound = leaking(part(rng, steady(), 8, late_s=0.04), guide, leak_db)
    (found,) = place(
        on_phone(rng, sound, head_s=5.0, drift_ppm=drift_ppm, noise_db=-40.0), guide=guide
    )
    assert found.verdict == "sure"
    assert found.offset_s == pytest.approx(-5.0 * (1 + drift_ppm * 1e-6), abs=1e-3)
    assert found.drift_ppm == pytest.approx(drift_ppm, abs=15.0)
    assert found.player_lag_ms == pytest.approx(40.0, abs=15.0)
    assert "after the click" in found.reason


def test_beats_without_an_end_are_left_to_an_ear(rng: np.random.Generator) -> None:
    guide = guide_at(steady())
    middle = leaking(part(rng, steady(), 0), guide, -30.0)[10 * RATE : 22 * RATE]
    (found,) = place(middle, guide=guide)
    assert found.verdict == "check"
    beats = [rival.offset_s / BEAT_S for rival in found.rivals]
    assert beats == pytest.approx(np.round(beats), abs=0.02)


def test_claps_and_a_change_of_tempo_tell_the_bar(rng: np.random.Generator) -> None:
    times_s = slowing()
    clips = [
        on_phone(
            rng,
            clapped(rng, part(rng, times_s, 8, late_s=0.02), times_s[4:8]),
            head_s=head_s,
            noise_db=-45.0,
        )
        for head_s in (9.0, 4.0)
    ]
    for found, head_s in zip(place(*clips, guide=guide_at(times_s)), (9.0, 4.0), strict=True):
        assert found.verdict == "sure"
        assert found.offset_s == pytest.approx(-head_s, abs=0.02)
        assert "4 claps" in found.reason
    # One clip alone may clap and play in time with a guide that is not its own.
    (alone,) = place(clips[0], guide=guide_at(times_s))
    assert alone.verdict == "check"
    assert alone.offset_s == pytest.approx(-9.0, abs=0.02)


def test_claps_on_a_steady_guide_are_a_guess_of_the_bar(rng: np.random.Generator) -> None:
    sound = clapped(rng, part(rng, steady(), 8), steady()[4:8])[: 24 * RATE]
    (found,) = place(on_phone(rng, sound, head_s=3.0, noise_db=-45.0), guide=guide_at(steady()))
    assert found.verdict == "check"
    assert "how many bars" in found.reason
    assert found.rivals


def test_other_parts_settle_the_count_in(rng: np.random.Generator) -> None:
    times_s = slowing()
    short = clapped(rng, part(rng, times_s, 8), times_s[4:8])[: 14 * RATE]
    whole = clapped(rng, part(rng, times_s, 8), times_s[4:8])
    phone = on_phone(rng, short, head_s=3.0, noise_db=-45.0)
    guide = guide_at(times_s)
    alone = place(phone, guide=guide)[0]
    together = place(phone, on_phone(rng, whole, head_s=6.0, noise_db=-45.0), guide=guide)[0]
    assert alone.verdict == "check"
    assert together.offset_s == pytest.approx(-3.0, abs=0.02)
    assert together.confidence > alone.confidence


def test_a_recording_of_the_guide_is_named(rng: np.random.Generator) -> None:
    guide = guide_at(steady())
    (found,) = place(on_phone(rng, guide, head_s=2.0, noise_db=-30.0), guide=guide)
    assert found.verdict == "check"
    assert found.offset_s == pytest.approx(-2.0, abs=1e-3)
    assert "guide itself" in found.reason


def test_longer_version_of_the_guide_is_named(rng: np.random.Generator) -> None:
    times_s = slowing()
    longer = np.concatenate((times_s, times_s[-1] + np.diff(times_s)[-1] * np.arange(1, 5)))
    playing = part(rng, longer, 8)
    playing[round(times_s[-1] * RATE) :] = 0.0
    sound = leaking(playing, guide_at(longer), -30.0)
    (found,) = place(on_phone(rng, sound, head_s=4.0, noise_db=-45.0), guide=guide_at(times_s))
    assert found.verdict == "check"
    assert found.offset_s == pytest.approx(-4.0, abs=2e-3)
    assert "ends 4 beats later" in found.reason


def test_other_guides_and_other_music_fit_nowhere(rng: np.random.Generator) -> None:
    guide = guide_at(steady())
    faster = guide_at(0.96 * steady())
    other = leaking(part(rng, 0.96 * steady(), 8), faster, -30.0)
    music = play(rng, melody(rng, 25.0, beat_s=0.37), 25.0)
    found = place(other, on_phone(rng, music, noise_db=-40.0), guide=guide)
    assert [finding.verdict for finding in found] == ["none", "none"]
