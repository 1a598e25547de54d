"""Files at a wrong speed: told, and placed where a clock of 29.97 stands for one of 30."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from syncvid.arrays import Audio
from syncvid.sync import Listened, find_places, reasons
from tests.sync.ensemble import band


@pytest.fixture
def parts(rng: np.random.Generator) -> list[Audio]:
    return band(rng, 44.0, 3)


@pytest.mark.parametrize(
    ("up", "down", "reason"),
    [
        (147, 160, reasons.TOO_FAST),
        (160, 147, reasons.TOO_SLOW),
        (1, 2, reasons.TWICE_TOO_FAST),
        (2, 1, reasons.TWICE_TOO_SLOW),
    ],
)
def test_wrong_rate_is_told(parts: list[Audio], up: int, down: int, reason: str) -> None:
    clip = signal.resample_poly(parts[0], up, down).astype(np.float32)
    mix = np.sum(parts, axis=0, dtype=np.float32)
    found = find_places([Listened("c", clip)], mix=mix).findings[0]
    assert (found.verdict, found.reason, found.offset_s) == ("none", reason, None)


def test_a_clock_of_29_97_for_30_is_placed(parts: list[Audio]) -> None:
    # 1000 / 1001 of the length: a clip second lasts 1.001 reference seconds, which is 1000 ppm.
    clip = signal.resample_poly(parts[0], 1000, 1001).astype(np.float32)
    mix = np.sum(parts, axis=0, dtype=np.float32)
    found = find_places([Listened("c", clip)], mix=mix).findings[0]
    assert found.drift_ppm == pytest.approx(1000.0, abs=2.0)
    assert found.offset_s == pytest.approx(0.0, abs=1e-3)
