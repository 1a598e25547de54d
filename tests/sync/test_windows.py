"""Windows along a line, judged by a plain correlation of each."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from syncvid.arrays import Audio
from syncvid.sync.windows import correlate_near
from syncvid.timeline import Placement

RATE = 4000


def plain(clip: Audio, reference: Audio, start: int, lag: int, window: int, reach: int) -> Audio:
    """Return what scipy makes of one window, silence around both sounds."""
    pad = 40 * RATE
    wide_clip, wide = np.pad(clip, pad), np.pad(reference, pad)
    piece = wide_clip[pad + start : pad + start + window]
    stretch = wide[pad + start + lag - reach : pad + start + lag + window + reach]
    return np.asarray(signal.correlate(stretch, piece, "valid"))


@pytest.mark.parametrize(("hop_s", "drift_ppm"), [(2.0, 0.0), (0.5, 0.0), (0.5, 400.0)])
def test_rows_are_those_of_a_plain_correlation(
    rng: np.random.Generator, hop_s: float, drift_ppm: float
) -> None:
    clip, reference = rng.standard_normal((2, 20 * RATE)).astype(np.float32)
    line, window, reach = Placement(-3.0, drift_ppm), 2 * RATE, 80
    rows = correlate_near(
        clip, reference, line, sample_rate=RATE, window_s=2.0, hop_s=hop_s, reach_s=0.02
    )
    assert len(rows.clip_s) in (round(17.0 / hop_s), round(17.0 / hop_s) + 1)
    for row, middle_s in enumerate(rows.clip_s.tolist()):
        lag_s = line.offset_s + middle_s * drift_ppm * 1e-6
        lag = round((lag_s + float(rows.rests[row])) * RATE)
        start = round(middle_s * RATE) - window // 2
        expected = plain(clip, reference, start, lag, window, reach)
        # Rows are told in standard deviations of chance: as many samples as a window has.
        told = rows.values[row]
        scale = float(np.dot(expected, told) / np.dot(told, told))
        nearly = 2e-3 * float(np.abs(expected).max())
        assert told * scale == pytest.approx(expected, abs=nearly)
        if window < start + lag and start < len(clip) - 2 * window:
            assert scale == pytest.approx(np.sqrt(window), rel=0.1)


def test_windows_that_miss_the_reference_are_left_out(rng: np.random.Generator) -> None:
    sound = rng.standard_normal(8 * RATE).astype(np.float32)
    none = correlate_near(
        sound, sound, Placement(60.0), sample_rate=RATE, window_s=2.0, hop_s=0.5, reach_s=0.02
    )
    assert none.values.shape == (0, 161)
