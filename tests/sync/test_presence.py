"""Whether a clip is heard at a moment: evidence with a true zero, on planted splices."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import signal

from syncvid.arrays import Audio
from syncvid.sync.presence import (
    CELL_RATE,
    SHARE,
    Presence,
    away_from,
    measure_filter,
    set_scene,
    weigh_presence,
)
from syncvid.timeline import Placement
from tests.sync.ensemble import band, melody, on_phone, play, without

LENGTH_S = 40.0
HOME = Placement(0.0)


@cache
def parts() -> list[Audio]:
    return band(np.random.default_rng(41), LENGTH_S)


def low(samples: Audio) -> Audio:
    return np.asarray(signal.resample_poly(samples, 1, 2), np.float32)


def ask(
    clip: Audio, reference: Audio, line: Placement = HOME, heard: Placement | None = None
) -> tuple[np.ndarray, Presence]:
    """Return frame times and evidence on a line; the filter is measured on `heard`."""
    scene = set_scene(low(clip), low(reference), [line])
    cells = scene.along(line)
    learned = cells if heard is None else scene.along(heard)
    filtered = measure_filter(scene, learned, np.ones(len(scene.times_s)))
    return scene.times_s, weigh_presence(scene, cells, filtered)


def per_second(times_s: np.ndarray, gains: np.ndarray) -> np.ndarray:
    """Return the evidence of each whole second."""
    return np.bincount(times_s.astype(np.int64), gains)


def test_present_and_absent_seconds_are_told_apart() -> None:
    rest = np.sum(parts()[1:], axis=0, dtype=np.float32)
    mix = rest + without(parts()[0], (15.0, 25.0))
    clip = on_phone(np.random.default_rng(1), parts()[0], noise_db=-30.0)
    times_s, presence = ask(clip, mix)
    found, expected = per_second(times_s, presence.gains), per_second(times_s, presence.expected)
    assert found[:14].min() > 0.0
    assert found[26:39].min() > 0.0
    assert found[16:24].max() < 0.0
    # The formula in the module: 2 share - share**2 for present, -share**2 for absent.
    against = found[16:24].sum() / expected[16:24].sum()
    assert against == pytest.approx(-(SHARE**2) / (2 * SHARE - SHARE**2), abs=0.1)


def _gains(clip: Audio, mix: Audio, line: Placement = HOME) -> tuple[np.ndarray, np.ndarray]:
    times_s, presence = ask(clip, mix, line)
    return times_s, presence.gains


def test_evidence_is_what_is_expected_where_the_clip_is_there_alone() -> None:
    times_s, presence = ask(parts()[0], parts()[0])
    sounding = (times_s > 1.0) & (times_s < 38.0)
    share = presence.gains[sounding].sum() / presence.expected[sounding].sum()
    # A little more than 1: what is near the clip's own noise counts less.
    assert 0.95 < share < 1.25


def test_a_rest_of_the_clip_is_no_evidence_either_way() -> None:
    resting = without(parts()[0], (10.0, 20.0))
    rest = np.sum(parts()[1:], axis=0, dtype=np.float32)
    clip = on_phone(np.random.default_rng(2), resting, noise_db=-40.0)
    found = per_second(*_gains(clip, resting + rest))
    playing = np.concatenate((found[1:9], found[21:39])).mean()
    assert np.abs(found[11:19]).max() < 0.05 * playing


def test_another_take_is_not_claimed() -> None:
    """The mix has the first take up to 20 s and the second from there: same notes, same player."""
    rng = np.random.default_rng(3)
    notes = melody(rng, LENGTH_S)
    first, second = play(rng, notes, LENGTH_S), play(rng, notes, LENGTH_S)
    rest = np.sum(parts()[1:3], axis=0, dtype=np.float32)
    mix = rest + without(first, (20.0, LENGTH_S)) + without(second, (0.0, 20.0))
    one, other = per_second(*_gains(first, mix)), per_second(*_gains(second, mix))
    assert one[:19].sum() > 100.0
    assert one[21:].sum() < -100.0
    assert other[21:].sum() > 100.0
    assert other[:19].sum() < -100.0


def test_other_music_gathers_no_evidence() -> None:
    mix = np.sum(parts(), axis=0, dtype=np.float32)
    for seed in range(4):
        stranger = band(np.random.default_rng(300 + seed), LENGTH_S, parts=1)[0]
        assert ask(stranger, mix)[1].gains.sum() < 5.0


def test_a_part_at_half_its_level_is_still_there() -> None:
    rest = np.sum(parts()[1:], axis=0, dtype=np.float32)
    fading = parts()[0].copy()
    fading[20 * 16_000 :] *= 0.5
    found = per_second(*_gains(parts()[0], rest + fading))
    assert found[21:39].min() > -5.0
    assert found[21:39].sum() > 0.0


def test_gain_room_and_polarity_of_the_mix_do_not_matter() -> None:
    """The filter is measured: what a desk or a room did to the part is no evidence against it."""
    rest = 0.3 * np.sum(parts()[1:], axis=0, dtype=np.float32)
    room = signal.butter(2, [300, 2500], "bandpass", fs=16_000, output="sos")
    wet = -0.2 * signal.sosfilt(room, parts()[0]).astype(np.float32)
    found = per_second(*_gains(parts()[0], (wet + 0.2 * rest).astype(np.float32)))
    assert found[1:39].min() > 0.0


@pytest.mark.parametrize("drift_ppm", [-200.0, 200.0, 5000.0], ids="{} ppm".format)
def test_the_clip_is_read_where_its_line_says(drift_ppm: float) -> None:
    """On its own line a drifting clip keeps its evidence to the end; without the drift it fails."""
    head_s = 2.3
    clip = on_phone(
        np.random.default_rng(4), parts()[0], head_s=head_s, drift_ppm=drift_ppm, noise_db=-40.0
    )
    line = Placement(-head_s * (1 + drift_ppm * 1e-6), drift_ppm)
    scene = set_scene(low(clip), low(parts()[0]), [line])
    cells = scene.along(line)
    inside = (scene.times_s > 1.0) & (scene.times_s < 38.0)
    reference = scene.reference[inside]
    across = np.vdot(cells[inside], reference)
    same = abs(across) / np.linalg.norm(cells[inside]) / np.linalg.norm(reference)
    assert same > 0.97, "the spectra are those of the reference"
    assert abs(np.angle(across)) < 0.05
    late = scene.times_s > 30.0
    straight = scene.along(Placement(line.offset_s))[late]
    against = abs(np.vdot(straight, scene.reference[late]))
    assert against < 0.8 * np.linalg.norm(straight) * np.linalg.norm(scene.reference[late])


def test_frames_lie_on_one_grid_whatever_the_lines() -> None:
    """So that clips of one mix can be compared frame by frame."""
    clip, mix = low(parts()[0])[: CELL_RATE * 10], low(parts()[1])
    for offset_s in (0.0, 0.01, 3.21, 25.0, 35.0):
        times_s = set_scene(clip, mix, [Placement(offset_s)]).times_s
        # Frame k lasts from k - 1/2 to k + 3/2 times 64 ms.
        frames = times_s / 0.064 - 0.5
        np.testing.assert_allclose(frames, np.round(frames), atol=1e-9)
        assert times_s[0] <= offset_s + 0.064
        assert times_s[-1] <= min(40.0, offset_s + 10.0)
        assert times_s[-1] >= min(40.0, offset_s + 10.0) - 0.2


def test_a_scene_beside_the_reference_is_empty() -> None:
    clip, mix = low(parts()[0]), low(parts()[1])
    scene = set_scene(clip, mix, [Placement(50.0)])
    assert len(scene.times_s) == 0
    assert len(scene.along(Placement(50.0, 2000.0))) == 0


def test_away_from_is_before_the_clip_begins_and_after_it_is_over() -> None:
    times_s = np.array([1.0, 1.99, 2.01, 11.9, 12.1, 12.3])
    assert away_from(Placement(2.0), times_s, 10.0).tolist() == [
        True,
        True,
        False,
        False,
        True,
        True,
    ]
    slow = away_from(Placement(2.0, 20_000.0), times_s, 10.0)
    assert slow.tolist() == [True, True, False, False, False, True]
