"""Where a clip is in an edited mix: planted splices, steps, moved and stretched phrases."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from syncvid.arrays import Audio
from syncvid.production.results import Finding
from syncvid.sync import Listened, find_places
from tests.sync.ensemble import RATE, band, melody, on_phone, play

LENGTH_S = 48.0


@pytest.fixture
def parts(rng: np.random.Generator) -> list[Audio]:
    return band(rng, LENGTH_S, 3)


def placed(clip: Audio, mix: Audio) -> Finding:
    return find_places([Listened("c", clip)], mix=mix.astype(np.float32)).findings[0]


def edges(finding: Finding) -> list[tuple[float, float]]:
    return [(span.clip_from_s, span.clip_to_s) for span in finding.spans]


def test_two_takes_spliced_in_one_mix(rng: np.random.Generator, parts: list[Audio]) -> None:
    notes = melody(rng, LENGTH_S)
    one, other = play(rng, notes, LENGTH_S), play(rng, notes, LENGTH_S)
    cut = 22 * RATE
    mix = parts[0] + parts[1] + np.concatenate((one[:cut], other[cut:]))
    first = placed(on_phone(rng, one, head_s=3.0, drift_ppm=20.0), mix)
    second = placed(on_phone(rng, other, head_s=5.0, drift_ppm=-20.0), mix)
    # What a part plays it plays until its last note has died away, so 250 ms at the splice only.
    assert edges(first)[-1][1] == pytest.approx(25.0, abs=0.25)
    assert edges(second)[0][0] == pytest.approx(27.0, abs=0.25)
    assert first.verdict == second.verdict == "sure"


def test_step_in_the_lag_is_followed(rng: np.random.Generator, parts: list[Audio]) -> None:
    phone = on_phone(rng, parts[0], head_s=2.0)
    at, missing = 24 * RATE, round(0.128 * RATE)
    dropped = np.concatenate((phone[:at], phone[at + missing :]))
    found = placed(dropped, np.sum(parts, axis=0))
    assert [span.offset_s for span in found.spans] == pytest.approx([-2.0, -1.872], abs=1e-3)
    assert found.spans[0].clip_to_s == pytest.approx(24.0, abs=0.25)
    assert found.spans[1].clip_from_s == pytest.approx(24.0, abs=0.25)


@pytest.mark.parametrize("moved_ms", [-65, 35])
def test_moved_phrase_is_found(rng: np.random.Generator, parts: list[Audio], moved_ms: int) -> None:
    moved, shift = parts[0].copy(), moved_ms * RATE // 1000
    first, last = 16 * RATE, 30 * RATE
    moved[first:last] = 0.0
    moved[first + shift : last + shift] += parts[0][first:last]
    found = placed(on_phone(rng, parts[0], head_s=4.0), moved + parts[1] + parts[2])
    offsets = [span.offset_s for span in found.spans]
    assert offsets == pytest.approx([-4.0, -4.0 + moved_ms / 1000, -4.0], abs=1e-3)
    assert found.spans[1].clip_from_s == pytest.approx(20.0, abs=0.25)
    assert found.spans[1].clip_to_s == pytest.approx(34.0, abs=0.25)


def test_stretched_phrase_has_a_drift_of_its_own(
    rng: np.random.Generator, parts: list[Audio]
) -> None:
    first, last = 16 * RATE, 32 * RATE
    phrase = signal.resample_poly(parts[0][first:last], 203, 200)
    stretched = np.concatenate((parts[0][:first], phrase, parts[0][last:]))
    others = np.pad(parts[1] + parts[2], (0, len(stretched) - len(parts[1])))
    found = placed(on_phone(rng, parts[0], head_s=1.0), stretched + others)
    own = [span.drift_ppm for span in found.spans if span.drift_ppm is not None]
    # 203 / 200 is 1.5 %.
    assert any(drift_ppm == pytest.approx(15_000, abs=300) for drift_ppm in own)
