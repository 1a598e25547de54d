"""Wrong speeds: told, or placed.  Ratios and drifts from facts section 11 and section 3."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from syncvid.arrays import Audio
from syncvid.sync import Listened, find_places
from tests.sync.ensemble import band


@pytest.fixture(scope="module")
def parts() -> list[Audio]:
    return band(np.random.default_rng(12), 40.0, 3)


@pytest.mark.parametrize(
    ("up", "down", "told"),
    [
        (147, 160, "44.1 kHz but is labelled 48 kHz"),
        (160, 147, "48 kHz but is labelled 44.1 kHz"),
        (1, 2, "half the speed"),
        (2, 1, "double speed"),
    ],
)
def test_wrong_rate_is_told(parts: list[Audio], up: int, down: int, told: str) -> None:
    clip = signal.resample_poly(parts[0], up, down).astype(np.float32)
    mix = np.sum(parts, axis=0, dtype=np.float32)
    finding = find_places([Listened("c", clip)], mix=mix).findings[0]
    assert finding.verdict == "none"
    assert told in finding.reason.replace("\n", " ")


@pytest.mark.parametrize(("up", "down"), [(1001, 1000), (1000, 1001)])
def test_picture_rate_mistaken_is_placed(parts: list[Audio], up: int, down: int) -> None:
    clip = signal.resample_poly(parts[1], up, down).astype(np.float32)
    mix = np.sum(parts, axis=0, dtype=np.float32)
    finding = find_places([Listened("c", clip)], mix=mix).findings[0]
    assert finding.verdict == "sure"
    assert finding.offset_s == pytest.approx(0.0, abs=1e-4)
    # Facts section 3: a skew near 1000 ppm points to 29.97 against 30.
    assert finding.drift_ppm == pytest.approx((down / up - 1) * 1e6, abs=2.0)
    assert "29.97" in finding.reason
    assert finding.spans[-1].clip_to_s == pytest.approx(len(clip) / 16_000, abs=0.5)
