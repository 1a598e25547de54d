"""Clips against each other: how much is compared with what."""

from __future__ import annotations

import numpy as np
import pytest

from syncvid.arrays import Audio
from syncvid.sync import Listened, by_clips, find_places
from syncvid.sync.hearing import Heard
from syncvid.sync.waveform import Evidence, Target
from tests.sync.ensemble import RATE, band, on_phone


@pytest.fixture
def compared(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Count the comparisons."""
    lengths: list[int] = []
    real = by_clips.find_evidence

    def counted(clip: Heard, target: Target) -> Evidence:
        lengths.append(len(clip.full))
        return real(clip, target)

    monkeypatch.setattr(by_clips, "find_evidence", counted)
    return lengths


def cameras(sound: Audio, rng: np.random.Generator, count: int) -> list[Listened]:
    """Return recordings of one sound, each a little shorter than the one before."""
    return [
        Listened(str(index), on_phone(rng, sound[: len(sound) - index * RATE // 2]))
        for index in range(count)
    ]


def test_work_grows_with_the_number_of_clips_only(
    rng: np.random.Generator, compared: list[int]
) -> None:
    sound = np.sum(band(rng, 22.0, 3), axis=0, dtype=np.float32)
    found = find_places(cameras(sound, rng, 8))
    assert all(finding.verdict == "sure" for finding in found.findings)
    # Everybody against the longest, and once more against the next: 7 + 6.
    assert len(compared) == 13


def test_two_pieces_are_told_apart(rng: np.random.Generator) -> None:
    one, two = (np.sum(band(rng, 24.0, 3), axis=0, dtype=np.float32) for _ in range(2))
    clips = cameras(one, rng, 3) + [
        Listened(f"other {clip.name}", clip.samples) for clip in cameras(two, rng, 2)
    ]
    found = find_places(clips).findings
    assert [finding.verdict for finding in found] == ["sure"] * 3 + ["none"] * 2
    assert "except for other 1:" in found[3].reason


def test_no_clip_with_sound_is_no_error() -> None:
    assert find_places([]).findings == ()
